"""Stated errors of scans against true ones: Monte Carlo over scans whose light is known.

An honest standard error holds the true error in 68 of 100 cases where that is normal (the normal
law), and so it is meant here where it is rounding's, which has bounds instead.
"""

from __future__ import annotations

import io
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from scipy.ndimage import convolve1d
from scipy.stats import norm

from platebench.core.image import SensorFrame
from platebench.core.settings import ScanSettings
from platebench.measure.patch import quad_around, read_patch
from platebench.measure.scan_noise import (
    left_in_mean,
    lost_in_black,
    mean_square,
    noise_of_scatter,
    scatter,
)
from platebench.measure.site_noise import noise_of_sites
from platebench.plate.flatten import transmittance_from_counts
from platebench.plate.light import light_of_scanner
from platebench.read.capture import read_capture

from ..scan_pictures import FIELD, errors_of_means, noise_of_scan, picture, scan_of

LEAST_SNR = 2.0  # below it a reading gives no density but a bound


def coverage(frame: SensorFrame, truth: np.ndarray, side: int) -> tuple[float, float]:
    """Return the share of errors within their stated error, and their ratio, root mean square."""
    known, error, stated = errors_of_means(frame, truth, side)
    told = known + error > LEAST_SNR * stated
    assert told.mean() > 0.8
    pull = error[told] / stated[told]
    return float(np.mean(np.abs(pull) <= 1)), float(np.sqrt(np.mean(pull**2)))


# 320 squares each: a share of 0.68 is known to 0.026.
@pytest.mark.big
@pytest.mark.parametrize("noise", [0.0, 0.2, 0.6, 3.0], ids="noise of {} codes".format)
@pytest.mark.parametrize("coding", ["1.0", "2.2", "srgb"])
def test_even_fields(coding: str, noise: float) -> None:
    truth = picture("even", seed=3)
    share, ratio = coverage(scan_of(truth, coding=coding, noise=noise), truth, 16)
    # With noise of a fifth of a code, how much it is can only be told to a twentieth or so.
    assert 0.60 < share < (0.90 if noise == 0.2 else 0.80) and ratio < 1.15


@pytest.mark.parametrize("side", [1, 5, 30])
def test_squares_of_any_size(side: int) -> None:
    truth = picture("even", seed=4)
    share, ratio = coverage(scan_of(truth, noise=0.4), truth, side)
    assert 0.60 < share < 0.80 and ratio < 1.15


@pytest.mark.parametrize("noise", [0.0, 0.3, 3.0])
def test_slopes(noise: float) -> None:
    truth = picture("slopes", seed=5)
    share, ratio = coverage(scan_of(truth, noise=noise), truth, 16)
    assert 0.60 < share < (0.80 if noise else 1.0) and ratio < 1.15


@pytest.mark.parametrize("noise", [0.0, 0.5, 1.0, 3.0])
@pytest.mark.parametrize("coding", ["2.2", "srgb"])
def test_grain_is_no_error(coding: str, noise: float) -> None:
    """Grain of 0.05 D all over, five codes at D 1: nothing in the frame is even."""
    truth = picture("grain", seed=6)
    share, ratio = coverage(scan_of(truth, coding=coding, noise=noise), truth, 16)
    # Less noise than half a code, under grain ten times as much, is told as an upper bound.
    assert 0.60 < share < (0.82 if noise >= 1 else 1.01) and 0.3 < ratio < 1.15


def test_glare_that_was_taken_off_is_no_black_that_was_cut() -> None:
    """The counts are the same: light and its error go by one scale, ``(1 + g) t - g``."""
    glare = 0.02
    truth = picture("even", seed=8)
    truth[:FIELD, :FIELD] = 0.022
    frame = scan_of(truth, coding="1.0", noise=1.0)
    light = light_of_scanner(frame)
    image = transmittance_from_counts(frame, light)
    noise = noise_of_sites(image, frame, light, None)
    assert noise.scan
    quad = quad_around(np.array([23.5, 23.5]), 39.8, 39.8)
    whole = read_patch(image, quad, robust=False, noise=noise)
    less = replace(image, pixels=(1 + glare) * image.pixels - np.float32(glare))
    rest = read_patch(less, quad, robust=False, noise=replace(noise, glare=glare))
    assert whole is not None and rest is not None
    assert rest.all.sigma == pytest.approx((1 + glare) * whole.all.sigma, rel=0.02)


def test_three_channels() -> None:
    """Noise of three channels is independent, rounding of neutral light is not."""
    truth = np.repeat(picture("even", seed=7)[..., None], 3, axis=2)
    for noise in (0.0, 1.0):
        known, error, stated = errors_of_means(scan_of(truth, noise=noise), truth[..., 0], 16)
        assert 0.60 < np.mean(np.abs(error) <= stated) < 0.80
        assert (known > 0).all()


