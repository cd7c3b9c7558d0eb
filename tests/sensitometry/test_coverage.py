"""Stated errors of what is extrapolated, on curves of shapes that the fitted one does not share.

The allowances in ``curve_numbers`` were set on logistic, Gaussian, Gompertz and piecewise curves
with a parabolic toe and an exponential shoulder. None of these is used here. All of them rise
from base plus fog as some power of the exposure, the first at least, as silver does: a toe that
creeps along more slowly than that (an arctangent) ends far below what any fit here says.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.special import ndtr

from platebench.sensitometry import CurveFigures, figures_of, pair_readings

from .reference_plate import TABLET

Floats = NDArray[np.float64]
Shape = Callable[[Floats], Floats]


def targets(rng: np.random.Generator) -> Shape:
    """Grains hit at random, of sensitivities in a gamma distribution: a slow shoulder."""
    power, width = rng.uniform(1.0, 1.8), rng.uniform(0.6, 2.0)
    return lambda x: 1 - (1 + 10 ** (power * x) / width) ** -width


def two_grains(rng: np.random.Generator) -> Shape:
    """A fast and a slow emulsion of one coating: two Gaussian distributions of sensitivity."""
    share, apart, width = rng.uniform(0.3, 0.7), rng.uniform(0.3, 0.9), rng.uniform(0.45, 0.7)
    return lambda x: (
        share * ndtr((x + apart / 2) / width) + (1 - share) * ndtr((x - apart / 2) / width)
    )


def lopsided(rng: np.random.Generator) -> Shape:
    """Richards' growth curve: a toe and a shoulder of unlike sharpness."""
    k, power = rng.uniform(2.0, 3.4), rng.uniform(1.0, 2.5)
    return lambda x: (1 + np.exp(-k * x)) ** -power


def quarter_waves(rng: np.random.Generator) -> Shape:
    """A straight line with a toe and a shoulder of a quarter of a cosine each."""
    toe, line, shoulder = rng.uniform(0.4, 0.8), rng.uniform(0.7, 1.4), rng.uniform(0.3, 0.8)
    low, high = -line / 2, line / 2
    rises = 2 * toe / np.pi, line, 2 * shoulder / np.pi

    def shape(x: Floats) -> Floats:
        z, y = np.clip((x - low) / toe, -1, 0), np.clip((x - high) / shoulder, 0, 1)
        up = rises[0] * (1 - np.cos((z + 1) * np.pi / 2))
        return np.asarray(
            (up + np.clip(x - low, 0, line) + rises[2] * np.sin(y * np.pi / 2)) / sum(rises)
        )

    return shape


SHAPES = (targets, two_grains, lopsided, quarter_waves)


def plates(seed: int, number: int) -> list[tuple[float, float, float, CurveFigures]]:
    """Return base plus fog, limit, log H of point m, and the figures, of curves at random."""
    rng = np.random.default_rng(seed)
    found = []
    for turn in range(number):
        shape = SHAPES[turn % len(SHAPES)](rng)
        fog, rise = rng.uniform(0.05, 0.3), rng.uniform(1.5, 2.8)
        middle, sigma = rng.uniform(0.6, 1.4), (0.003, 0.01)[turn // len(SHAPES) % 2]
        log_h = rng.uniform(2.0, 3.0) - TABLET
        d = fog + rise * shape(log_h - middle) + sigma * rng.standard_normal(log_h.size)
        readings = pair_readings("p", log_h, d, sigma=np.full(d.size, sigma), absolute=True)
        figures = figures_of(readings, rng=np.random.default_rng(turn), trials=25)
        fine = np.linspace(-4, 4, 8001)
        m = float(np.interp(0.1, rise * shape(fine - middle), fine))
        found.append((fog, fog + rise, m, figures))
    return found


@pytest.mark.parametrize(
    ("seed", "number", "least"),
    [(31, 16, (0.5, 0.85)), pytest.param(77, 120, (0.6, 0.9), marks=pytest.mark.big)],
)
def test_errors_of_what_is_extrapolated(seed: int, number: int, least: tuple[float, float]) -> None:
    done = plates(seed, number)
    told = {
        "base_fog": [(f.base_fog, fog) for fog, _, _, f in done],
        "limit": [(f.limit_density, limit) for _, limit, _, f in done if f.limit_density],
        "m": [(f.speed_point, m) for _, _, m, f in done if f.speed_point],
    }
    for name, pairs in told.items():
        assert len(pairs) > number / 2, name
        pulls = [(e.value - true) / e.sigma for e, true in pairs if e and e.sigma]
        held = [float(np.mean(np.abs(pulls) <= times)) for times in (1, 2)]
        print(name, len(pulls), held)
        assert len(pulls) > 0.9 * len(pairs), name
        assert held[0] >= least[0] and held[1] >= least[1], (name, held)
