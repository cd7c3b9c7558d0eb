"""Glare against the table of its model."""

import numpy as np
import pytest

from platebench.quality.glare import (
    density_off_by,
    density_with_glare,
    glare_from_opaque,
    judge_glare,
    measure_glare,
)
from platebench.quality.verdict import Severity

# T_measured = (T + g) / (1 + g), worked out for true D 1.0 1.5 2.0 2.5 3.0 (McCann's model; the
# project's sheet of check values, section 9).
TABLE = {
    0.0025: (0.990, 1.468, 1.904, 2.248, 2.457),
    0.005: (0.981, 1.438, 1.826, 2.090, 2.224),
    0.01: (0.963, 1.385, 1.703, 1.885, 1.963),
    0.02: (0.929, 1.296, 1.531, 1.644, 1.686),
}


@pytest.mark.parametrize("glare", TABLE)
def test_table(glare):
    found = [density_with_glare(d, glare) for d in (1.0, 1.5, 2.0, 2.5, 3.0)]
    # printed to three figures after the point
    assert found == pytest.approx(TABLE[glare], abs=2e-3)


@pytest.mark.parametrize("glare", [0.0003, 0.005, 0.08])
def test_opaque_patch_gives_the_glare_back(glare):
    assert glare_from_opaque(10 ** -density_with_glare(99, glare)) == pytest.approx(glare)


def test_density_off_by_solves_the_model():
    for glare, error in ((0.0025, 0.1), (0.01, 0.3)):
        density = density_off_by(glare, error)
        assert density - density_with_glare(density, glare) == pytest.approx(error)


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
