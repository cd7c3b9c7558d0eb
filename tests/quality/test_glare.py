"""Glare bounded and judged; its model is tested in tests/stages/test_glare.py."""

import numpy as np
import pytest

from platebench.quality.glare import judge_glare, measure_glare
from platebench.quality.verdict import Severity


def test_plate_gives_an_upper_bound():
    rng = np.random.default_rng(3)
    true = 10 ** -rng.uniform(0.2, 2.8, 4000)
    found = measure_glare((true + 0.004) / 1.004, "plate")
    assert not found.opaque
    assert 0.004 < found.share < 0.01


def test_black_mask_gives_the_glare():
    found = measure_glare(np.full(50, 0.004 / 1.004), "black mask")
    assert found.opaque
    assert found.share == pytest.approx(0.004)
    verdict = judge_glare(found)
    assert verdict.severity is Severity.NOTE
    assert "0.40 % of the bare light box" in verdict.text


def test_thin_plate_asks_for_an_opaque_strip():
    verdict = judge_glare(measure_glare(np.linspace(0.1, 0.9, 500), "plate"))
    assert "not measurable here" in verdict.text
    assert "opaque strip" in verdict.remedy
    assert judge_glare(None) == verdict
