"""The smooth monotone curve: never rising whatever the noise, and near the truth."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import isotonic_regression

from platebench.printing.even_out import even_out, fit_falling
from platebench.printing.fit_response import fit_response
from platebench.printing.process import ChartPrint
from platebench.printing.step_chart import COLUMNS, ROWS, plain_chart
from platebench.synthetic.printing_process import PrintingProcess

FINE = np.linspace(0, 1, 2001)


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 10_000), st.floats(0.001, 0.3))
def test_never_rises(seed: int, noise: float) -> None:
    rng = np.random.default_rng(seed)
    x = np.sort(rng.uniform(0, 1, 80))
    y = 1.4 * (1 - x) ** rng.uniform(0.3, 3) + rng.normal(0, noise, 80)
    fit = fit_falling(x, y, np.ones(80))
    assert (np.diff(fit(FINE)) <= 1e-9).all()


def test_nearer_the_truth_than_the_readings_and_than_isotonic_regression() -> None:
    # Isotonic regression is the monotone fit that uses nothing else; scipy's serves as reference.
    x = np.linspace(0, 1, 101)
    truth = PrintingProcess().print_density(x)
    smooth, isotonic = [], []
    for seed in range(12):
        y = truth + np.random.default_rng(seed).normal(0, 0.015, 101)
        smooth.append(np.sqrt(np.mean((fit_falling(x, y, np.ones(101))(x) - truth) ** 2)))
        steps = isotonic_regression(y, increasing=False).x
        isotonic.append(np.sqrt(np.mean((steps - truth) ** 2)))
    assert np.mean(smooth) < 0.65 * np.mean(isotonic) and np.mean(smooth) < 0.007


def test_extra_columns_are_found() -> None:
    rng = np.random.default_rng(2)
    x, tilt = rng.uniform(0, 1, 200), rng.uniform(-1, 1, (200, 2))
    y = 1.2 * (1 - x**2) + tilt @ (0.05, -0.03) + rng.normal(0, 0.005, 200)
    assert fit_falling(x, y, np.ones(200), tilt).extra == pytest.approx((0.05, -0.03), abs=0.002)


def as_print(density: np.ndarray, ink: np.ndarray, error: float = 0.005) -> ChartPrint:
    return ChartPrint(
        scan="", chart="", ink=tuple(ink), density=tuple(density), error=(error,) * len(ink)
    )


def test_two_prints_give_the_mean_print() -> None:
    ink = np.array(plain_chart(101).inks)
    process, rng = PrintingProcess(), np.random.default_rng(4)
    deep = 1.03 * process.print_density(ink, exposure=0.03) + rng.normal(0, 0.004, 101)
    pale = 0.97 * process.print_density(ink, exposure=-0.03) + rng.normal(0, 0.004, 101)
    fit = fit_response([as_print(deep, ink), as_print(pale, ink)])
    mean = (deep + pale) / 2
    assert np.abs(fit.response.density_of(ink) - mean).max() < 0.015
    assert fit.residual < 0.006  # the drift is no residual
    assert fit.depth_drift[0] == pytest.approx(0.03 * 1.4, abs=0.012)
    assert sum(fit.depth_drift) == pytest.approx(0, abs=1e-9)
    assert fit.tone_drift[0] > 0 > fit.tone_drift[1]


def test_fields_over_the_sheet_come_off() -> None:
    chart, process = plain_chart(101), PrintingProcess()
    y, x = np.mgrid[-1 : 1 : ROWS * 1j, -1 : 1 : COLUMNS * 1j]
    sensitivity = 0.05 * x - 0.15 * (y * y - np.mean(y * y))
    density = process.print_density(chart.patch_inks, exposure=sensitivity)
    density = density * (1 + 0.02 * y) + 0.01 * x
    density = density + np.random.default_rng(5).normal(0, 0.006, density.shape)
    found = even_out(chart, density)
    truth = process.print_density(chart.inks)
    rough = [density[chart.order == level].mean() for level in range(101)]
    assert np.sqrt(np.mean((found.density - truth) ** 2)) < 0.006
    assert np.sqrt(np.mean((rough - truth) ** 2)) > 0.01  # what the mean alone would leave
    assert found.damaged == ()


def test_a_jump_at_full_ink_is_no_damage() -> None:
    chart = plain_chart(101)
    density = 1.2 * (1 - chart.patch_inks**1.5) + 0.15 * (chart.patch_inks < 1)
    density = density + np.random.default_rng(6).normal(0, 0.006, density.shape)
    found = even_out(chart, density)
    assert found.damaged == ()
    assert found.density[-1] == pytest.approx(0.0, abs=0.01)