def test_an_edge_does_not_make_rounding_average_out() -> None:
    """Half of each square on one even field, half on another: two errors of rounding, halved."""
    truth = picture("even", seed=8)
    frame = scan_of(truth)
    _, error, stated = errors_of_means(frame, np.roll(truth, 0), 16)
    across = np.roll(truth, 24, axis=1)
    _, split_error, split_stated = errors_of_means(scan_of(across), across, 16)
    assert 0.60 < np.mean(np.abs(split_error) <= split_stated) < 0.92
    assert np.sqrt(np.mean(np.square(split_error / split_stated))) < 1.1
    assert np.mean(np.abs(error) <= stated) > 0.6


def test_noise_cut_off_at_black() -> None:
    """Gamma 1, D 2.5: 0.8 codes of light under noise of 3; what fell below black is lost."""
    truth = picture("even", seed=9)
    truth[:, -96:] = 10**-2.5
    known, error, stated = errors_of_means(scan_of(truth, coding="1.0", noise=3.0), truth, 16)
    dense = known < 10**-2.4
    assert dense.sum() >= 30
    assert (error[dense] > 0).all()  # all come out too bright
    assert (error[dense] < 2 * stated[dense]).all()  # by about as much as is stated


def test_light_lost_in_black() -> None:
    rng = np.random.default_rng(1)
    for true in (-1.0, 0.0, 0.8, 2.0, 5.0):
        seen = float(np.maximum(rng.normal(true, 1.7, 400_000), 0).mean())
        assert lost_in_black(seen, 1.7) == pytest.approx(seen - true, abs=0.02)


def test_noise_that_neighbours_share_is_not_taken_for_fine_noise() -> None:
    rng = np.random.default_rng(4)
    noise = rng.normal(0, 0.01, (600, 800))
    assert noise_of_scan(scan_of(0.4 + noise, bits=16)).scan
    for axis in (0, 1):
        noise = convolve1d(noise, [0.25, 0.5, 0.25], axis=axis)
    assert not noise_of_scan(scan_of(0.4 + noise, bits=16)).scan


@pytest.mark.parametrize("noise", [0.05, 0.2, 0.35, 0.6])
def test_what_rounding_leaves_in_a_mean(noise: float) -> None:
    """Against the mean of rounded normal values, summed over the normal law (SciPy's)."""
    light = (np.arange(400) + 0.5) / 400
    codes = np.arange(-8, 10)
    share = np.diff(norm.cdf((np.append(codes, 10) - 0.5 - light[:, None]) / noise), axis=1)
    mean = share @ codes
    assert mean_square(noise) == pytest.approx(np.mean((mean - light) ** 2), rel=1e-3, abs=1e-9)
    within = float(np.mean(share @ codes**2 - mean**2))
    assert scatter(noise) == pytest.approx(within, rel=1e-3)
    assert noise_of_scatter(within) == pytest.approx(noise, rel=0.01)


def test_a_slope_through_whole_codes_leaves_next_to_nothing() -> None:
    ramp = np.rint(np.linspace(100.02, 104.03, 64))[None].repeat(20, axis=0)
    inside = np.ones(ramp.shape, bool)
    left = left_in_mean(ramp, inside, 0.0)
    # One twelfth where the light is even; a wave averaged over 4 periods is below 1 / (4 pi) of it.
    assert left < (1 / (4 * np.pi)) ** 2 / 12
    assert left_in_mean(np.full((20, 64), 100.0), inside, 0.0) == pytest.approx(1 / 12, rel=0.01)


@pytest.mark.parametrize("quality", [95, 75, 40])
def test_a_jpeg_states_a_bound(tmp_path: Path, quality: int) -> None:
    truth = picture("grain", seed=10, fields=(10, 12))
    codes = (scan_of(truth, noise=0.5).counts // 257).astype(np.uint8)
    path = tmp_path / "scan.jpg"
    Image.fromarray(codes).save(path, quality=quality)
    frame = read_capture(path, ScanSettings())
    with Image.open(path) as picked:  # Pillow reads the tables on its own
        coarsest = max(table[0] for table in picked.quantization.values())
    assert frame.info.block_step == pytest.approx(coarsest / 8)
    _, error, stated = errors_of_means(frame, truth, 16)
    assert np.mean(np.abs(error) <= stated) > 0.68


def test_a_jpeg_inside_a_tiff_is_one(tmp_path: Path) -> None:
    codes = (scan_of(picture("even", seed=11, fields=(4, 5))).counts // 257).astype(np.uint8)
    Image.fromarray(codes).save(tmp_path / "a.tif", compression="jpeg", quality=60)
    Image.fromarray(codes).save(tmp_path / "b.tif", compression="tiff_lzw")
    held = io.BytesIO()
    Image.fromarray(codes).save(held, "JPEG", quality=60)
    coarsest = Image.open(held).quantization[0][0]
    steps = [read_capture(tmp_path / n, ScanSettings()).info.block_step for n in ("a.tif", "b.tif")]
    assert steps == [pytest.approx(coarsest / 8), None]
