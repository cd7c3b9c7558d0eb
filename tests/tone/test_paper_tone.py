"""Paper curves and the four quadrants, against published values and formulas."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from platebench.tone.paper import PaperCurve, exposure_range, paper_of_range, range_points

# The reference paper: D = 0.05 + 2.05 / (1 + 10 ** (-1.9 (x - 1))), a logistic curve.
# In natural logarithms its slope constant is 1.9 ln 10, so toe = shoulder = 1 / (1.9 ln 10).
BEND = 1 / (1.9 * np.log(10))
REFERENCE = PaperCurve(white=0.05, black=2.10, toe=BEND, shoulder=BEND, straight=0, middle=1.0)


def logistic(x):
    return 0.05 + 2.05 / (1 + 10 ** (-1.9 * (x - 1)))


@st.composite
def papers(draw):
    white = draw(st.floats(0, 0.3))
    return PaperCurve(
        white=white,
        black=white + draw(st.floats(0.8, 2.5)),
        toe=draw(st.floats(0.01, 5)),
        shoulder=draw(st.floats(0.01, 5)),
        straight=draw(st.floats(0, 20)),
        middle=draw(st.floats(-3, 3)),
    )


def test_logistic_paper_has_the_density_of_its_formula():
    x = np.linspace(-2, 4, 1201)
    np.testing.assert_allclose(REFERENCE.density(x), logistic(x), atol=1e-5)


def test_reference_paper_has_iso_range_140():
    # ISO 6846: HT at 0.04 above paper white, HS at 90 % of D max. Inverting the formula:
    # HT: 1 - log10(2.05 / 0.04 - 1) / 1.9 = 0.10467; HS (D 1.89): 1.49610; R 139.1 -> 140.
    assert range_points(REFERENCE) == pytest.approx((0.10467, 1.49610), abs=5e-6)
    assert exposure_range(REFERENCE) == pytest.approx(1.391, abs=5e-4)


def test_steepest_gradient_of_a_logistic_paper():
    # For D = Dmin + A / (1 + 10 ** (-k (x - x0))) the steepest slope is A k ln(10) / 4.
    assert REFERENCE.gradient(0.05 + 2.05 / 2) == pytest.approx(2.05 * 1.9 * np.log(10) / 4)


@pytest.mark.parametrize("iso_r", [50, 70, 90, 110, 130, 160])
def test_paper_of_a_grade_has_its_iso_range(iso_r):
    graded = paper_of_range(REFERENCE, iso_r / 100)
    assert exposure_range(graded) == pytest.approx(iso_r / 100)
    # A grade changes contrast only: gradient times range stays.
    assert graded.gradient(1.0) * iso_r == pytest.approx(
        REFERENCE.gradient(1.0) * 100 * exposure_range(REFERENCE)
    )


@given(papers(), st.floats(0.001, 0.999))
def test_density_and_log_exposure_are_each_others_inverse(paper, share):
    density = paper.white + share * (paper.black - paper.white)
    there_and_back = paper.density(np.array([paper.log_exposure(density)]))
    assert there_and_back[0] == pytest.approx(density, abs=1e-5)


@given(papers(), st.floats(0.01, 0.99))
def test_gradient_is_the_slope_of_the_exact_curve(paper, share):
    low, density, high = (
        paper.white + part * (paper.black - paper.white)
        for part in (share - 1e-5, share, share + 1e-5)
    )
    slope = (high - low) / (paper.log_exposure(high) - paper.log_exposure(low))
    assert paper.gradient(density) == pytest.approx(slope, rel=1e-4)


@given(papers())
def test_density_never_falls_and_stays_on_the_paper(paper):
    density = paper.density(np.linspace(-60, 60, 4001))
    assert np.all(np.diff(density) >= 0)
    assert density.min() >= paper.white
    assert density.max() <= paper.black


@pytest.mark.parametrize("density", [0.05, 2.10, -1.0, 5.0])
def test_a_density_the_paper_cannot_give_is_refused(density):
    with pytest.raises(ValueError, match="is not between"):
        REFERENCE.log_exposure(density)


@pytest.mark.parametrize(
    "wrong", [{"black": 0.05}, {"white": -0.1}, {"toe": 0}, {"shoulder": -1}, {"straight": -1}]
)
def test_a_curve_that_is_no_paper_is_refused(wrong):
    good = {"white": 0.05, "black": 2.1, "toe": 1, "shoulder": 1, "straight": 0}
    with pytest.raises(ValueError, match="need"):
        PaperCurve(**good | wrong)


def softplus(z):
    return np.logaddexp(0, z)


def plate_s2(x):
    """Synthetic reference plate S2 of the project's check values (meets ISO 6 exactly)."""
    g, toe, shoulder = 0.6853841953, -0.4122485236, 2.1877514764
    return 0.10 + g * (softplus(5 * (x - toe)) / 5 - softplus(4 * (x - shoulder)) / 4)


def test_chain_rule_gradients_multiply():
    # Jones: at any tone the slope of the whole is gamma of the negative times gamma of the paper.
    # S2 is steepest, 0.68118, at log H 0.7682 where D = 0.9089 (derived from its formula); the
    # logistic paper is steepest, 2.05 * 1.9 * ln(10) / 4 = 2.2421, in its middle.
    step = 1e-3
    negative = plate_s2(0.7682 + np.array([-step, 0, step]))
    assert negative[1] == pytest.approx(0.9089, abs=1e-4)
    reproduction = -REFERENCE.density(1.0 + 0.9089 - negative)
    slope = (reproduction[2] - reproduction[0]) / (2 * step)
    assert slope == pytest.approx(0.68118 * 2.2421, rel=1e-3)


def test_perfect_negative_on_paper_of_gamma_one_gives_the_subject_back():
    # C. E. K. Mees, Studio Light, June 1917: subject 1, 2, 5, 10, 20, 50 and a "perfect"
    # negative of opacity 1, 2, 5, 10, 20, 50. On a straight paper of gamma 1 the print's
    # reflectances stand to each other as the subject's luminances.
    opacity = np.array([1.0, 2, 5, 10, 20, 50])
    straight = PaperCurve(white=0, black=2.5, toe=1e-6, shoulder=1e-6, straight=2.5)
    reproduction = -straight.density(1.0 - np.log10(opacity))
    ratios = 10 ** (reproduction - reproduction[0])
    np.testing.assert_allclose(ratios, [1, 2, 5, 10, 20, 50], rtol=1e-4)
