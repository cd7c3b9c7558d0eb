"""Positives from densities."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from platebench.core.installed import profiles_folder
from platebench.tone.paper import PaperCurve, range_points
from platebench.tone.profile import ToneProfile, display_table, fitted_print
from platebench.tone.profile_file import load_tone

FOLDER = profiles_folder() / "tone"
FITTED = ["neutral", "softer", "harder"]
ALL = [*FITTED, "contact-paper"]
LOGISTIC = PaperCurve(white=0.05, black=2.10, toe=1.0, shoulder=1.0, straight=0.0)


def profile(name):
    return load_tone(name, [FOLDER])


def display_from_density(density, tone, **printing):
    """Return the positive of densities, 0 to 1, through the table of transmittances."""
    through = 10.0 ** -np.asarray(density, np.float64)
    return (display_table(through.ravel(), tone, **printing) / 65535).reshape(through.shape)


def codes(densities, tone, **printing):
    """Return 8-bit equivalent codes, to 1/257."""
    return 255 * display_from_density(np.array(densities, np.float32), tone, **printing)


plates = st.tuples(st.floats(0.0, 0.6), st.floats(0.4, 3.0)).map(lambda p: (p[0], p[0] + p[1]))


@pytest.mark.parametrize("name", FITTED)
@given(plate=plates)
def test_ends_reach_the_production_aims(name, plate):
    # FADGI 2016, photographic negatives: highlight and shadow aims 245 and 10, four star +-2.
    base_fog, d_max = plate
    thin, dense = codes(plate, profile(name), base_fog=base_fog, d_max=d_max)
    assert thin == pytest.approx(10, abs=0.1)
    assert dense == pytest.approx(245, abs=0.1)


@pytest.mark.parametrize("name", ALL)
@given(plate=plates, stops=st.floats(-3, 3))
def test_positive_never_falls_with_density(name, plate, stops):
    base_fog, d_max = plate
    density = np.linspace(base_fog - 1, d_max + 2, 3001)
    values = codes(density, profile(name), base_fog=base_fog, d_max=d_max, print_stops=stops)
    assert np.all(np.diff(values) >= 0)
    assert values.min() >= 0
    assert values.max() <= 255


@pytest.mark.parametrize("name", FITTED)
def test_no_tone_is_clipped_between_the_ends(name):
    # FADGI 2016: 8-bit equivalent values not below 5 nor above 250; and every step differs.
    density = np.linspace(0.2, 1.7, 500)
    values = codes(density, profile(name), base_fog=0.2, d_max=1.7)
    assert values.min() > 5
    assert values.max() < 250
    assert np.all(np.diff(values) > 0)


@pytest.mark.parametrize("name", FITTED)
def test_tones_beyond_the_ends_roll_off(name):
    tone = profile(name)
    beyond = codes(np.linspace(1.7, 2.0, 30), tone, base_fog=0.2, d_max=1.7)
    steps = np.diff(beyond)
    assert np.all(steps > 0)
    assert np.all(np.diff(steps) < 1.1 / 257)  # ever smaller towards white, to one of 65536 codes
    assert beyond[-1] < 255
    under = codes(np.linspace(-0.1, 0.2, 30), tone, base_fog=0.2, d_max=1.7)
    assert np.all(np.diff(under) > 0)
    assert under[0] > 0


def lightness(code):
    """CIE 1976 L* of an 8-bit equivalent code in gray gamma 2.2."""
    y = (np.asarray(code) / 255) ** 2.2
    return np.where(y > 216 / 24389, 116 * np.cbrt(y) - 16, 24389 / 27 * y)


@pytest.mark.parametrize("log_range", [0.3, 0.5, 1.2, 2.0, 2.8])
def test_profiles_are_grades_about_one_middle_tone(log_range):
    quarters = 0.2 + log_range * np.array([0.25, 0.5, 0.75])
    ends = {"base_fog": 0.2, "d_max": 0.2 + log_range}
    softer, neutral, harder = (
        lightness(codes(quarters, profile(name), **ends))
        for name in ("softer", "neutral", "harder")
    )
    assert softer[1] == pytest.approx(neutral[1], abs=0.5)
    assert harder[1] == pytest.approx(neutral[1], abs=0.5)
    # ANSI PH2.2-1966 grades: neighbours' log ranges stand as 1.05 : 0.88, 1.19 to 1.
    spreads = [tones[2] - tones[0] for tones in (softer, neutral, harder)]
    assert spreads[1] / spreads[0] == pytest.approx(1.19, abs=0.06)
    assert spreads[2] / spreads[1] == pytest.approx(1.19, abs=0.05)
    # Equal steps that show: an eye tells 1 L* apart, side by side (common practice, no source).
    steps = [
        softer[0] - neutral[0],
        neutral[0] - harder[0],
        neutral[2] - softer[2],
        harder[2] - neutral[2],
    ]
    assert steps == pytest.approx([5.0] * 4, abs=1.0)


@pytest.mark.parametrize("name", ALL)
def test_one_stop_of_printing_shifts_density_by_log_2(name):
    # Twice the exposure is log10(2) = 0.30103, so it prints like a plate that much thinner.
    density = np.linspace(0.1, 1.9, 37)
    longer = codes(density, profile(name), base_fog=0.2, d_max=1.6, print_stops=1)
    thinner = codes(density - 0.30103, profile(name), base_fog=0.2, d_max=1.6)
    np.testing.assert_allclose(longer, thinner, atol=0.01)
    assert np.all(longer < codes(density, profile(name), base_fog=0.2, d_max=1.6))


@pytest.mark.parametrize(
    ("tone", "iso_r"),
    [
        (ToneProfile(name="fitted", paper=LOGISTIC, shown="paper"), 125.0),
        (ToneProfile(name="unfitted", paper=LOGISTIC, shown="paper", grade=110), 110.0),
        (profile("contact-paper"), 139.1),
    ],
)
def test_contact_print_follows_the_paper_formula(tone, iso_r):
    """The whole way again by hand: print log E = k - D, logistic paper, reflectance, code."""
    density = np.linspace(-0.2, 2.5, 55)
    base_fog, d_max = 0.15, 1.40  # a range of 1.25: ISO R 125
    # Slope constant of the logistic paper (base 10) for a range between its ISO 6846 points.
    tint, black = np.log10(2.05 / 0.04 - 1), np.log10(2.05 / 1.84 - 1)
    k = (tint - black) / (iso_r / 100)
    # Both ISO points centred on the plate's range; log E = 0 in the paper's middle.
    exposure = (base_fog + d_max) / 2 - (tint + black) / (2 * k) - density
    printed = 0.05 + 2.05 / (1 + 10 ** (-k * exposure))
    expected = 255 * 10 ** (-printed / 2.2)
    got = codes(density, tone, base_fog=base_fog, d_max=d_max)
    np.testing.assert_allclose(got, expected, atol=0.02)


def test_opacity_ratio_30_fits_a_paper_of_range_30():
    # Clerc, section 502: a paper that takes its first tint in 1 min and full black in 30 min fits
    # a negative of opacity ratio 30, a density range of 1.477.
    for exposed_for in ("shadows", "middle", "highlights"):
        tone = ToneProfile(
            name="t", paper=LOGISTIC, grade=147.7, shown="paper", exposed_for=exposed_for
        )
        paper, k = fitted_print(tone, base_fog=0.2, d_max=0.2 + 1.477)
        tint, black = range_points(paper)
        assert k - 0.2 == pytest.approx(black, abs=5e-4)
        assert k - 1.677 == pytest.approx(tint, abs=5e-4)


def test_opacity_ratio_20_cannot_give_black_and_white_on_it():
    # Clerc, section 502, goes on: a negative of ratio 20 (1.301) gives one or the other.
    def printed(exposed_for):
        tone = ToneProfile(
            name="t", paper=LOGISTIC, grade=147.7, shown="paper", exposed_for=exposed_for
        )
        paper, k = fitted_print(tone, base_fog=0.2, d_max=1.501)
        return paper.density(k - np.array([0.2, 1.501]))

    black, white = printed("shadows")
    assert black == pytest.approx(0.9 * 2.10, abs=1e-4)
    assert white > 0.09 + 0.01
    black, white = printed("highlights")
    assert white == pytest.approx(0.05 + 0.04, abs=1e-4)
    assert black < 0.9 * 2.10 - 0.05


@pytest.mark.parametrize("name", ALL)
def test_table_agrees_with_the_picture(name):
    u = np.arange(1, 65536) / 50000  # the coding of convert: u = sqrt(T)
    printing = {"base_fog": 0.2, "d_max": 1.8, "print_stops": 0.3}
    table = display_table(u**2, profile(name), **printing)
    assert table.dtype == np.uint16
    picture = display_from_density((-2 * np.log10(u)).astype(np.float32), profile(name), **printing)
    np.testing.assert_allclose(table / 65535, picture, atol=1.1 / 65535)
    assert np.all(np.diff(table.astype(int)) <= 0)  # more light through, darker print


def test_no_light_counts_as_very_dense():
    none = np.array([0.0, -0.5, np.nan, -np.inf, 1e-30])
    assert set(display_table(none, profile("neutral"), base_fog=0.2, d_max=1.8)) == {65535}
    assert display_table(np.array([np.inf]), profile("neutral"), base_fog=0.2, d_max=1.8) == [0]


@pytest.mark.parametrize("name", ALL)
def test_code_gives_the_density_back(name):
    # Round trip density -> code -> density within 0.005 D, by the exact inverse of the paper.
    tone = profile(name)
    density = np.linspace(0.2, 1.6, 29)
    values = display_from_density(density.astype(np.float32), tone, base_fog=0.2, d_max=1.6)
    paper, k = fitted_print(tone, base_fog=0.2, d_max=1.6)
    reflectance = np.rint(values * 65535.0) / 65535
    reflectance = reflectance**2.2
    if tone.shown == "full":
        white, black = 10**-paper.white, 10**-paper.black
        reflectance = black + reflectance * (white - black)
    back = [k - paper.log_exposure(-np.log10(r)) for r in reflectance]
    np.testing.assert_allclose(back, density, atol=0.005)


def test_a_plate_with_next_to_no_range_prints_flat_and_dark():
    thin, dense = codes([0.2, 0.25], profile("neutral"), base_fog=0.2, d_max=0.25)
    assert thin == pytest.approx(10, abs=0.1)
    assert dense < 60
    blank = codes([0.2], profile("neutral"), base_fog=0.2, d_max=0.2)
    assert blank[0] == pytest.approx(10, abs=0.1)


@pytest.mark.parametrize("ends", [(1.0, 0.5), (np.nan, 1.0), (0.1, np.inf)])
def test_ends_that_make_no_sense_are_refused(ends):
    with pytest.raises(ValueError, match="base_fog <= d_max"):
        codes([0.5], profile("neutral"), base_fog=ends[0], d_max=ends[1])


@pytest.mark.parametrize("contrast", [0.5, 0.8, 1.25, 2.0])
def test_contrast_turns_the_curve_about_the_middle_of_the_range(contrast):
    """The paper's slope is multiplied, its middle tone kept: by the definition of the setting."""
    profile = load_tone("neutral", [profiles_folder() / "tone"])
    density = np.linspace(0.0, 3.0, 3001)
    middle, step = (0.2 + 1.8) / 2, density[1]

    def reflection(contrast):
        codes = display_table(10.0**-density, profile, base_fog=0.2, d_max=1.8, contrast=contrast)
        return (codes / 65535) ** 2.2

    def slope(light):
        at = round(middle / step)
        return (light[at + 20] - light[at - 20]) / (40 * step)

    plain, turned = reflection(1.0), reflection(contrast)
    at = round(middle / step)
    assert turned[at] == pytest.approx(plain[at], abs=2e-3)
    assert slope(turned) == pytest.approx(contrast * slope(plain), rel=0.03)
    assert (np.diff(turned) >= 0).all()
