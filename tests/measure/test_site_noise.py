"""Errors of means whose pixels share their noise, or are rounded to few codes."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import convolve1d

from platebench.measure.patch import Mean, quad_around, read_patch
from platebench.measure.scan_noise import rounding_error
from platebench.plate.flatten import transmittance_from_counts
from platebench.plate.light import light_of_scanner

from ..scan_pictures import errors_of_means, scan_of

SHAPE = (300, 420)


@pytest.mark.big
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
    _, errors, stated = errors_of_means(scan_of(seen, bits=16), known, side, 16)
    # Over 400 means, whose scatter is known to 4 %.
    ratio = np.sqrt(np.mean(errors**2)) / np.sqrt(np.mean(stated**2))
    assert ratio == pytest.approx(1.0, abs=0.15)


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
    frame = scan_of(np.full(SHAPE, 0.4), bits=16)
    image = transmittance_from_counts(frame, light_of_scanner(frame))
    patch = read_patch(image, quad_around(np.array([30.0, 40.0]), 0.8, 0.8), robust=False)
    assert patch is not None and patch.all == Mean(
        transmittance=patch.all.transmittance, sigma=np.inf, sites=1
    )
