"""What lies around the plate, and which part of the frame does not belong to it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from platebench.image import PlateImage

REDUCED_SIDE = 1000  # pixels of the long side on which the plate is searched
FLOOR = 0.01  # added to transmittance before the logarithm, so that black does not blow up noise
CHUNKS = 24  # pieces of border a side
SMALLEST_SHARE = 0.03  # of the frame; anything smaller is dust, a label or a clip

Floats = NDArray[np.float32]
Doubles = NDArray[np.float64]
Mask = NDArray[np.uint8]


@dataclass(frozen=True, slots=True, eq=False)
class Surround:
    """The surround as a smooth surface, and what is not part of it.

    Attributes
    ----------
    level : float
        Median transmittance of the surround.
    border_share : float
        Share of the frame's border that agrees with the surface.
    tolerance : float
        Half width, in log10 transmittance, of what counts as surround.
    residual : ndarray of float32, shape (m, n)
        log10 transmittance of the reduced picture less the surface.
    objects : ndarray of uint8, shape (m, n)
        1 where something lies on the surround, holes filled.
    """

    level: float
    border_share: float
    tolerance: float
    residual: Floats
    objects: Mask


@dataclass(frozen=True, slots=True, eq=False)
class Region:
    """One connected thing on the surround.

    Attributes
    ----------
    mask : ndarray of uint8, shape (m, n)
        1 inside.
    share : float
        Of the frame's area.
    """

    mask: Mask
    share: float


def reduce_picture(image: PlateImage) -> tuple[Floats, int]:
    """Return the picture averaged over square blocks, and the block's side in pixels.

    The side is a multiple of the colour pattern's period, so that the colours of a mosaic average
    out. Colours of (M, N, 3) are averaged too. Values that are no numbers become 0.
    """
    period = int(np.lcm(*image.pattern.shape))
    block = period * max(1, -(-max(image.shape) // (REDUCED_SIDE * period)))
    rows, columns = (n // block for n in image.shape)
    if min(rows, columns) < 1:
        return np.zeros((1, 1), np.float32), block
    cut = image.pixels[: rows * block, : columns * block]
    small = cv2.resize(cut, (columns, rows), interpolation=cv2.INTER_AREA) if block > 1 else cut
    if small.ndim == 3:
        small = small.mean(axis=2, dtype=np.float32)
    return np.nan_to_num(small, nan=0.0, posinf=0.0, neginf=0.0).astype(np.float32), block


def find_surround(small: Floats) -> Surround:
    """Return the surround of a reduced picture, learnt from the border inwards.

    A quadratic surface (uneven light) is fitted to the border, whatever agrees with it and hangs
    together with the border is taken as surround, and a cubic surface is fitted to that.
    """
    log_t = np.log10(np.maximum(small, 0) + np.float32(FLOOR))
    places, values = _border_medians(log_t)
    coefficients, spread = _fit_surface(places, values, order=2)
    agrees = np.abs(values - _terms(places, 2) @ coefficients) < max(4 * spread, 0.02)
    tolerance = _tolerance(spread, float(np.median(values[agrees])) if agrees.any() else 0.0)
    order = 2
    for order_next in (3, 3):
        residual = log_t - _surface(log_t.shape, coefficients, order)
        outside = _joined_to_border(np.abs(residual) < tolerance)
        sample = np.argwhere(outside[::3, ::3]) * 3
        if len(sample) < 200:
            break
        places = _normalised(sample.astype(np.float64), log_t.shape)
        coefficients, spread = _fit_surface(
            places, log_t[sample[:, 0], sample[:, 1]].astype(np.float64), order=order_next
        )
        order = order_next
    residual = log_t - _surface(log_t.shape, coefficients, order)
    outside = _joined_to_border(np.abs(residual) < tolerance)
    level = float(np.median(small[outside])) if outside.any() else float(np.median(small))
    objects = (~outside).astype(np.uint8)
    size = 3 if min(objects.shape) > 60 else 1
    objects = cv2.morphologyEx(objects, cv2.MORPH_OPEN, np.ones((size, size), np.uint8))
    return Surround(level, float(agrees.mean()), tolerance, residual, objects)


def find_regions(objects: Mask) -> list[Region]:
    """Return the things on the surround that are large enough for a plate, largest first."""
    count, labels, stats, _ = cv2.connectedComponentsWithStats(objects, connectivity=4)
    area = stats[:, cv2.CC_STAT_AREA]
    large = [k for k in range(1, count) if area[k] >= SMALLEST_SHARE * objects.size]
    return [
        Region((labels == k).astype(np.uint8), float(area[k]) / objects.size)
        for k in sorted(large, key=lambda k: -area[k])
    ]


def surround_kind(level: float, inside: float) -> Literal["bright", "dark"]:
    """Return whether the surround is brighter or darker than the glass just inside its edge."""
    return "bright" if level > inside else "dark"


def _tolerance(spread: float, level: float) -> float:
    """Half width of what counts as surround, in log10 transmittance.

    Clear glass takes about 8 % of the light (two surfaces of 4 %, Fresnel at n = 1.52), that is
    0.036 in log10; bare light must be told from it. Against black there is room for glare.
    """
    lowest, highest = (0.012, 0.02) if level > np.log10(0.2) else (0.08, 0.25)
    return float(np.clip(4 * spread, lowest, highest))


def _border_medians(log_t: Floats) -> tuple[Doubles, Doubles]:
    """Medians of pieces of the frame's border, with normalised centres."""
    rows, columns = log_t.shape
    width = max(1, round(0.012 * min(rows, columns)))
    strips = (
        (log_t[:width], 0, (width - 1) / 2),
        (log_t[-width:], 0, rows - 1 - (width - 1) / 2),
        (log_t[:, :width].T, 1, (width - 1) / 2),
        (log_t[:, -width:].T, 1, columns - 1 - (width - 1) / 2),
    )
    centres: list[tuple[float, float]] = []
    values: list[float] = []
    for strip, axis, across in strips:
        cuts = np.linspace(0, strip.shape[1], min(CHUNKS, strip.shape[1]) + 1).astype(int)
        for start, stop in zip(cuts[:-1], cuts[1:], strict=True):
            along = (start + stop - 1) / 2
            centres.append((across, along) if axis == 0 else (along, across))
            values.append(float(np.median(strip[:, start:stop])))
    return _normalised(np.array(centres), log_t.shape), np.array(values)


