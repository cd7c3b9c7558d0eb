"""Density ranges from records: those that convert writes, and damaged ones."""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path
from typing import Any

import pytest

from platebench.core.errors import SessionFolderError
from platebench.plate.densities import BIN_EDGES, PlateDensities
from platebench.printing.plate_range import read_plate_ranges

from ..refusals import refused

NEUTRAL = {"found": False, "red": 0.001, "blue": 0.002, "red_share": 0.0, "blue_share": 0.001}


def record(stain: dict[str, Any] | None = NEUTRAL, **changes: Any) -> dict[str, Any]:
    counts = [0] * (BIN_EDGES.size - 1)
    counts[50:150] = [3] * 100  # 0.30 to 1.30 D
    densities = PlateDensities(
        base_fog=0.25,
        base_fog_from="rebate",
        d_min=0.3,
        d_max=1.3,
        density_range=1.0,
        histogram=tuple(counts),
    )
    measured = asdict(densities) | changes
    light = {"source": "blank"}
    return {"result": {"densities": measured, "stain": stain, "light": light}}


def put(output: Path, name: str, content: object) -> None:
    folder = output / "plates"
    folder.mkdir(parents=True, exist_ok=True)
    (folder / f"{name}.json").write_text(json.dumps(content), encoding="utf-8")


def test_a_record_is_read(tmp_path: Path) -> None:
    put(tmp_path, "b", record())
    put(tmp_path, "a", record(blue_range=1.25, stain=NEUTRAL | {"found": True}))
    stained, neutral = read_plate_ranges(tmp_path)
    assert (stained.plate_id, stained.blue_range, stained.neutral) == ("a", 1.25, False)
    assert (neutral.plate_id, neutral.blue_range, neutral.neutral) == ("b", None, True)
    assert neutral.density_range == 1.0 and neutral.tones is not None
    assert neutral.tones.share_above(1.05) == pytest.approx(0.25)  # 1.05 to 1.30 of 0.30 to 1.30
    assert neutral.tones.share_below(0.40) == pytest.approx(0.10)
    assert [plate.plate_id for plate in read_plate_ranges(tmp_path, ["b"])] == ["b"]


def test_a_capture_in_one_colour_is_not_called_neutral(tmp_path: Path) -> None:
    put(tmp_path, "a", record(stain=None))
    assert read_plate_ranges(tmp_path)[0].neutral is False


def test_a_record_says_whether_its_densities_are_calibrated(tmp_path: Path) -> None:
    calibrated = record()
    calibrated["result"]["calibration"] = {"tablet": "21 steps"}
    put(tmp_path, "a", calibrated)
    put(tmp_path, "b", record())
    assert [plate.calibrated for plate in read_plate_ranges(tmp_path)] == [True, False]


def test_no_records(tmp_path: Path) -> None:
    with refused(SessionFolderError, path=tmp_path / "converted"):
        read_plate_ranges(tmp_path / "converted")


def test_an_unknown_plate_says_which_there_are(tmp_path: Path) -> None:
    put(tmp_path, "a", record())
    with refused(SessionFolderError, '"z"', ": a"):
        read_plate_ranges(tmp_path, ["z"])


@pytest.mark.parametrize(
    "content",
    [
        [],
        {},
        {"result": None},
        {"result": {"densities": {}}},
        record(density_range=None),
        record(density_range="wide"),
        record(density_range=float("nan")),
        record(histogram=["many"]),
    ],
)
def test_damaged_records_are_named(tmp_path: Path, content: object) -> None:
    put(tmp_path, "a", content)
    with refused(SessionFolderError, path=tmp_path / "plates" / "a.json"):
        read_plate_ranges(tmp_path)


def test_a_record_cut_off_is_named(tmp_path: Path) -> None:
    put(tmp_path, "a", record())
    path = tmp_path / "plates" / "a.json"
    path.write_bytes(path.read_bytes()[:200])
    with refused(SessionFolderError, path=path):
        read_plate_ranges(tmp_path)


def test_a_histogram_of_another_length_is_left_out(tmp_path: Path) -> None:
    put(tmp_path, "a", record(histogram=[1, 2, 3]))
    assert read_plate_ranges(tmp_path)[0].tones is None
