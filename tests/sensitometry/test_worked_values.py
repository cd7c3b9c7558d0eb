"""Worked values from books and papers; the source stands beside each."""

from __future__ import annotations

import pytest

from platebench.sensitometry import figures_of, pair_readings, relations
from platebench.sensitometry.curve_model import curve_through_steps

# M. J. Martin, Wireless Transmission of Photographs, 2nd ed. (1919): H&D, Watkins P.N., Wynne F.N.
# Left out: Wynne for 20 (printed 28 = 6.4 sqrt 20: the H&D speed stands under the root) and for
# 160 (printed 103, the formula gives 98), both errors of the source.
SPEED_TABLE = [
    (10, 15, 24),
    (20, 30, None),
    (40, 60, 49),
    (80, 120, 69),
    (100, 147, 77),
    (120, 176, 84),
    (140, 206, 91),
    (160, 235, None),
    (200, 294, 109),
    (220, 323, 114),
    (240, 352, 120),
    (260, 382, 124),
    (280, 412, 129),
    (300, 441, 134),
    (320, 470, 138),
    (340, 500, 142),
    (380, 558, 150),
    (400, 588, 154),
]


@pytest.mark.parametrize(("hd", "watkins", "wynne"), SPEED_TABLE)
def test_printed_table_of_speeds(hd: int, watkins: int, wynne: int | None) -> None:
    inertia = 34 / hd  # Hurter and Driffield's own relation, in the same book
    assert relations.hurter_driffield_speed(inertia) == pytest.approx(hd)
    assert relations.watkins_speed(inertia) == pytest.approx(watkins, abs=2.5)
    if wynne is not None:
        found = relations.wynne_speed(relations.watkins_speed(inertia))
        assert found == pytest.approx(wynne, abs=1.5)


def test_inertia_0_2_worked_in_the_same_book() -> None:
    assert relations.hurter_driffield_speed(0.2) == pytest.approx(170)
    assert relations.watkins_speed(0.2) == pytest.approx(250)
    assert relations.wynne_speed(250) == pytest.approx(101, abs=0.5)


# ISO 6: S = 0.8 / Hm, degrees 10 log S + 1; worked from the formulas.
@pytest.mark.parametrize(
    ("hm", "speed", "degrees"),
    [(0.008, 100, 21), (0.0064, 125, 22), (0.032, 25, 15), (0.4, 2, 4), (0.8, 1, 1)],
)
def test_iso_6_speeds(hm: float, speed: int, degrees: int) -> None:
    found = relations.arithmetic_speed(hm)
    assert found == pytest.approx(speed)
    assert relations.standard_speed(found) == speed
    assert relations.degrees_from_arithmetic(found) == degrees
    assert relations.arithmetic_from_degrees(degrees) == speed


def test_standard_series() -> None:
    # The series of ISO 6 (from memory): thirds of a stop.
    series = [1, 1.25, 1.6, 2, 2.5, 3, 4, 5, 6, 8, 10, 12, 16, 20, 25, 32, 40, 50, 64, 80, 100]
    assert [relations.arithmetic_from_degrees(n) for n in range(1, 22)] == series
    for degrees in range(-8, 40):  # any speed goes to the nearest, in thirds of a stop
        value = 10 ** ((degrees - 1) / 10)
        for factor in (0.9, 1.0, 1.1):
            nearest = relations.standard_speed(value * factor)
            assert nearest == relations.arithmetic_from_degrees(degrees)
            assert nearest == pytest.approx(value, rel=0.07)


def test_gamma_by_counting_squares() -> None:
    # US Army SS0513: 50 divisions across and 40 up: 40 x 2 / 100 = 0.80.
    readings = pair_readings("SS0513", [0.0, 0.5], [0.3, 0.3 + 0.4])
    assert figures_of(readings).gamma.value == pytest.approx(0.80)


def test_density_looked_up_on_a_radiographic_curve() -> None:
    # D 2.0 at log rel. E 2.2; doubled exposure (+0.30) gives D 3.5 at 2.5 (Waygate Technologies).
    drawn = curve_through_steps(pair_readings("film", [1.8, 2.2, 2.5, 2.7], [1.0, 2.0, 3.5, 4.4]))
    start = drawn.log_h_at(2.0)
    assert start == pytest.approx(2.2)
    assert drawn.density_at(2.2 + 0.30) == pytest.approx(3.5)
    assert pytest.approx(5.0) == (3.5 - 2.0) / (2.5 - 2.2)
    figures = figures_of(pair_readings("film", [2.2, 2.5], [2.0, 3.5]))
    assert figures.gamma.value == pytest.approx(5.0)  # the gradient given there


def test_exposure_for_another_density() -> None:
    # D 1.5 at log E 1.2 and 2.3 at 1.8; 10 mA min become 10 x 10^0.6 = 39.8 (web2.0calc.com).
    drawn = curve_through_steps(pair_readings("film", [0.9, 1.2, 1.8, 2.0], [1.0, 1.5, 2.3, 2.5]))
    start, end = drawn.log_h_at(1.5), drawn.log_h_at(2.3)
    assert start is not None and end is not None
    assert 10 * 10 ** (end - start) == pytest.approx(39.8, abs=0.05)


@pytest.mark.parametrize("gamma", [1.6, 2.0, 3.0])
def test_papers_of_aerial_printing_practice(gamma: float) -> None:
    # Gammas 1.6, 2.0 and 3.0 for soft, medium and contrasty paper (goobi.tib.eu 1048624420, 142),
    # as straight lines: every contrast figure of a straight line is its slope.
    log_h = [0.0, 0.15, 0.30, 0.45, 0.60, 0.75, 0.90]
    figures = figures_of(pair_readings("paper", log_h, [0.05 + gamma * x for x in log_h]))
    assert figures.gamma.value == pytest.approx(gamma)
    assert figures.gamma_by_steps.value == pytest.approx(gamma)
