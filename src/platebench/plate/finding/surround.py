"""What lies around the plate, and which part of the frame does not belong to it."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

WORKING_SIDE = 1700  # pixels of the long side on which edges are measured
REDUCED_SIDE = 850  # pixels of the long side on which the plate is searched
FLOOR = 0.01  # added to transmittance before the logarithm, so that black does not blow up noise
BARE = 0.955  # of the light: more than any glass lets through (0.92: two surfaces, n = 1.52)
TOO_BRIGHT = 1.15  # of the light: not bare light either
BLACK = 0.06  # of the light: card or holder, glare included
SMALLEST_SHARE = 0.03  # of the frame; anything smaller is dust, a label or a clip
SLIVER = 0.025  # of the frame's short side; no plate is so narrow
SPARSE = 0.01  # of the frame; less is specks, not the remains of an outline
FULL = 0.85  # of its smallest rectangle that a plate's outline fills, chips and perspective allowed

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
    unevenness : float
        Range of the surface over the surround, in log10 transmittance.
    border_share : float
        Share of the border that agrees with the surface.
    surface : ndarray of float32, shape (m, n)
        log10(transmittance + FLOOR), the surround continued under the plate.
    objects : ndarray of uint8, shape (m, n)
        1 where something lies on the surround, holes filled; slivers left out.
    slivers : ndarray of bool, shape (m, n)
        What lies along the frame's border, thinner than any plate: a scanner's lid, the end of its
        bed. It hides the surround and says nothing of the plate.
    """

    level: float
    unevenness: float
    border_share: float
    surface: Floats
    objects: Mask
    slivers: NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class Region:
    """One connected thing on the surround.

    Attributes
    ----------
    mask : ndarray of uint8, shape (m, n)
        1 inside.
    area : int
        Pixels of the reduced picture.
    fullness : float
        Area over that of the smallest rectangle around it.
    """

    mask: Mask
    area: int
    fullness: float


