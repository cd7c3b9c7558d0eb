"""Glare judged; how it is measured is tested in tests/plate/test_glare.py."""

from dataclasses import replace

import numpy as np
import pytest

from platebench.measure.checks.glare_check import GlareFigures, judge_glare, judge_session_glare
from platebench.measure.checks.verdict import Severity
from platebench.plate.glare import interval_in_words
from platebench.plate.glare_model import GHOST, NOTHING, SessionGlare, posterior_of


def measured(share, sigma=0.0002, sources=("card",)):
    return GlareFigures(share=share, sigma=sigma, sources=sources)


@pytest.mark.parametrize(
    ("share", "severity"),
    [(0.0007, Severity.GOOD), (0.004, Severity.NOTE), (0.008, Severity.WARN)],
)
def test_glare_that_was_measured_is_judged(share, severity):
    verdict = judge_glare(measured(share))
    assert verdict.severity is severity
    assert f"{100 * share:.2f} %" in verdict.text


def test_what_glare_does_to_a_density():
    # check-values, section 9 (derived): 0.5 % of glare, a true D 2.5 measures 2.090.
    text = judge_glare(measured(0.005, sources=("tablet",))).text
    assert "2.09" in text


def test_what_a_bound_leaves_open():
    # T = 10^-D (1 + g) - g with g = 0.005: 10^-1.5 -> 0.02678, D 1.572; 10^-2 -> 0.00505, D 2.297
    assert "1.57" in interval_in_words(0.005)
    assert "2.30" in interval_in_words(0.005)
    assert "any" in interval_in_words(0.02)
    verdict = judge_glare(None, 0.004)
    assert verdict.severity is Severity.NOTE and "box_off" in verdict.remedy
    assert "0.40 %" in verdict.text


def test_the_change_that_gains_most_is_asked_for():
    assert "card" in judge_glare(measured(0.004, sources=("opaque strip",))).remedy
    assert "64 times" in judge_glare(measured(0.004)).remedy
    assert "mask" in judge_glare(measured(0.004), room_known=True).remedy
    assert judge_glare(None) == judge_glare(None, 0.02)  # a bound that says nothing


@pytest.mark.parametrize("bound", [None, 0.004, 0.02])
def test_a_scan_is_not_asked_for_what_is_not_read_in_scans(bound: float | None) -> None:
    verdict = judge_glare(None, bound, scan=True)
    assert "card" not in verdict.remedy and "step tablet" in verdict.remedy
    calibrated = judge_glare(measured(0.008, sources=("tablet",)), scan=True)
    assert "scanner" in calibrated.remedy and "room" not in calibrated.remedy


@pytest.mark.parametrize("source", ["black mask", "holder"])
def test_a_plate_in_a_mask_is_not_told_to_be_masked(source: str) -> None:
    verdict = judge_glare(measured(0.004, sources=("card", source)), room_known=True)
    assert "mask" not in verdict.remedy


def test_glare_that_convert_takes_off_is_said_to_be() -> None:
    assert "takes it off" in judge_glare(measured(0.004), off=True).text
    assert "takes it off" not in judge_glare(measured(0.004)).text


def test_a_card_in_the_middle_hides_ghosts_and_is_asked_for_again_beside_it():
    found = posterior_of(NOTHING)
    room = np.zeros((1, 4, 6))
    session = SessionGlare(
        evidence=NOTHING, found=found, of_room=NOTHING, room=room, card=1, box_off=1
    )
    verdict = judge_session_glare(session)
    assert verdict.severity is Severity.NOTE and verdict.remedy
    precision = NOTHING.precision.copy()
    precision[GHOST, GHOST] = 1e6
    aside = replace(session, evidence=replace(NOTHING, precision=precision))
    assert judge_session_glare(aside).severity is Severity.NOTE  # far glare and near look alike
    assert judge_session_glare(replace(aside, card=2)).severity is Severity.GOOD
    unlike = replace(aside, evidence=replace(aside.evidence, misfit=0.3))
    assert judge_session_glare(unlike).severity is Severity.WARN
