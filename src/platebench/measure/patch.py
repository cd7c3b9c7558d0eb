"""The mean transmittance of a small four-sided area, its standard error, and its colours.

The mean is taken in linear light and turned into density afterwards: the mean of densities is
biased where noise is not small against the signal. The noise of a photosite is measured on the
spot, from second differences between like-coloured neighbours, so that the picture itself, which
changes slowly from site to site, stays out of it; where there are few, the camera's noise model
steps in.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import partial

import cv2
import numpy as np
from numpy.typing import NDArray

from platebench.core.image import PlateImage
from platebench.measure.scan_noise import TWO_THIRDS, left_in_mean, lost_in_black, rounding_error
from platebench.measure.site_noise import GREY, SiteNoise
from platebench.plate.smooth_field import site_classes

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
_MODEL_COUNTS = 60  # differences, of one kind of site, that the noise model is worth


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
    spread : float or None
        Standard deviation between tiles of the area, D: dust, grain and picture. Between its
        sites, noise included, where it is too small for tiles; None for a single site.
    left_out : float
        Share of the area left out as dust, scratch or clipped.
    clipped : float
        Share of the area that has no valid light: clipped.
    """

    all: Mean
    colours: dict[str, Mean]
    spread: float | None
    left_out: float
    clipped: float = 0.0


def evenness_error(spread: float | None) -> float:
    """Return how well the mean over an area stands for a step that is meant to be even, D.

    Its tiles differ by grain, dust and uneven coating, whatever the noise; of 100, 60 are counted,
    since neighbours are alike (a choice of ours, no source).
    """
    return 0.0 if spread is None else spread / math.sqrt(60.0)


def density_of(transmittance: float) -> float:
    """Return ``-log10 T``, infinite where T is not positive.

    Examples
    --------
    >>> density_of(0.01), density_of(0.0)
    (2.0, inf)
    """
    return float(-np.log10(transmittance)) if transmittance > 0 else float("inf")