def reduce_picture(
    pixels: Floats | NDArray[np.uint16], long_side: int, *, period: int = 1
) -> tuple[Floats, int]:
    """Return the picture averaged over square blocks, and the block's side in pixels.

    Parameters
    ----------
    pixels : ndarray of float32, shape (M, N) or (M, N, 3)
        Colours are averaged; values that are no numbers become 0.
    long_side : int
        About how many pixels the result's long side shall have.
    period : int
        Blocks are a multiple of this, so that the colours of a mosaic average out.
    """
    block = period * max(1, round(max(pixels.shape[:2]) / (long_side * period)))
    rows, columns = (n // block for n in pixels.shape[:2])
    if min(rows, columns) < 1:
        return np.zeros((1, 1), np.float32), block
    cut = pixels[: rows * block, : columns * block]
    small = cv2.resize(cut, (columns, rows), interpolation=cv2.INTER_AREA) if block > 1 else cut
    if small.ndim == 3:
        small = small.mean(axis=2, dtype=np.float32)
    if not np.isfinite(small.sum(dtype=np.float64)):
        small = np.nan_to_num(small, nan=0.0, posinf=0.0, neginf=0.0)
    return np.asarray(small, np.float32), block


def find_surround(small: Floats, within: Mask | None = None) -> Surround:
    """Return the surround of a reduced picture, learnt from the border inwards.

    A quadratic surface (uneven light) is fitted to the border, whatever agrees with it and hangs
    together with the border is taken as surround, and a cubic surface is fitted to that.

    Parameters
    ----------
    within : ndarray of uint8, shape (m, n), or None
        1 where to look: inside a mask's opening or a holder's frame. None: the whole frame.
    """
    log_t = np.log10(np.maximum(small, 0) + np.float32(FLOOR))
    inside = np.ones(small.shape, np.uint8) if within is None else within
    border = rim_of(inside, 1 if within is not None else round(0.012 * min(small.shape)))
    sample = _thinned(border, 3000)
    values = log_t[sample[:, 0], sample[:, 1]].astype(np.float64)
    coefficients, spread = _fit_surface(_normalised(sample, small.shape), values, order=2)
    surface = _surface(small.shape, coefficients, 2)
    tolerance = _tolerance(spread, float(np.median(values)))
    misfit = np.abs(values - surface[sample[:, 0], sample[:, 1]])
    seen = small[sample[:, 0], sample[:, 1]]
    level = float(np.median(seen[misfit < tolerance])) if (misfit < tolerance).any() else 0.0
    # Bare light and black together are a holder or a card that ends within the frame.
    other = seen < BLACK * level if level > 0.5 else (seen > BARE) & (seen < TOO_BRIGHT)
    share = float(np.mean((misfit < max(tolerance, 4 * spread)) | other))
    outside = np.zeros(small.shape, bool)
    for order in (3, 3):
        outside = _joined_to_border(np.abs(log_t - surface) < tolerance, inside)
        sample = _thinned(outside, 8000)
        if len(sample) < 200:
            break
        values = log_t[sample[:, 0], sample[:, 1]].astype(np.float64)
        coefficients, _ = _fit_surface(_normalised(sample, small.shape), values, order=order)
        surface = _surface(small.shape, coefficients, order)
    outside = _joined_to_border(np.abs(log_t - surface) < tolerance, inside)
    objects = np.where(outside, 0, inside).astype(np.uint8)
    slivers = _slivers(objects)
    objects[slivers] = 0
    if min(objects.shape) > 60:
        brush = np.ones((3, 3), np.uint8)
        objects = np.asarray(cv2.morphologyEx(objects, cv2.MORPH_OPEN, brush), np.uint8)
    return Surround(
        level=float(np.median(small[outside])) if outside.any() else float(np.median(small)),
        unevenness=float(np.ptp(surface[outside])) if outside.any() else 0.0,
        border_share=share,
        surface=surface,
        objects=objects,
        slivers=slivers,
    )


def find_regions(objects: Mask) -> list[Region]:
    """Return the things on the surround that are large enough for a plate, largest first.

    Chips through a narrow rebate can let the surround leak into the picture; then the outline is
    mended by closing gaps of up to a few per cent of the frame.
    """
    regions = _connected(objects)
    for share in (0.015, 0.03, 0.06):
        if objects.mean() < SPARSE or (regions and regions[0].fullness >= FULL):
            break
        size = 2 * round(share * max(objects.shape)) + 1
        padded = cv2.copyMakeBorder(objects, size, size, size, size, cv2.BORDER_CONSTANT, value=0)
        closed = cv2.morphologyEx(padded, cv2.MORPH_CLOSE, np.ones((size, size), np.uint8))
        closed = closed[size:-size, size:-size]
        whole = np.ones_like(objects)
        mended = _connected((~_joined_to_border(closed == 0, whole)).astype(np.uint8))
        if mended and (not regions or mended[0].fullness > regions[0].fullness + 0.05):
            regions = mended
    return regions


def _slivers(objects: Mask) -> NDArray[np.bool_]:
    """Mark the objects that lie along the frame's border, thinner than any plate."""
    _, labels, stats, _ = cv2.connectedComponentsWithStats(objects, connectivity=4)
    rows, columns = objects.shape
    thin = max(2.0, SLIVER * min(objects.shape))
    left, top = stats[:, cv2.CC_STAT_LEFT], stats[:, cv2.CC_STAT_TOP]
    wide, high = stats[:, cv2.CC_STAT_WIDTH], stats[:, cv2.CC_STAT_HEIGHT]
    upright = ((left == 0) | (left + wide == columns)) & (wide <= thin)
    level = ((top == 0) | (top + high == rows)) & (high <= thin)
    sliver = upright | level
    sliver[0] = False
    marked: NDArray[np.bool_] = sliver[labels]
    return marked


def _connected(objects: Mask) -> list[Region]:
    count, labels, stats, _ = cv2.connectedComponentsWithStats(objects, connectivity=4)
    area = stats[:, cv2.CC_STAT_AREA]
    large = [k for k in range(1, count) if area[k] >= SMALLEST_SHARE * objects.size]
    regions = []
    for k in sorted(large, key=lambda k: -area[k]):
        mask = (labels == k).astype(np.uint8)
        contours, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
        (_, size, _) = cv2.minAreaRect(np.vstack(contours))
        regions.append(Region(mask, int(area[k]), float(area[k]) / max(size[0] * size[1], 1.0)))
    return regions


def rim_of(inside: Mask, width: int) -> NDArray[np.bool_]:
    """Mark the outermost pixels of a mask, the frame's border included."""
    padded = np.pad(inside, 1)
    size = 2 * max(width, 1) + 1
    core = cv2.erode(padded, np.ones((size, size), np.uint8))[1:-1, 1:-1]
    rim: NDArray[np.bool_] = (inside > 0) & (core == 0)
    return rim


def _thinned(marked: NDArray[np.bool_], most: int) -> NDArray[np.int_]:
    """Return about ``most`` of the marked places, (row, column)."""
    places = np.flatnonzero(marked)
    return np.stack(np.divmod(places[:: max(1, len(places) // most)], marked.shape[1]), axis=1)


def _tolerance(spread: float, level: float) -> float:
    """Half width of what counts as surround, in log10 transmittance.

    Clear glass takes about 8 % of the light (two surfaces of 4 %, Fresnel at n = 1.52), that is
    0.036 in log10; bare light must be told from it. Against black there is room for glare.
    """
    lowest, highest = (0.012, 0.02) if level > np.log10(0.2) else (0.08, 0.5)
    return float(np.clip(4 * spread, lowest, highest))


def _normalised(places: NDArray[np.int_], shape: tuple[int, ...]) -> Doubles:
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
    mixed = (grid @ across.T).astype(np.float32)
    # So few terms that a library's threads would cost more than the sums.
    return np.asarray(np.einsum("ik,kj->ij", down.astype(np.float32), mixed), np.float32)


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
        weighted = terms * weight[:, None]
        coefficients = np.linalg.lstsq(weighted.T @ terms, weighted.T @ values, rcond=None)[0]
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


def _joined_to_border(alike: NDArray[np.bool_], inside: Mask) -> NDArray[np.bool_]:
    """Return the part of ``alike`` that hangs together with what is not ``inside``."""
    padded = np.pad((alike | (inside == 0)).astype(np.uint8), 1, constant_values=1)
    _, labels = cv2.connectedComponents(padded, connectivity=4)
    joined: NDArray[np.bool_] = (labels[1:-1, 1:-1] == labels[0, 0]) & (inside > 0)
    return joined
