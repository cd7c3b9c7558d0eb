"""Every number of the reference plate S2, from its curve and from its 21 steps."""

from __future__ import annotations

import numpy as np
import pytest

from platebench.sensitometry import CurveFigures, figures_of, pair_readings, speeds_of

from .reference_plate import DENSITIES, LOG_H, dense_log_h, density


@pytest.fixture(scope="module")
def whole() -> CurveFigures:
    return figures_of(pair_readings("S2", dense_log_h(), density(dense_log_h()), absolute=True))


@pytest.fixture(scope="module")
def steps() -> CurveFigures:
    return figures_of(pair_readings("S2", LOG_H, DENSITIES, absolute=True))


def test_the_printed_densities_are_the_formula() -> None:
    assert density(LOG_H) == pytest.approx(DENSITIES, abs=5.01e-5)


# Figure, printed value, half a unit of its last digit.
PRINTED = [
    ("base_fog", 0.10, 5e-5),
    ("speed_point", -0.39794, 5e-6),
    ("contrast_rise", 0.8000, 5e-5),
    ("average_gradient_130", 0.80 / 1.30, 5e-5),  # 0.615, ISO 6's mean gradient
    ("average_gradient_150", 0.62383, 5e-6),
    ("gamma", 0.68118, 5e-6),
    ("tangent_log_h", 0.7682, 6e-5),  # the steepest place is flat: 0.76825 prints either way
    ("inertia_fog", -0.41922, 5e-6),
    ("inertia_zero", -0.56603, 5e-6),
    ("contrast_index", 0.63268, 5e-6),
    ("limit_density", 1.8820, 5e-5),
]


@pytest.mark.parametrize(("name", "value", "within"), PRINTED, ids=[row[0] for row in PRINTED])
def test_figures_of_the_whole_curve(
    whole: CurveFigures, name: str, value: float, within: float
) -> None:
    assert getattr(whole, name).value == pytest.approx(value, abs=within)


def test_the_line_touches_where_it_is_printed(whole: CurveFigures) -> None:
    assert whole.reading.line.density == pytest.approx(0.9089, abs=5e-5)


def test_arcs_of_the_contrast_index_meet_the_curve_where_printed(whole: CurveFigures) -> None:
    slope = whole.contrast_index.value  # type: ignore[union-attr]
    sine = slope / np.hypot(1, slope)
    for radius, log_h, d in ((0.20, -0.37885, 0.20693), (2.20, 1.31129, 1.27624)):
        assert 0.10 + radius * sine == pytest.approx(d, abs=5e-6)
        assert whole.reading.drawn.log_h_at(0.10 + radius * sine) == pytest.approx(log_h, abs=1e-5)


def test_speeds_of_the_whole_curve(whole: CurveFigures) -> None:
    speeds = speeds_of(whole)
    assert speeds.point is not None and speeds.to_fog is not None and speeds.to_zero is not None
    assert speeds.point.kind == "arithmetic speed"
    assert speeds.point.value.value == pytest.approx(2.00, abs=0.005)
    assert (speeds.point.standard, speeds.point.degrees) == (2.0, 4)
    assert speeds.point.contrast_met is True
    assert 10**whole.speed_point.value == pytest.approx(0.4, abs=5e-5)  # type: ignore[union-attr]
    assert speeds.to_fog.inertia_lxs.value == pytest.approx(0.38087, abs=5e-6)
    assert speeds.to_fog.hurter_driffield.value == pytest.approx(89.27, abs=0.005)
    assert speeds.to_zero.inertia_lxs.value == pytest.approx(0.27163, abs=5e-6)
    assert speeds.to_zero.hurter_driffield.value == pytest.approx(125.2, abs=0.05)


def test_the_21_steps_give_gamma_to_1_percent_and_speeds_to_2(steps: CurveFigures) -> None:
    speeds = speeds_of(steps)
    assert speeds.point is not None and speeds.to_fog is not None and speeds.to_zero is not None
    assert steps.gamma.value == pytest.approx(0.68118, rel=0.01)
    assert steps.gamma_by_steps.value == pytest.approx(0.68118, rel=0.01)
    assert steps.gamma_by_model is not None
    assert speeds.point.value.value == pytest.approx(2.0, rel=0.02)
    assert speeds.point.standard == 2.0
    assert speeds.to_fog.hurter_driffield.value == pytest.approx(89.27, rel=0.02)
    assert speeds.to_zero.hurter_driffield.value == pytest.approx(125.2, rel=0.02)
    for name, value in (
        ("average_gradient_130", 0.61538),
        ("average_gradient_150", 0.62383),
        ("contrast_index", 0.63268),
    ):
        assert getattr(steps, name).value == pytest.approx(value, rel=0.005)
    assert steps.limit_density is not None
    assert steps.limit_density.value == pytest.approx(1.8820, abs=0.005)
    assert steps.d_max.value == 1.8305


def test_base_plus_fog_read_on_the_plate_is_taken_as_read() -> None:
    figures = figures_of(pair_readings("S2", LOG_H, DENSITIES, absolute=True, base_fog=0.10))
    assert figures.base_fog.value == 0.10
    assert figures.basis.fog_source == "read on the plate"
    assert figures.speed_point is not None
    assert figures.speed_point.value == pytest.approx(-0.39794, abs=0.002)


def test_points_are_read_through_the_steps_not_smoothed(steps: CurveFigures) -> None:
    drawn = steps.reading.drawn
    assert not steps.basis.read_from_model
    assert np.asarray(drawn.rule(LOG_H)) == pytest.approx(DENSITIES, abs=1e-12)
    between = np.linspace(LOG_H.min(), LOG_H.max(), 301)
    assert np.asarray(drawn.rule(between)) == pytest.approx(density(between), abs=0.002)


def test_straight_part_toe_and_useful_range_by_their_definitions(whole: CurveFigures) -> None:
    # Definitions of docs/characteristic-curve.md, evaluated on the formula itself.
    def off_line(x: float) -> float:
        return float(density(x)) - (0.9089 + 0.68118 * (x - 0.7682))

    def gradient(x: float) -> float:
        return float(density(x + 0.15) - density(x - 0.15)) / 0.30

    assert whole.straight_start and whole.straight_end and whole.useful_end
    assert off_line(whole.straight_start.value) == pytest.approx(0.02, abs=0.0012)
    assert off_line(whole.straight_end.value) == pytest.approx(-0.02, abs=0.0012)
    assert gradient(whole.useful_end.value) == pytest.approx(0.68118 / 2, abs=0.004)
    assert whole.toe_length and whole.useful_length and whole.speed_point
    assert whole.toe_length.value == pytest.approx(
        whole.straight_start.value - whole.speed_point.value
    )
