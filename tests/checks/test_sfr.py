"""The slanted-edge SFR against edges whose response is known in closed form."""

import numpy as np
import pytest
from scipy.special import erf

from platebench.measure.checks.sfr import NoEdgeError, slanted_edge_sfr

# A Gaussian blur of standard deviation s has SFR exp(-2 pi^2 s^2 f^2), by its Fourier transform:
# 0.5 at f = sqrt(ln 2 / 2) / (pi s) = 0.18739 / s, 0.1 at sqrt(ln 10 / 2) / (pi s) = 0.34154 / s.
SFR50, SFR10 = 0.18739, 0.34154


def distance_from_edge(shape, angle_deg, sag=0.0):
    """Return the distance of each pixel from a line through the middle, px."""
    rows, cols = np.indices(shape, float)
    rows -= (shape[0] - 1) / 2
    cols -= (shape[1] - 1) / 2 + 0.3 + sag * (2 * rows / shape[0]) ** 2
    angle = np.deg2rad(angle_deg)
    return cols * np.cos(angle) - rows * np.sin(angle)


def gaussian_edge(shape=(120, 90), angle_deg=5.0, sigma=0.6, contrast=4.0, sag=0.0):
    """Sampled at points, no pixel aperture. Contrast 4:1 as ISO 12233:2014 asks (from memory)."""
    step = 0.5 + 0.5 * erf(distance_from_edge(shape, angle_deg, sag) / (sigma * np.sqrt(2)))
    return 0.2 + 0.2 * (contrast - 1) * step


def box_edge(shape=(120, 90), angle_deg=5.0):
    """A hard edge seen through square pixels, by 40 x 40 points in each."""
    fine = distance_from_edge((shape[0] * 40, shape[1] * 40), angle_deg) > 0
    return 0.2 + 0.6 * fine.reshape(shape[0], 40, shape[1], 40).mean(axis=(1, 3))


@pytest.mark.parametrize("sigma", [0.5, 0.7, 1.0, 2.0])
@pytest.mark.parametrize("angle_deg", [-5.0, 2.0, 5.0, 7.0])
def test_gaussian_blur(sigma, angle_deg):
    sfr = slanted_edge_sfr(gaussian_edge(angle_deg=angle_deg, sigma=sigma))
    assert sfr.sfr50 == pytest.approx(SFR50 / sigma, rel=0.02)
    assert sfr.sfr10 == pytest.approx(SFR10 / sigma, rel=0.02)
    assert sfr.angle_deg == pytest.approx(angle_deg, abs=0.02)
    assert sfr.contrast == pytest.approx(4.0, rel=0.01)


def test_sharp_gaussian_blur_beyond_half_the_sampling_frequency():
    sfr = slanted_edge_sfr(gaussian_edge(sigma=0.35))
    assert sfr.sfr50 == pytest.approx(SFR50 / 0.35, rel=0.02)  # 0.535 cycles/px


def test_whole_curve_of_a_gaussian_blur():
    sfr = slanted_edge_sfr(gaussian_edge(sigma=0.6))
    expected = np.exp(-2 * np.pi**2 * 0.36 * sfr.freq**2)
    np.testing.assert_allclose(sfr.response, expected, atol=0.012)


@pytest.mark.big
def test_square_pixels():
    sfr = slanted_edge_sfr(box_edge())
    # A square pixel seen at 5 degrees: |sinc(f cos a) sinc(f sin a)|; along the axis it is
    # |sin(pi f) / (pi f)|, 0.9003 at 0.25 and 0.6366 at 0.5 cycles/px (check-values of ISO 12233).
    angle = np.deg2rad(5)
    expected = np.abs(np.sinc(sfr.freq * np.cos(angle)) * np.sinc(sfr.freq * np.sin(angle)))
    to_half = sfr.freq <= 0.5
    np.testing.assert_allclose(sfr.response[to_half], expected[to_half], atol=0.012)
    assert sfr.at(0.25) == pytest.approx(0.9003, abs=0.012)
    assert sfr.at(0.5) == pytest.approx(0.6366, abs=0.012)


@pytest.mark.parametrize("turn", ["flipped", "transposed", "both"])
def test_orientation_and_polarity_do_not_matter(turn):
    edge = gaussian_edge(shape=(110, 80))
    turned = {"flipped": edge[:, ::-1], "transposed": edge.T, "both": edge.T[::-1]}[turn]
    assert slanted_edge_sfr(turned).sfr50 == pytest.approx(SFR50 / 0.6, rel=0.02)


