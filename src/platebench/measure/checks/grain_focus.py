"""Sharpness of the plate's grain, place by place."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.fft import rfft2

from platebench.core.image import SensorFrame
from platebench.measure.checks.sites import window_colours, window_lights
from platebench.plate.noise_model import NoiseModel

Floats = NDArray[np.float64]

_PATCH = 64
_PATCHES_ALONG = 9  # of each of the 3 x 3 cells
_QUIET_SHARE = 0.35  # of a cell's patches: those with least picture in them
_LEAST_DENSITY = 0.05  # D, taken for the density of clear parts
_LEAST_SHARPNESS = 0.25  # that must stand out of the noise, three standard deviations
_NOISE_KNOWN = 0.01  # relative error of the noise model
_NEAR_WHITE = 0.99


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class GrainFocus:
    """How much fine grain reaches the pixels, on a 3 x 3 grid over the plate.

    Attributes
    ----------
    sharpness : ndarray of float64, shape (3, 3)
        Root of fine over coarse grain power, noise taken off; 1 for unblurred grain finer than
        the pixels, 0 where the fine grain is gone. nan where no grain stands out of the noise.
        A picture full of texture lowers it.
    strength : ndarray of float64, shape (3, 3)
        Root of fine power over density: grain's variance grows with density (Selwyn and Nutting),
        so this too is even over a plate in focus. A picture full of texture raises it.
    fine_over_noise : ndarray of float64, shape (3, 3)
        Fine power over what the photons and the sensor alone would give; 1 is no grain at all.
    """

    sharpness: Floats
    strength: Floats
    fine_over_noise: Floats


def measure_grain(
    frame: SensorFrame, corners: Floats | None, noise: NoiseModel, bare_light: dict[int, float]
) -> GrainFocus:
    """Return the grain's sharpness over the plate.

    Silver grain is finer than most copies resolve, so its power is nearly even over the
    frequencies a camera passes, and what the lens blurs is missing at the fine end first. In
    each cell the patches with least picture in them are used; the power that shot and read
    noise add is known from the noise model and taken off.

    Parameters
    ----------
    frame : SensorFrame
        The plate's capture; colours are brought level patch by patch.
    corners : ndarray of float64, shape (4, 2), or None
        The plate's corners; None takes the whole frame for plate.
    noise : NoiseModel
        Of this camera at this ISO. An upper bound makes the result pessimistic.
    bare_light : dict of int to float
        Bare light box by colour number, above black, for the density of each patch; a typical
        value serves.
    """
    sharpness, strength, over = (np.full((3, 3), np.nan) for _ in range(3))
    for cell in np.ndindex(3, 3):
        patches = _patch_powers(frame, _patch_boxes(frame, corners, cell), noise, bare_light)
        if patches.coarse.size < 3:
            continue
        order = np.argsort(patches.coarse - patches.noise, kind="stable")
        quiet = order[: max(3, round(_QUIET_SHARE * order.size))]
        low = float(np.mean(patches.coarse[quiet]))
        high = float(np.mean(patches.fine[quiet]))
        base = float(np.mean(patches.noise[quiet]))
        density = max(_LEAST_DENSITY, float(np.mean(patches.density[quiet])))
        over[cell] = high / base
        if low - base > _seen(base, quiet.size):
            fine = max(0.0, high - base)
            sharpness[cell] = math.sqrt(fine / (low - base))
            strength[cell] = math.sqrt(fine / density)
    return GrainFocus(sharpness=sharpness, strength=strength, fine_over_noise=over)


def _seen(noise: float, patches: int) -> float:
    """Return the grain power needed to tell a sharpness of 0.25 from none.

    A mean of n independent modes scatters by 1/sqrt(n); a real patch has every mode twice and
    the window spreads each over its neighbours, so about a quarter count. The noise itself is
    known to 1 %.
    """
    scatter = noise * (1 / math.sqrt(patches * _FINE_MODES.sum() / 4) + _NOISE_KNOWN)
    return 3 * scatter / _LEAST_SHARPNESS**2


@dataclass(frozen=True, slots=True)
class _Patches:
    """Relative power of patches in two bands, the noise in it, and their density."""

    coarse: Floats
    fine: Floats
    noise: Floats
    density: Floats


def _modes(low: float, high: float) -> NDArray[np.bool_]:
    f = np.fft.fftfreq(_PATCH)
    radius = np.hypot(f[:, None], f[None, : _PATCH // 2 + 1])
    return np.asarray((radius >= low) & (radius < high))


_WINDOW = np.outer(np.hanning(_PATCH), np.hanning(_PATCH)).astype(np.float32)
_SQUARED = _WINDOW**2
_WEIGHT = float(_SQUARED.sum())
_COARSE_MODES, _FINE_MODES = _modes(0.08, 0.2), _modes(0.25, 0.45)  # cycles/px


def _patch_boxes(
    frame: SensorFrame, corners: Floats | None, cell: tuple[int, ...]
) -> list[tuple[int, int, int, int]]:
    """Return patches inside one of 3 x 3 cells of the plate, a twelfth in from its edge.

    Each begins where the colours do, so that they lie alike in all.
    """
    shape = frame.shape
    if corners is None:
        rows, cols = shape
        corners = np.array([(0, 0), (0, cols), (rows, cols), (rows, 0)], np.float64)
    square = np.array([(0, 0), (1, 0), (1, 1), (0, 1)], np.float32)  # x, y
    place = cv2.getPerspectiveTransform(square, corners[:, ::-1].astype(np.float32))
    inner = np.linspace(1 / 12, 11 / 12, 3 * _PATCHES_ALONG + 1)
    middles = (inner[1:] + inner[:-1]) / 2
    ys = middles[cell[0] * _PATCHES_ALONG : (cell[0] + 1) * _PATCHES_ALONG]
    xs = middles[cell[1] * _PATCHES_ALONG : (cell[1] + 1) * _PATCHES_ALONG]
    grid = np.stack(np.meshgrid(xs, ys), axis=-1).reshape(1, -1, 2).astype(np.float32)
    boxes = []
    for x, y in cv2.perspectiveTransform(grid, place)[0]:
        top, left = round(float(y)) - _PATCH // 2, round(float(x)) - _PATCH // 2
        top, left = top - top % frame.pattern.shape[0], left - left % frame.pattern.shape[1]
        if top >= 0 and left >= 0 and top + _PATCH <= shape[0] and left + _PATCH <= shape[1]:
            boxes.append((top, left, top + _PATCH, left + _PATCH))
    return boxes


def _patch_powers(
    frame: SensorFrame,
    boxes: list[tuple[int, int, int, int]],
    noise: NoiseModel,
    bare_light: dict[int, float],
) -> _Patches:
    """Return the power of patches; those with too little light, or clipping, are left out."""
    if not boxes:
        return _Patches(*(np.empty(0) for _ in range(4)))
    light = window_lights(frame, boxes)
    light = light[light.max(axis=(1, 2)) < _NEAR_WHITE * frame.full_scale]
    variance = noise.variance(light)
    colours, at = np.unique(window_colours(frame, boxes[0]), return_inverse=True)
    sites = [at.reshape(light.shape[1:]) == n for n in range(colours.size)]
    level, spread = (
        np.stack([each[:, where].mean(axis=1, dtype=np.float64) for where in sites], axis=1)
        for each in (light, variance)
    )
    lit = (level > 3 * np.sqrt(spread)).all(axis=1)
    light, variance, level = light[lit], variance[lit], level[lit]
    here = level[:, at.ravel()].reshape(light.shape).astype(np.float32)
    light = light / here
    middle = np.einsum("nij,ij->n", light, _WINDOW) / _WINDOW.sum()
    spectrum = np.abs(rfft2((light - middle[:, None, None]) * _WINDOW)) ** 2 / _WEIGHT
    bare = [
        bare_light.get(int(colour), each) for colour, each in zip(colours, level.T, strict=True)
    ]
    through = [each / np.maximum(b, 1e-6) for each, b in zip(level.T, bare, strict=True)]
    return _Patches(
        coarse=spectrum[:, _COARSE_MODES].mean(axis=1),
        fine=spectrum[:, _FINE_MODES].mean(axis=1),
        noise=np.einsum("nij,ij->n", variance / here**2, _SQUARED) / _WEIGHT,
        density=-np.log10(np.mean(through, axis=0)),
    )
