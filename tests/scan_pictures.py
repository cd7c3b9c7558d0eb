"""Scans of known light, made here: even fields, slopes and grain, in three codings."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from scipy.ndimage import gaussian_filter

from platebench.core.image import MONO_PATTERN, CaptureInfo, CaptureKind, SensorFrame
from platebench.measure.checks.noise import noise_from_plate
from platebench.measure.patch import quad_around, read_patch
from platebench.measure.site_noise import SiteNoise, noise_of_sites
from platebench.plate.flatten import transmittance_from_counts
from platebench.plate.light import light_of_scanner

FIELD = 48  # pixels, side of a field of even density
ROUNDED = {8: 257, 16: 1}


def srgb_of_light(light: np.ndarray) -> np.ndarray:
    """IEC 61966-2-1, from memory; the curve of the program is not used here."""
    high = 1.055 * np.maximum(light, 1e-12) ** (1 / 2.4) - 0.055
    return np.where(light <= 0.0031308, 12.92 * light, high)


def light_of_srgb(code: np.ndarray) -> np.ndarray:
    return np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4)


CODINGS = {
    "1.0": (lambda light: light, lambda code: code),
    "2.2": (lambda light: light ** (1 / 2.2), lambda code: code**2.2),
    "srgb": (srgb_of_light, light_of_srgb),
}


def scan_of(
    light: np.ndarray,
    *,
    coding: str = "2.2",
    noise: float = 0.0,
    bits: int = 8,
    seed: int = 1,
    block_step: float | None = None,
) -> SensorFrame:
    """Return a scan of linear light, 0 to 1, as the reader would.

    The noise is the light's, normal, and before coding: ``noise`` codes wide at every light.
    """
    of_light, of_code = CODINGS[coding]
    top = 2**bits - 1
    at = of_light(light) * top
    low, high = np.maximum(at - 0.5, 0), at + 0.5
    width = (of_code(high / top) - of_code(low / top)) / (high - low)
    seen = light + np.random.default_rng(seed).normal(0, 1, light.shape) * noise * width
    codes = np.rint(of_light(np.clip(seen, 0, 1)) * top)
    return SensorFrame(
        counts=(codes * ROUNDED[bits]).astype(np.uint16),
        pattern=MONO_PATTERN,
        black=np.zeros((3,) if light.ndim == 3 else (1, 1), np.float32),
        white=65535.0,
        info=CaptureInfo(path=Path("scan.tif"), kind=CaptureKind.SCAN, block_step=block_step),
        curve=(of_code(np.arange(65536) / 65535) * 65535).astype(np.float32),
    )


def picture(kind: str, *, seed: int, fields: tuple[int, int] = (16, 20)) -> np.ndarray:
    """Return light of densities 0.1 to 2.5: even fields, slopes, or fields with grain.

    Grain is 0.05 D at D 1 from pixel to pixel, more where it is denser (Selwyn's law), and a little
    blurred, as by a scanner's lens.
    """
    rng = np.random.default_rng(seed)
    shape = (fields[0] * FIELD, fields[1] * FIELD)
    if kind == "slopes":
        wave = gaussian_filter(rng.normal(0, 1, shape), 40, mode="wrap")
        return 10 ** -(0.1 + 2.4 * (wave - wave.min()) / np.ptp(wave))
    low = 0.2 if kind == "grain" else 0.1
    density = np.kron(rng.uniform(low, 2.5 - low, fields), np.ones((FIELD, FIELD)))
    if kind == "grain":
        grain = gaussian_filter(rng.normal(0, 1, shape), 0.9)
        density += grain / grain.std() * 0.05 * np.sqrt(density)
    return 10 ** -np.maximum(density, 0.02)


def noise_of_scan(frame: SensorFrame) -> SiteNoise:
    """Return the noise of a scan, as a reading takes it."""
    light = light_of_scanner(frame)
    image = transmittance_from_counts(frame, light)
    return noise_of_sites(image, frame, light, noise_from_plate(frame))


def errors_of_means(
    frame: SensorFrame, truth: np.ndarray, side: int, every: int = FIELD
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return true light, error and stated error of the mean of a square in each field."""
    light = light_of_scanner(frame)
    image = transmittance_from_counts(frame, light)
    noise = noise_of_sites(image, frame, light, noise_from_plate(frame))
    known, errors, stated = [], [], []
    for row in range(every // 2, truth.shape[0] - side // 2, every):
        for column in range(every // 2, truth.shape[1] - side // 2, every):
            quad = quad_around(np.array([row, column]) + (side % 2 - 1) / 2, side - 0.2, side - 0.2)
            patch = read_patch(image, quad, robust=False, noise=noise)
            assert patch is not None and patch.all.sites == side**2
            at = slice(row - side // 2, row - side // 2 + side)
            across = slice(column - side // 2, column - side // 2 + side)
            known.append(truth[at, across].mean())
            errors.append(patch.all.transmittance - known[-1])
            stated.append(patch.all.sigma)
    return np.array(known), np.array(errors), np.array(stated)
