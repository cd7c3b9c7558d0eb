"""Geometry and noise of the camera, against derivations and the photon-transfer relation."""

from dataclasses import replace

import numpy as np
import pytest

from platebench.synthetic import CameraModel, LightBox, PlateModel, simulate_blank, simulate_dark
from platebench.synthetic.camera import cfa_pattern, expose, map_points, plate_to_sensor
from platebench.synthetic.simulate import true_corners

SHAPE = (300, 500)


def flat(level: float) -> np.ndarray:
    return np.full(SHAPE, level, np.float32)


@pytest.mark.parametrize("electrons", [4.0, 60.0, 380.0, 420.0, 3000.0, 40000.0])
def test_photon_transfer(electrons: float) -> None:
    # Janesick, Photon Transfer (2007): var = K * signal + (K * read)^2, K counts an electron;
    # rounding to whole counts adds 1/12 (variance of a uniform error one count wide).
    camera = CameraModel(shape=SHAPE, cfa="MONO", read_noise_e=5.0, bits=16)
    frame = expose(flat(electrons / camera.full_well_e), camera, exposure_s=1, seed=11)
    counts = frame.counts.astype(np.float64)
    gain = camera.counts_per_e
    expected = gain**2 * (electrons + 5.0**2) + 1 / 12
    n = counts.size
    assert counts.mean() == pytest.approx(
        camera.black_level + gain * electrons, abs=5 * np.sqrt(expected / n)
    )
    assert counts.var() == pytest.approx(expected, rel=5 * np.sqrt(2 / n) + 0.002)


def test_few_electrons_are_poisson() -> None:
    # The third central moment of a Poisson variable equals its mean.
    camera = CameraModel(
        shape=SHAPE, cfa="MONO", read_noise_e=0, bits=16, full_well_e=63487.0, black=2048.0
    )
    assert camera.counts_per_e == 1.0
    frame = expose(flat(6.0 / camera.full_well_e), camera, exposure_s=1, seed=3)
    off = frame.counts - np.float64(2048) - 6.0
    assert (off**3).mean() == pytest.approx(6.0, rel=0.1)
    assert (frame.counts == 2048).mean() == pytest.approx(np.exp(-6.0), rel=0.15)


def test_without_noise_counts_are_exact() -> None:
    camera = CameraModel(shape=SHAPE, cfa="MONO", read_noise_e=0, shot_noise=False, bits=12)
    counts = expose(flat(0.5), camera, exposure_s=1, seed=1).counts
    # 12 bits: black 4096/32 = 128, white 4095, so half the well is 128 + 3967/2 = 2111.5 -> even.
    assert set(np.unique(counts)) <= {2111, 2112}


@pytest.mark.parametrize(
    ("bits", "black", "white"), [(12, 128, 4095), (14, 512, 16383), (16, 2048, 65535)]
)
def test_black_and_white_levels(bits: int, black: int, white: int) -> None:
    camera = CameraModel(shape=SHAPE, bits=bits, read_noise_e=4.0)
    dark = simulate_dark(camera, exposure_s=1, seed=5)
    assert dark.counts.mean() == pytest.approx(black, abs=0.2)
    assert dark.white == white
    assert dark.black.shape == (2, 2)
    assert (dark.black == black).all()
    burnt = expose(flat(9.0), camera, exposure_s=1, seed=5)
    assert (burnt.counts == white).all()


def test_fixed_pattern_stays_and_read_noise_does_not() -> None:
    camera = CameraModel(shape=SHAPE, cfa="MONO", fixed_pattern_e=20.0, read_noise_e=2.0, bits=16)
    first = simulate_dark(camera, exposure_s=1, seed=1).counts.astype(float)
    second = simulate_dark(camera, exposure_s=1, seed=2).counts.astype(float)
    other = simulate_dark(replace(camera, pattern_seed=9), exposure_s=1, seed=1).counts.astype(
        float
    )
    # Shared variance 20^2, own variance 2^2 each: correlation 400/404.
    assert np.corrcoef(first.ravel(), second.ravel())[0, 1] == pytest.approx(400 / 404, abs=0.003)
    assert abs(np.corrcoef(first.ravel(), other.ravel())[0, 1]) < 0.05


def test_dark_current_grows_with_time() -> None:
    camera = CameraModel(
        shape=SHAPE, cfa="MONO", read_noise_e=0, dark_current_e_s=100.0, shot_noise=False
    )
    short, long = (simulate_dark(camera, exposure_s=t, seed=1).counts.mean() for t in (3, 30))
    assert (long - 512) / (short - 512) == pytest.approx(10, rel=0.02)


