"""Errors of means whose pixels share their noise, or are rounded to few codes."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from scipy.ndimage import convolve1d

from platebench.image import MONO_PATTERN, CaptureInfo, CaptureKind, SensorFrame
from platebench.quality.noise import noise_from_plate
from platebench.stages.flatten import transmittance_from_counts
from platebench.stages.light import light_of_scanner
from platebench.stages.patch import Mean, quad_around, read_patch
from platebench.stages.site_noise import noise_of_sites, rounding_error

SHAPE = (300, 420)
BITS = {8: 257, 16: 1}


def scan(light: np.ndarray, *, bits: int, gamma: float) -> SensorFrame:
    """Return a scan of linear light, 0 to 1, as the reader would."""
    top = 2**bits - 1
    codes = np.rint(np.clip(light, 0, 1) ** (1 / gamma) * top) * BITS[bits]
    curve = (np.arange(65536) / 65535) ** gamma * 65535
    return SensorFrame(
        counts=codes.astype(np.uint16),
        pattern=MONO_PATTERN,
        black=np.zeros((3,) if light.ndim == 3 else (1, 1), np.float32),
        white=65535.0,
        info=CaptureInfo(path=Path("scan.tif"), kind=CaptureKind.SCAN),
        curve=curve.astype(np.float32),
    )


def errors_of_means(
    frame: SensorFrame, truth: np.ndarray, side: int, every: int
) -> tuple[np.ndarray, np.ndarray]:
    """Return errors and stated errors of the mean of squares all over a scan."""
    light = light_of_scanner(frame)
    image = transmittance_from_counts(frame, light)
    noise = noise_of_sites(image, frame, light, noise_from_plate(frame))
    errors, stated = [], []
    for row in range(every, truth.shape[0] - every, every):
        for column in range(every, truth.shape[1] - every, every):
            quad = quad_around(np.array([row, column]) + (side % 2 - 1) / 2, side - 0.2, side - 0.2)
            patch = read_patch(image, quad, robust=False, noise=noise)
            assert patch is not None and patch.all.sites == side**2
            at = slice(row - side // 2, row - side // 2 + side)
            across = slice(column - side // 2, column - side // 2 + side)
            errors.append(patch.all.transmittance - truth[at, across].mean())
            stated.append(patch.all.sigma)
    return np.array(errors), np.array(stated)


@pytest.mark.parametrize("side", [4, 7, 12])
@pytest.mark.parametrize("channels", [1, 3])
def test_neighbours_that_share_their_noise(side: int, channels: int) -> None:
    """Each pixel is a mean of its neighbours, as demosaicing and resampling make it."""
    rng = np.random.default_rng(4)
    noise = rng.normal(0, 0.01, (*SHAPE, 3))
    for axis in (0, 1):
        noise = convolve1d(noise, [0.25, 0.5, 0.25], axis=axis)
    truth = 0.3 + 0.2 * np.arange(SHAPE[1])[None, :, None] / SHAPE[1] * np.ones((*SHAPE, 3))
    seen, known = truth + noise, truth
    if channels == 1:
        seen, known = seen[..., 0], known[..., 0]
    errors, stated = errors_of_means(scan(seen, bits=16, gamma=2.2), known, side, 16)
    # Over 400 means, whose scatter is known to 4 %.
    ratio = np.sqrt(np.mean(errors**2)) / np.sqrt(np.mean(stated**2))
    assert ratio == pytest.approx(1.0, abs=0.15)


@pytest.mark.parametrize("sigma", [0.0, 0.2, 0.45, 1.0], ids="noise of {} codes".format)
@pytest.mark.parametrize("side", [1, 8])
def test_rounding_to_8_bits(sigma: float, side: int) -> None:
    """Light that differs from place to place, in 8 bits linear: some means lie between two codes.

    Without noise the error of a mean is that of one rounded value, evenly spread over a code:
    ``1 / sqrt(12)`` of it (arithmetic), however many are averaged.
    """
    rng = np.random.default_rng(5)
    level = rng.uniform(0.2, 0.6, (16, 20))
    truth = np.kron(level, np.ones((72, 72)))[36:-36, 36:-36]  # squares in the middle of fields
    bare = np.full((truth.shape[0], 500), 0.9)  # as beside a plate
    seen = np.hstack([truth, bare])
    seen = seen + rng.normal(0, 1, seen.shape) * sigma / 255
    errors, stated = errors_of_means(scan(seen, bits=8, gamma=1.0), truth, side, 72)
    scatter = float(np.sqrt(np.mean(errors**2))) * 255
    said = float(np.sqrt(np.mean(stated**2))) * 255
    if sigma == 0.0:
        assert scatter == pytest.approx(1 / np.sqrt(12), rel=0.1)
    if 0 < sigma < 0.5:  # little noise looks like none where all values fall on one code
        assert 0.4 < scatter / said < 1.15
    else:
        assert scatter / said == pytest.approx(1.0, abs=0.15)


def test_rounding_error_of_a_mean() -> None:
    # q / sqrt(12) without noise (exact). With s = 0.3 q the mean of rounded values is off by the
    # phase p of the light: the first Fourier term, q / pi exp(-2 pi^2 s^2 / q^2) sin(2 pi p),
    # 0.054 q at most: summed here over the normal distribution, exactly.
    from scipy.stats import norm

    assert rounding_error(2.0, 0.0) == pytest.approx(2 / np.sqrt(12))
    phases = np.linspace(-0.5, 0.5, 201)[:-1]
    codes = np.arange(-6, 7)
    edges = np.stack([norm.cdf((codes + 0.5 - p) / 0.3) - norm.cdf((codes - 0.5 - p) / 0.3)
                      for p in phases])  # fmt: skip
    means = edges @ codes
    variance = float(np.mean(edges @ codes**2 - means**2 + (means - phases) ** 2))
    exact = float(np.sqrt(np.mean((means - phases) ** 2)))
    assert rounding_error(1.0, variance) == pytest.approx(exact, rel=0.35)


def test_without_noise_a_single_site_has_no_finite_error() -> None:
    frame = scan(np.full(SHAPE, 0.4), bits=16, gamma=2.2)
    image = transmittance_from_counts(frame, light_of_scanner(frame))
    patch = read_patch(image, quad_around(np.array([30.0, 40.0]), 0.8, 0.8), robust=False)
    assert patch is not None and patch.all == Mean(
        transmittance=patch.all.transmittance, sigma=np.inf, sites=1
    )