def test_gain_and_offset_do_not_matter():
    edge = gaussian_edge()
    one, other = slanted_edge_sfr(edge), slanted_edge_sfr(1000 * edge + 37)
    np.testing.assert_allclose(one.response, other.response, atol=1e-9)


def test_blurs_multiply():
    """The response of two blurs in a row is the product of their responses (convolution)."""
    a, b = slanted_edge_sfr(gaussian_edge(sigma=0.6)), slanted_edge_sfr(gaussian_edge(sigma=0.8))
    both = slanted_edge_sfr(gaussian_edge(sigma=1.0))  # 0.6^2 + 0.8^2 = 1
    np.testing.assert_allclose(a.response * b.response, both.response, atol=0.015)


def test_width_is_height_over_slope():
    # Steepest slope of a Gaussian edge: height / (sigma sqrt(2 pi)).
    sfr = slanted_edge_sfr(gaussian_edge(sigma=1.5))
    assert sfr.width_px == pytest.approx(1.5 * np.sqrt(2 * np.pi), rel=0.03)


def test_noise_leaves_the_mean_where_it_is():
    rng = np.random.default_rng(5)
    edge = gaussian_edge(shape=(200, 90))
    found = [slanted_edge_sfr(edge + rng.normal(0, 0.6 / 40, edge.shape)).sfr50 for _ in range(12)]
    assert np.mean(found) == pytest.approx(SFR50 / 0.6, rel=0.02)
    assert np.std(found) < 0.04 * SFR50 / 0.6


def test_chips_and_dust_are_left_out():
    edge = gaussian_edge(shape=(160, 90))
    damaged = edge.copy()
    damaged[30:42] = np.roll(edge[30:42], 7, axis=1)  # a chip: the edge stands 7 px off
    damaged[100:108, 50:58] = 0.05  # dust on the light side
    sfr = slanted_edge_sfr(damaged)
    assert sfr.sfr50 == pytest.approx(SFR50 / 0.6, rel=0.02)
    assert 0.8 < sfr.rows_used < 0.95  # 20 of 160 rows are damaged


def test_curved_edge_needs_a_polynomial():
    bent = gaussian_edge(shape=(160, 90), sag=1.5)
    assert slanted_edge_sfr(bent, order=2).sfr50 == pytest.approx(SFR50 / 0.6, rel=0.02)
    assert slanted_edge_sfr(bent, order=1).sfr50 < 0.95 * SFR50 / 0.6


@pytest.mark.parametrize(
    ("region", "says"),
    [
        (np.full((60, 50), 0.4), "no edge"),
        (np.random.default_rng(2).normal(0.4, 0.1, (60, 50)), "edge"),
        (gaussian_edge(shape=(60, 50), angle_deg=0.0), "turn the subject"),
        (gaussian_edge(shape=(60, 12)), "at least 16"),
        (np.full((60, 50), np.nan), "not numbers"),
    ],
)
def test_refuses_what_it_cannot_measure(region, says):
    with pytest.raises(NoEdgeError, match=says):
        slanted_edge_sfr(region)


def test_stated_errors_cover_noise_and_a_ragged_edge():
    """Of 60 edges of known blur, at least 93 % within two errors (53 of 60 is 1 in 100 at 95 %)."""
    rng = np.random.default_rng(2044)
    off = []
    for _ in range(60):
        sigma, angle_deg = rng.uniform(0.6, 1.8), rng.uniform(3, 8)
        rows = int(rng.integers(90, 200))
        ragged = rng.uniform(0, 0.08) * rng.standard_normal((rows, 1))
        distance = distance_from_edge((rows, 90), angle_deg) + ragged
        light = 0.2 + 0.7 * (0.5 + 0.5 * erf(distance / (sigma * np.sqrt(2))))
        light += rng.uniform(0.002, 0.02) * rng.standard_normal(light.shape)
        sfr = slanted_edge_sfr(light)
        off.append(abs(sfr.sfr50 - SFR50 / sigma) / sfr.sfr50_sigma)
        assert sfr.sfr50_sigma < 0.2 * sfr.sfr50
    assert np.mean(np.array(off) < 2) >= 0.93
