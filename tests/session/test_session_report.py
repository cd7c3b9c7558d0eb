"""What a session leaves for people, from the plates' records."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from platebench.core.errors import CaptureError, UnexpectedError
from platebench.plate.job import PlateResult
from platebench.plate.record import PlateRecord
from platebench.session.session_report import days_of, error_to_json, plate_to_json, proof_print

RECORD = PlateRecord(
    format="13x18 cm",
    size_mm=(180.1, 129.9),
    base_fog=0.21,
    d_max=1.84,
    density_range=1.63,
    flags=("left side not seen clearly",),
    whole=True,
    doubtful=True,
    taken="2026-03-01T23:59:58",
)


def test_the_proof_sheet_shows_what_the_record_says() -> None:
    shown = proof_print(Path("out"), PlateResult(plate_id="p", record=RECORD))
    assert shown.picture == Path("out/previews/p.jpg")
    assert (shown.format_name, shown.size_mm) == ("13x18 cm", (180.1, 129.9))
    assert (shown.base_fog, shown.d_max, shown.density_range) == (0.21, 1.84, 1.63)
    assert shown.flags == ("left side not seen clearly",) and shown.whole and shown.doubtful


def test_what_is_not_known_is_not_made_up() -> None:
    shown = proof_print(Path("out"), PlateResult(plate_id="p", record=PlateRecord()))
    assert shown.size_mm is None and math.isnan(shown.base_fog) and math.isnan(shown.d_max)
    assert not shown.flags and not shown.whole


@pytest.mark.parametrize(
    ("moments", "days"),
    [
        ([], ""),
        ([None], ""),
        (["2026-03-01T23:59:58", None, "2026-03-01T08:00:00"], "2026-03-01"),
        (
            ["2026-03-03T00:00:01", "2026-03-01T23:59:58", "2026-03-02T10:00:00"],
            "2026-03-01 to 2026-03-03",
        ),
    ],
)
def test_days(moments: list[str | None], days: str) -> None:
    results = [PlateResult(plate_id="p", record=PlateRecord(taken=moment)) for moment in moments]
    assert days_of(results) == days


def test_failures_are_told_with_kind_and_message_and_traceback_only_for_faults() -> None:
    error = CaptureError(Path("a.dng"), "is empty", "copy it again")
    shown = plate_to_json(Path("out"), PlateResult(plate_id="p", error=error))
    assert shown == {
        "id": "p",
        "status": "failed",
        "files": [],
        "error": {"kind": "CaptureError", "message": "a.dng is empty; copy it again"},
    }
    assert error_to_json(UnexpectedError("p", "x", "Traceback ..."))["traceback"] == "Traceback ..."
