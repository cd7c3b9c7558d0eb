"""The large view while capturing: what is said of an arrival, and the view in a browser."""

from __future__ import annotations

import shutil
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from platebench.core.errors import NoPlateError
from platebench.core.settings import PlateSettings, SessionSettings
from platebench.measure.checks.verdict import Severity, Verdict
from platebench.plate.job import PlateResult
from platebench.plate.record import PlateRecord
from platebench.review.at_the_box import facts_of, what_next
from platebench.session.check_file import CheckedCapture
from platebench.session.watch_session import Arrival

from ..processes import PATIENCE_S, wait_until
from .browsing import IN_A_BROWSER

SESSION = SessionSettings(
    blank=("blank.dng",), plates=(PlateSettings(id="p", captures=("p.dng",)),)
)


@dataclass
class Checked:
    """As much of a check as is looked at."""

    verdicts: tuple[Verdict, ...]


def arrival(*verdicts: Verdict, **more: Any) -> Arrival:
    checked = CheckedCapture(plate_id="p", name="p.dng", role="plate", check=Checked(verdicts))  # type: ignore[arg-type]
    plates = more.pop("plates", (PlateResult(plate_id="p", record=PlateRecord()),))
    return Arrival(files=("p.dng",), plates=plates, checked=(checked,), **more)


GOOD = Verdict(Severity.GOOD, "focus", "sharp")
DIM = Verdict(Severity.WARN, "exposure", "underexposed by 1.3 stops", "lengthen to 1/8 s")
CLIPPED = Verdict(Severity.FAIL, "exposure", "clipped in 4 %", "shorten to 1/60 s")


@pytest.mark.parametrize(
    ("verdicts", "state", "change"),
    [((GOOD,), "good", ""), ((GOOD, DIM), "look", DIM), ((DIM, GOOD, CLIPPED), "again", CLIPPED)],
)
def test_the_gravest_finding_is_the_one_thing_to_change(
    verdicts: tuple[Verdict, ...], state: str, change: object
) -> None:
    facts = facts_of(arrival(*verdicts), SESSION)
    assert (facts["state"], facts["change"]) == (state, str(change))
    exposure = [one for one in facts["topics"] if one["topic"] == "exposure"]
    assert [one["state"] for one in exposure] == [state] * (len(verdicts) > 1)
    assert facts["next"].endswith(": p") == (state == "again")


def test_a_plate_that_fails_is_taken_again() -> None:
    failed = PlateResult(plate_id="p", error=NoPlateError(Path("p.dng")))
    facts = facts_of(arrival(DIM, plates=(failed,)), SESSION)
    assert facts["state"] == "again" and "p.dng" in facts["change"] and facts["plates"] == []


def test_a_file_still_on_its_way_is_no_verdict() -> None:
    assert facts_of(Arrival(files=(), waiting=("p.dng",)), SESSION)["state"] is None
    assert facts_of(Arrival(files=(), trouble=("p.dng is damaged",)), None)["state"] == "again"


def test_frames_that_a_session_needs_come_before_its_plates() -> None:
    told = [
        what_next(session, None, "good")
        for session in (
            None,
            SessionSettings(),
            SessionSettings(blank=("b",)),
            SessionSettings(blank=("b",), dark=("d",)),
            SESSION,
        )
    ]
    wanted = ("Blank", "Blank", "dark frame", "card", "next plate")
    assert all(word in one for word, one in zip(wanted, told, strict=True))


class TestInABrowser:
    """Driven as a person would."""

    pytestmark = IN_A_BROWSER

    def test_a_capture_that_comes_is_judged_in_large(
        self, browser: Any, front: Any, session: Path
    ) -> None:
        fresh = session.parent / "today"
        fresh.mkdir()
        page = browser.new_page(viewport={"width": 1440, "height": 900})
        faults: list[str] = []
        page.on("pageerror", lambda error: faults.append(str(error)))
        page.goto(f"{front[1].review.address}#/folder/{fresh}")
        page.click("button:has-text('Watch and judge')")
        page.wait_for_selector("#box .word")
        assert page.is_hidden("#front")
        for name in ("blank.dng", "wide.dng"):
            shutil.copy(session / name, fresh)
        page.wait_for_selector("#box .taken img", timeout=1000 * PATIENCE_S)
        page.wait_for_function("() => document.querySelector('#box .taken img').naturalWidth > 0")
        height = page.evaluate(
            "parseFloat(getComputedStyle(document.querySelector('.word')).fontSize)"
        )
        assert height >= 96  # CSS pixels, an inch: seen from two metres; common practice, no source
        assert "exposure" in page.inner_text("#box .topics")
        page.click("button:has-text('Stop watching')")
        page.wait_for_selector("#front:visible")
        wait_until(lambda: (fresh / "session.toml").is_file())
        assert faults == []
        page.close()