def read_patch(
    image: PlateImage, quad: Doubles, *, robust: bool, noise: SiteNoise | None = None
) -> PatchReading | None:
    """Read the mean transmittance inside a quadrilateral.

    Parameters
    ----------
    image : PlateImage
        Transmittance, shape (M, N) with its mosaic, or (M, N, 3).
    quad : ndarray of float64, shape (4, 2)
        Corners in turn, ``(row, column)``; photosites whose centre is inside count.
    robust : bool
        Leave out tiles of the area that stand apart: right for a step, which is even, and wrong
        for a picture.
    noise : SiteNoise, optional
        Noise and steps of single sites: what a few sites cannot show by themselves. Without it
        the standard error of a single site is infinite.

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
    clipped = 1 - inside.sum() / max(wanted, 1)
    pixels = image.pixels[rows, cols]
    spread = None
    if inside.any():
        tiles = _tiles(inside.shape, image.pattern.shape)
        inside, spread = _without_specks(pixels, inside, tiles, robust=robust)
    if not inside.any():
        return None
    planes = _planes(image, pixels, inside, (rows.start, cols.start), noise)
    means = {
        name: mean
        for colour, name in enumerate(COLOURS)
        if (mean := _mean([p for p in planes if p.colour == colour])) is not None
    }
    if pixels.ndim == 3:
        at = ((rows.start + rows.stop) / 2, (cols.start + cols.stop) / 2)
        planes = [_plane(pixels.mean(axis=2), inside, 3, (GREY, at), noise)]
    whole = _mean(planes)
    assert whole is not None
    return PatchReading(
        all=whole,
        colours=means,
        spread=_site_spread(planes, whole) if spread is None else spread,
        left_out=1 - inside.sum() / max(wanted, 1),
        clipped=clipped,
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
) -> tuple[NDArray[np.bool_], float | None]:
    """Leave out tiles that stand apart; return what is left, and the spread between tiles (D).

    None where there are too few tiles.
    """
    values = pixels[inside] if pixels.ndim == 2 else pixels[inside].mean(axis=1)
    tile, last = tiles[inside], int(tiles.max()) + 1
    count = np.bincount(tile, minlength=last)
    total = np.bincount(tile, values, minlength=last)
    whole = count >= 0.5 * np.max(count)
    if whole.sum() < _LEAST_TILES:
        return inside, None
    means = total / np.maximum(count, 1)
    keep = whole.copy()
    if robust:
        middle = float(np.median(means[whole]))
        width = 1.4826 * float(np.median(np.abs(means[whole] - middle)))
        keep &= np.abs(means - middle) <= _OUTLIER * width + 1e-12
        inside = inside & keep[tiles]
    middle = float(np.mean(means[keep]))
    return inside, float(np.std(means[keep]) / (max(middle, 1e-6) * LN10))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Plane:
    """Sites of one kind: their sum, its variance, what is left of rounding in their mean."""

    colour: int
    total: float
    variance: float
    rounding: float
    squares: float  # about their mean
    sites: int


def _planes(
    image: PlateImage,
    pixels: Floats,
    inside: NDArray[np.bool_],
    start: tuple[int, int],
    noise: SiteNoise | None,
) -> list[_Plane]:
    """Return each kind of site there is in a box."""
    at = (start[0] + inside.shape[0] / 2, start[1] + inside.shape[1] / 2)
    if pixels.ndim == 3:
        return [_plane(pixels[..., c], inside, c, (c, at), noise) for c in range(3)]
    p, q = image.pattern.shape
    classes = site_classes(image.pattern)
    planes = []
    for row in range(p):
        for col in range(q):
            part = (slice((row - start[0]) % p, None, p), slice((col - start[1]) % q, None, q))
            kind = int(classes[row, col]), at
            colour = int(image.pattern[row, col])
            planes.append(_plane(pixels[part], inside[part], colour, kind, noise))
    return planes


def _plane(
    values: Floats,
    inside: NDArray[np.bool_],
    colour: int,
    kind: tuple[int, tuple[float, float]],
    noise: SiteNoise | None,
) -> _Plane:
    """Return the sum over sites of one kind, and how well it is known.

    The variance of a site is measured on the spot, from second differences; the noise model
    counts as much as ``_MODEL_COUNTS`` of them, so that it decides where there are few.
    """
    sites = int(inside.sum())
    if sites == 0:
        return _Plane(colour=colour, total=0.0, variance=0.0, rounding=0.0, squares=0.0, sites=0)
    seen = values[inside].astype(np.float64)
    mean = float(seen.mean())
    squares = float(np.square(seen - mean).sum())
    plane = partial(_Plane, colour=colour, total=mean * sites, squares=squares, sites=sites)
    if noise is not None and noise.scan:
        variance, rounding = _of_scan(values, inside, kind, noise)
        return plane(variance=variance * sites, rounding=rounding)
    bends, number = _bends(values, inside)
    modelled = None if noise is None else noise.variance(*kind, mean)
    if modelled is not None:
        variance = (bends + _MODEL_COUNTS * modelled) / (number + _MODEL_COUNTS)
    elif number >= _LEAST_DIFFERENCES:
        variance = bends / number
    else:
        variance = squares / (sites - 1) if sites > 1 else float("inf")
    rounding = 0.0
    if noise is not None:
        step = noise.step(*kind, mean)
        if modelled is None and number < _LEAST_DIFFERENCES:
            variance = 0.0 if sites == 1 else variance  # what is left is rounding
        if noise.block_step is None:
            rounding = rounding_error(step, max(squares / sites, modelled or 0.0))
        else:  # whole blocks were rounded, and their pixels when unpacked, noise or not: a bound
            rounding = TWO_THIRDS * math.hypot(1.0, noise.block_step) * step / math.sqrt(12)
        variance *= noise.kinship[colour].of(sites)
    return plane(variance=variance * sites, rounding=rounding)


def _of_scan(
    values: Floats,
    inside: NDArray[np.bool_],
    kind: tuple[int, tuple[float, float]],
    noise: SiteNoise,
) -> tuple[float, float]:
    """Return the variance of a pixel of a scan, and the error that does not average out.

    The noise is the scanner's at this light: what more there is, is grain and picture, which are
    no error but keep the rounding from being one.
    """
    mean = float(values[inside].mean(dtype=np.float64))
    step = noise.step(*kind, mean)
    before = noise.noise_in_codes(*kind, mean)
    left = left_in_mean(noise.codes(*kind, values), inside, before)
    share = noise.grey_share if kind[0] == GREY else 1.0
    variance = share * max(before**2 + 1 / 12 - left, 0.0)
    lost = lost_in_black(mean + noise.glare * noise.level, before * step)  # glare was counted, too
    return variance * step**2, math.hypot(TWO_THIRDS * math.sqrt(left) * step, lost)


def _bends(values: Floats, inside: NDArray[np.bool_]) -> tuple[float, int]:
    """Return the sum of squared second differences, scaled to variances, and their number."""
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
    return squares / _SECOND_DIFFERENCE_GAIN, number


def _mean(planes: list[_Plane]) -> Mean | None:
    sites = sum(plane.sites for plane in planes)
    if sites == 0:
        return None
    noise = math.sqrt(sum(plane.variance for plane in planes)) / sites
    # Like light is rounded alike in all colours, so what rounding leaves does not average out.
    rounding = sum(plane.rounding * plane.sites for plane in planes) / sites
    return Mean(
        transmittance=sum(plane.total for plane in planes) / sites,
        sigma=math.hypot(noise, rounding),
        sites=sites,
    )


def _site_spread(planes: list[_Plane], whole: Mean) -> float | None:
    """Return the standard deviation of sites about the mean of their kind, D; None for one each."""
    freedom = sum(plane.sites - 1 for plane in planes if plane.sites)
    if freedom < 1:
        return None
    deviation = math.sqrt(sum(plane.squares for plane in planes) / freedom)
    return deviation / (max(whole.transmittance, 1e-6) * LN10)


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