@pytest.mark.parametrize("cfa", ["RGGB", "BGGR", "GRBG", "GBRG", "XTRANS"])
def test_colour_gains_follow_the_pattern(cfa: str) -> None:
    gains = (0.5, 1.0, 0.25)
    camera = CameraModel(
        shape=(601, 403), cfa=cfa, colour_gains=gains, shot_noise=False, read_noise_e=0
    )
    box = LightBox(brightness=0.8, uneven=0, vignette=0)
    frame = simulate_blank(box, camera, exposure_s=1, seed=1)
    pattern = cfa_pattern(cfa)
    light = (frame.counts - 512.0) / (16383 - 512)
    for row, col in ((0, 0), (0, 1), (1, 0), (1, 1), (600, 402), (515, 4)):
        colour = pattern[row % pattern.shape[0], col % pattern.shape[1]]
        assert light[row, col] == pytest.approx(0.8 * gains[colour], abs=1e-4)


def test_six_by_six_filter_has_the_published_shares() -> None:
    # 20 green, 8 red, 8 blue in 36, and every row and column holds all three colours:
    # the maker's published description of the 6 x 6 filter (from memory).
    pattern = cfa_pattern("XTRANS")
    assert [int((pattern == c).sum()) for c in range(3)] == [8, 20, 8]
    for line in (*pattern, *pattern.T):
        assert set(line) == {0, 1, 2}


def test_unknown_filter() -> None:
    with pytest.raises(ValueError, match="RGBW"):
        CameraModel(cfa="RGBW")
    with pytest.raises(ValueError, match="bits"):
        CameraModel(bits=10)


def test_tilt_turns_corners_clockwise_about_the_middle() -> None:
    # A turn in the plane is multiplication by e^(i angle), with x right and y down: clockwise.
    camera = CameraModel(shape=(900, 1200), fill=0.5, tilt_deg=3.0, offset=(0.02, -0.05))
    plate = PlateModel(size_mm=(90.0, 100.0))
    scale = 0.5 * 900 / 90
    middle = complex((1200 - 1) / 2 - 0.05 * 1200, (900 - 1) / 2 + 0.02 * 900)
    turn = np.exp(1j * np.deg2rad(3.0))
    for corner, (y, x) in zip(
        true_corners(plate, camera), ((-45, -50), (-45, 50), (45, 50), (45, -50)), strict=True
    ):
        expected = middle + scale * complex(x, y) * turn
        assert corner == pytest.approx([expected.imag, expected.real], abs=1e-9)


def test_perspective_scales_the_far_sides() -> None:
    # The scale at the lower side is 1/(1-p) of the middle's and at the upper 1/(1+p), so the
    # sides' lengths stand as (1-p) : (1+p).
    camera = CameraModel(perspective=(0.02, 0.0))
    top_left, top_right, low_right, low_left = true_corners(PlateModel(), camera)
    upper, lower = np.linalg.norm(top_right - top_left), np.linalg.norm(low_right - low_left)
    assert upper / lower == pytest.approx(0.98 / 1.02, abs=1e-12)
    across = CameraModel(perspective=(0.0, -0.01))
    top_left, top_right, low_right, low_left = true_corners(PlateModel(), across)
    left, right = np.linalg.norm(low_left - top_left), np.linalg.norm(low_right - top_right)
    assert left / right == pytest.approx(1.01 / 0.99, abs=1e-12)


def test_homography_keeps_lines_straight() -> None:
    camera = CameraModel(tilt_deg=-4.0, perspective=(0.03, -0.02))
    there = plate_to_sensor((90.0, 120.0), camera)
    line = np.linspace([-40.0, -55.0], [45.0, 30.0], 7)
    mapped = map_points(there, line)
    along = mapped - mapped[0]
    aside = along[1:, 0] * along[-1, 1] - along[1:, 1] * along[-1, 0]
    assert aside == pytest.approx(0, abs=1e-6)
    assert map_points(np.linalg.inv(there), mapped) == pytest.approx(line)


def test_out_of_square_is_the_angle_at_the_right_corners() -> None:
    camera = CameraModel(tilt_deg=2.0)
    corners = true_corners(PlateModel(out_of_square_deg=0.8), camera)

    def angle(at: int) -> float:
        before, after = corners[at - 1] - corners[at], corners[(at + 1) % 4] - corners[at]
        cosine = before @ after / np.linalg.norm(before) / np.linalg.norm(after)
        return float(np.degrees(np.arccos(cosine)))

    assert angle(0) == pytest.approx(90)
    assert angle(1) == pytest.approx(90 - 0.8)
    assert angle(2) == pytest.approx(90 + 0.8)