def _normalised(places: Doubles, shape: tuple[int, ...]) -> Doubles:
    half = (np.array(shape[:2], np.float64) - 1) / 2
    return (places - half) / np.maximum(half, 1)


def _terms(places: Doubles, order: int) -> Doubles:
    y, x = places[:, 0], places[:, 1]
    return np.stack([y**i * x**j for i in range(order + 1) for j in range(order + 1 - i)], axis=1)


def _surface(shape: tuple[int, ...], coefficients: Doubles, order: int) -> Floats:
    """Polynomial surface on the whole reduced picture, as a product of one-axis powers."""
    rows, columns = np.linspace(-1, 1, shape[0]), np.linspace(-1, 1, shape[1])
    grid = np.zeros((order + 1, order + 1))
    powers = [(i, j) for i in range(order + 1) for j in range(order + 1 - i)]
    for (i, j), value in zip(powers, coefficients, strict=True):
        grid[i, j] = value
    down = np.vander(rows, order + 1, increasing=True)
    across = np.vander(columns, order + 1, increasing=True)
    return (down @ grid @ across.T).astype(np.float32)


def _fit_surface(places: Doubles, values: Doubles, *, order: int) -> tuple[Doubles, float]:
    """Robust polynomial fit (Tukey weights), started at the most common value.

    Returns the coefficients and the spread (1.4826 MAD) of what was not rejected.
    """
    terms = _terms(places, order)
    centre = _most_common(values)
    deviation = values - centre
    scale = max(1.4826 * float(np.median(np.abs(deviation))), 0.01)
    coefficients = np.zeros(terms.shape[1])
    coefficients[0] = centre
    spread = scale
    for _ in range(12):
        weight = np.square(np.clip(1 - np.square(deviation / (4.7 * scale)), 0, None))
        if np.count_nonzero(weight) < 2 * terms.shape[1]:
            break
        root = np.sqrt(weight)
        coefficients = np.linalg.lstsq(terms * root[:, None], values * root, rcond=None)[0]
        deviation = values - terms @ coefficients
        kept = np.abs(deviation[weight > 0])
        spread = 1.4826 * float(np.median(kept))
        scale = max(spread, 0.002)
    return coefficients, spread


def _most_common(values: Doubles) -> float:
    """Half-sample mode: the middle of the densest half, halved again until few are left."""
    ordered = np.sort(values)
    while len(ordered) > 3:
        half = (len(ordered) + 1) // 2
        width = ordered[half - 1 :] - ordered[: len(ordered) - half + 1]
        start = int(np.argmin(width))
        ordered = ordered[start : start + half]
    return float(np.median(ordered))


def _joined_to_border(alike: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """The part of a mask that hangs together with the frame's border."""
    padded = np.pad(alike.astype(np.uint8), 1, constant_values=1)
    _, labels = cv2.connectedComponents(padded, connectivity=4)
    joined: NDArray[np.bool_] = labels[1:-1, 1:-1] == labels[0, 0]
    return joined
