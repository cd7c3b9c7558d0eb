"""Glare bounded and judged; its model is tested in tests/plate/test_glare.py."""

import numpy as np
import pytest

from platebench.measure.checks.glare_check import glare_bound, judge_glare
from platebench.measure.checks.verdict import Severity
from platebench.plate.glare import Glare


def measured(share, sigma=0.0002, source="black mask"):
    return Glare(share=share, sigma=sigma, source=source, area=0.2)


def test_plate_gives_an_upper_bound():
    rng = np.random.default_rng(3)
    true = 10 ** -rng.uniform(0.2, 2.8, 4000)
    assert 0.004 < glare_bound((true + 0.004) / 1.004) < 0.01


@pytest.mark.parametrize(
    ("share", "severity"),
    [(0.0008, Severity.GOOD), (0.004, Severity.NOTE), (0.008, Severity.WARN)],
)
def test_glare_that_was_measured_is_judged(share, severity):
    verdict = judge_glare(measured(share))
    assert verdict.severity is severity
    assert f"{100 * share:.2f} % of the bare light box, give or take 0.02 %" in verdict.text


def test_what_glare_does_to_a_density():
    # check-values, section 9 (derived): 0.5 % of glare, a true D 2.5 measures 2.090.
    text = judge_glare(measured(0.005, source="calibration")).text
    assert "(as calibrated), so that D 2.50 is captured as 2.09" in text


def test_glare_within_its_error_is_a_bound():
    verdict = judge_glare(measured(0.0003))
    assert verdict.severity is Severity.GOOD
    assert "at most 0.07 % of the bare light box (black mask)" in verdict.text


def test_the_densest_parts_bound_it_where_nothing_opaque_shows():
    verdict = judge_glare(None, 0.004)
    assert verdict.severity is Severity.NOTE and "opaque strip" in verdict.remedy
    assert "at most 0.40 % of the bare light box (darkest part of the plate)" in verdict.text


def test_thin_plate_asks_for_an_opaque_strip():
    verdict = judge_glare(None, glare_bound(np.linspace(0.1, 0.9, 500)))
    assert "cannot be measured here" in verdict.text
    assert "opaque strip" in verdict.remedy
    assert judge_glare(None) == verdict


@pytest.mark.parametrize("bound", [None, 0.004, 0.02])
def test_a_scan_is_not_asked_for_what_is_not_read_in_scans(bound: float | None) -> None:
    verdict = judge_glare(None, bound, scan=True)
    assert "opaque" not in str(verdict) and "step tablet" in verdict.remedy
    calibrated = judge_glare(measured(0.008, source="calibration"), scan=True)
    assert "scanner" in calibrated.remedy and "room" not in calibrated.remedy


@pytest.mark.parametrize("source", ["black mask", "holder"])
@pytest.mark.parametrize("share", [0.004, 0.008, 0.0009])
def test_a_plate_in_a_mask_is_not_told_to_be_masked(source: str, share: float) -> None:
    for sigma in (0.0002, 0.001):  # measured; hidden in its error
        said = str(judge_glare(measured(share, sigma, source)))
        assert "mask the light box" not in said and "opaque strip" not in said
    assert "mask the light box" in str(judge_glare(measured(0.004, source="opaque strip")))


@pytest.mark.parametrize("bound", [None, 0.004, 0.2])
def test_a_mask_that_shows_no_glare_is_to_be_denser(bound: float | None) -> None:
    verdict = judge_glare(None, bound, masked=True)
    assert "mask with something denser" in verdict.remedy and "opaque strip" not in verdict.remedy
    assert "opaque strip" in judge_glare(None, bound).remedy


def test_glare_that_convert_takes_off_is_said_to_be() -> None:
    assert "convert takes it off" in judge_glare(measured(0.004), off=True).text
    assert "takes it off" not in judge_glare(measured(0.004)).text
