"""The mean transmittance of a small four-sided area, its standard error, and its colours.

The mean is taken in linear light and turned into density afterwards: the mean of densities is
biased where noise is not small against the signal. The noise of a photosite is measured on the
spot, from second differences between like-coloured neighbours, so that the picture itself, which
changes slowly from site to site, stays out of it.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from platebench.image import PlateImage

Floats = NDArray[np.float32]
Doubles = NDArray[np.float64]

LN10 = float(np.log(10))
COLOURS = ("red", "green", "blue")
_TILES_ALONG = 10
_OUTLIER = 4.0  # standard deviations from the median tile
_LEAST_TILES = 12
# Second differences [1, -2, 1] of independent values have 6 times their variance.
_SECOND_DIFFERENCE_GAIN = 6.0
_LEAST_DIFFERENCES, _ENOUGH_DIFFERENCES = 8, 20000


@dataclass(frozen=True, slots=True, kw_only=True)
class Mean:
    """A mean transmittance.

    Attributes
    ----------
    transmittance : float
        Mean in linear light; noise may make it negative.
    sigma : float
        Its standard error from photon and read noise.
    sites : int
        Photosites averaged.
    """

    transmittance: float
    sigma: float
    sites: int

    @property
    def density(self) -> float:
        """``-log10 T``; infinite where nothing came through."""
        return density_of(self.transmittance)

    @property
    def density_sigma(self) -> float:
        """Standard error in density, to first order: ``sigma / (T ln 10)``."""
        return self.sigma / (max(self.transmittance, 1e-9) * LN10)


@dataclass(frozen=True, slots=True, kw_only=True)
class PatchReading:
    """What was read in one area.

    Attributes
    ----------
    all : Mean
        Over every photosite.
    colours : dict of str to Mean
        By "red", "green", "blue"; only "green" stands for a picture without colour.
    spread : float
        Standard deviation between tiles of the area, D: dust, grain and picture.
    left_out : float
        Share of the area left out as dust, scratch or clipped.
    """

    all: Mean
    colours: dict[str, Mean]
    spread: float
    left_out: float


def density_of(transmittance: float) -> float:
    """Return ``-log10 T``, infinite where T is not positive.

    Examples
    --------
    >>> density_of(0.01), density_of(0.0)
    (2.0, inf)
    """
    return float(-np.log10(transmittance)) if transmittance > 0 else float("inf")


def read_patch(image: PlateImage, quad: Doubles, *, robust: bool) -> PatchReading | None:
    """Read the mean transmittance inside a quadrilateral.

    Parameters
    ----------
    image : PlateImage
        TRANSMITTANCE, shape (M, N) with its mosaic, or (M, N, 3).
    quad : ndarray of float64, shape (4, 2)
        Corners in turn, ``(row, column)``; photosites whose centre is inside count.
    robust : bool
        Leave out tiles of the area that stand apart: right for a step, which is even, and wrong
        for a picture.

    Returns
    -------
    PatchReading or None
        None where no valid photosite of the capture lies inside.
    """
    box = _box(quad, image.shape)
    if box is None:
        return None
    rows, cols = box
    inside = _inside(quad, rows, cols)
    wanted = int(inside.sum())
    if image.valid is not None:
        inside &= image.valid[rows, cols]
    pixels = image.pixels[rows, cols]
    spread = 0.0
    if inside.any():
        tiles = _tiles(inside.shape, image.pattern.shape)
        inside, spread = _without_specks(pixels, inside, tiles, robust=robust)
    if not inside.any():
        return None
    planes = _planes(image, pixels, inside, rows, cols)
    means = {
        name: mean
        for colour, name in enumerate(COLOURS)
        if (mean := _mean([p for p in planes if p[0] == colour])) is not None
    }
    whole = _mean(planes)
    assert whole is not None
    if image.pixels.ndim == 3:
        whole = Mean(transmittance=whole.transmittance, sigma=whole.sigma, sites=int(inside.sum()))
    return PatchReading(
        all=whole, colours=means, spread=spread, left_out=1 - inside.sum() / max(wanted, 1)
    )


def _box(quad: Doubles, shape: tuple[int, int]) -> tuple[slice, slice] | None:
    low = np.maximum(np.ceil(quad.min(axis=0)), 0).astype(int)
    high = np.minimum(np.floor(quad.max(axis=0)) + 1, shape).astype(int)
    if (high <= low).any():
        return None
    return slice(low[0], high[0]), slice(low[1], high[1])


def _inside(quad: Doubles, rows: slice, cols: slice) -> NDArray[np.bool_]:
    """Tell which photosite centres lie inside a convex quadrilateral, whichever way it turns."""
    y = np.arange(rows.start, rows.stop)[:, None]
    x = np.arange(cols.start, cols.stop)[None]
    signs = []
    for (r0, c0), (r1, c1) in zip(quad, np.roll(quad, -1, axis=0), strict=True):
        signs.append((c1 - c0) * (y - r0) - (r1 - r0) * (x - c0))
    right = np.all([s >= 0 for s in signs], axis=0)
    left = np.all([s <= 0 for s in signs], axis=0)
    return np.asarray(right | left, bool)


def _tiles(shape: tuple[int, int], period: tuple[int, ...]) -> NDArray[np.intp]:
    """Return the tile each site is in; a tile holds whole periods of the filter pattern."""
    sides = [
        p * max(1, round(n / (_TILES_ALONG * p))) for n, p in zip(shape, period[:2], strict=True)
    ]
    down, along = np.arange(shape[0]) // sides[0], np.arange(shape[1]) // sides[1]
    return np.asarray(down[:, None] * (along[-1] + 1) + along[None], np.intp)


def _without_specks(
    pixels: Floats, inside: NDArray[np.bool_], tiles: NDArray[np.intp], *, robust: bool
) -> tuple[NDArray[np.bool_], float]:
    """Leave out tiles that stand apart; return what is left, and the spread between tiles (D)."""
    values = pixels[inside] if pixels.ndim == 2 else pixels[inside].mean(axis=1)
    tile, last = tiles[inside], int(tiles.max()) + 1
    count = np.bincount(tile, minlength=last)
    total = np.bincount(tile, values, minlength=last)
    whole = count >= 0.5 * np.max(count)
    if whole.sum() < _LEAST_TILES:
        return inside, 0.0
    means = total / np.maximum(count, 1)
    keep = whole.copy()
    if robust:
        middle = float(np.median(means[whole]))
        width = 1.4826 * float(np.median(np.abs(means[whole] - middle)))
        keep &= np.abs(means - middle) <= _OUTLIER * width + 1e-12
        inside = inside & keep[tiles]
    middle = float(np.mean(means[keep]))
    return inside, float(np.std(means[keep]) / (max(middle, 1e-6) * LN10))


_Plane = tuple[int, float, float, int]  # colour, sum, variance of the sum, sites


def _planes(
    image: PlateImage, pixels: Floats, inside: NDArray[np.bool_], rows: slice, cols: slice
) -> list[_Plane]:
    """Return the sums over each kind of site."""
    if pixels.ndim == 3:
        return [(c, *_sum(pixels[..., c], inside)) for c in range(3)]
    p, q = image.pattern.shape
    planes = []
    for row in range(p):
        for col in range(q):
            part = (slice((row - rows.start) % p, None, p), slice((col - cols.start) % q, None, q))
            planes.append((int(image.pattern[row, col]), *_sum(pixels[part], inside[part])))
    return planes


def _sum(values: Floats, inside: NDArray[np.bool_]) -> tuple[float, float, int]:
    """Return the sum, the variance of the sum and the number of the sites inside."""
    sites = int(inside.sum())
    if sites == 0:
        return 0.0, 0.0, 0
    squares, number = 0.0, 0
    for v, m in ((values, inside), (values.T, inside.T)):
        if v.shape[1] < 3 or number >= _ENOUGH_DIFFERENCES:
            continue
        every = max(1, v.size // _ENOUGH_DIFFERENCES)
        v, m = v[::every].astype(np.float64), m[::every]
        trio = m[:, :-2] & m[:, 1:-1] & m[:, 2:]
        bend = (v[:, :-2] - 2 * v[:, 1:-1] + v[:, 2:])[trio]
        squares += float(np.square(bend).sum())
        number += bend.size
    if number >= _LEAST_DIFFERENCES:
        variance = squares / (_SECOND_DIFFERENCE_GAIN * number)
    else:
        variance = float(np.var(values[inside], dtype=np.float64)) * sites / max(sites - 1, 1)
    return float(values[inside].sum(dtype=np.float64)), variance * sites, sites


def _mean(planes: list[_Plane]) -> Mean | None:
    sites = sum(plane[3] for plane in planes)
    if sites == 0:
        return None
    return Mean(
        transmittance=sum(plane[1] for plane in planes) / sites,
        sigma=float(np.sqrt(sum(plane[2] for plane in planes))) / sites,
        sites=sites,
    )


def quad_around(middle: Doubles, height: float, width: float) -> Doubles:
    """Return an upright quadrilateral around a place, ``(row, column)``."""
    half = np.array([height, width]) / 2
    turn = np.array([[-1, -1], [-1, 1], [1, 1], [1, -1]])
    return np.asarray(middle + turn * half, np.float64)


def mapped(points: Doubles, homography: Doubles) -> Doubles:
    """Return ``(row, column)`` points through a homography on ``(x, y)``."""
    return np.asarray(
        cv2.perspectiveTransform(points[None, :, ::-1].astype(np.float64), homography)[0][:, ::-1]
    )
