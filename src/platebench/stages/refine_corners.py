"""The plate's four sides: robust lines, first on the reduced outline, then at full resolution.

Each side has its own frame: ``along`` runs with the side, ``inward`` into the plate, both unit
vectors in ``(row, column)``. A side is the line ``d = slope * a + offset`` where ``a`` and ``d``
are a point's components on ``along`` and ``inward``.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from platebench.image import PlateImage

SIDE_NAMES = ("top", "right", "bottom", "left")
STATIONS = 240  # places along a side where its edge is measured

Doubles = NDArray[np.float64]
Mask = NDArray[np.uint8]


@dataclass(frozen=True, slots=True, eq=False)
class Side:
    """One side of the plate.

    Attributes
    ----------
    along, inward : ndarray of float64, shape (2,)
        Unit vectors, (row, column).
    slope, offset : float
        The line, ``d = slope * a + offset``.
    start, stop : float
        Extent of the side on ``along``, in pixels.
    support : float
        Share of the stations that lie on the line, 0..1.
    scatter : float
        Robust spread of those about the line, in pixels.
    contrast : float
        Step at the edge over its noise.
    bow : float
        Sagitta of a parabola through the stations, in pixels.
    rival : float
        Support of the best parallel line further out, 0..1.
    """

    along: Doubles
    inward: Doubles
    slope: float
    offset: float
    start: float = 0.0
    stop: float = 0.0
    support: float = 0.0
    scatter: float = 0.0
    contrast: float = 0.0
    bow: float = 0.0
    rival: float = 0.0

    def depth_at(self, along: Doubles) -> Doubles:
        """Return where the line runs, for places along it."""
        depth: Doubles = self.slope * along + self.offset
        return depth

    def scaled(self, block: int) -> Side:
        """Return the side in pixels of the full picture, from that reduced by ``block``."""
        shift = np.full(2, (block - 1) / 2)
        moved_a, moved_d = float(shift @ self.along), float(shift @ self.inward)
        return replace(
            self,
            offset=self.offset * block + moved_d - self.slope * moved_a,
            start=self.start * block + moved_a,
            stop=self.stop * block + moved_a,
            scatter=self.scatter * block,
            bow=self.bow * block,
        )


def sides_of_outline(mask: Mask) -> tuple[Side, Side, Side, Side]:
    """Return the four sides of a blob, from its outermost outline.

    Parameters
    ----------
    mask : ndarray of uint8, shape (m, n)
        1 inside; chipped, ragged or with things attached.
    """
    contours, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    outline = max(contours, key=len)[:, 0, ::-1].astype(np.float64)  # OpenCV gives x, y
    right = _direction(outline)
    down = np.array([right[1], -right[0]])
    frames = ((right, down), (down, -right), (-right, -down), (-down, right))
    sides = [_outline_side(outline, along, inward) for along, inward in frames]
    corners = corners_of(sides)
    return tuple(_with_extent(side, corners, k) for k, side in enumerate(sides))  # type: ignore[return-value]


def corners_of(sides: list[Side] | tuple[Side, ...]) -> Doubles:
    """Return the intersections of neighbouring sides: top left, top right, bottom right, left.

    Returns
    -------
    ndarray of float64, shape (4, 2)
        (row, column); not finite where two sides are parallel.
    """
    corners = np.empty((4, 2))
    for k in range(4):
        first, second = sides[k - 1], sides[k]
        normals = np.stack([s.inward - s.slope * s.along for s in (first, second)])
        try:
            corners[k] = np.linalg.solve(normals, [first.offset, second.offset])
        except np.linalg.LinAlgError:
            corners[k] = np.nan
    return corners


def refine_side(image: PlateImage, side: Side, *, brighter: bool, reach: int) -> Side | None:
    """Measure one side at full resolution.

    At each of many stations the picture is averaged over a few pixels along the side, the level
    of the surround is taken from outside, and the edge is where the picture has gone half way from
    there to the first plateau or refracting line inside: unbiased under a symmetric blur.

    Parameters
    ----------
    brighter : bool
        The glass is brighter than the surround.
    reach : int
        How far from the line to look, in pixels, both ways.

    Returns
    -------
    Side or None
        None where hardly any station shows an edge.
    """
    places = np.linspace(side.start, side.stop, STATIONS + 2)[1:-1]
    trim = 0.02 * (side.stop - side.start)
    places = places[(places > side.start + trim) & (places < side.stop - trim)]
    centres = np.outer(places, side.along) + np.outer(side.depth_at(places), side.inward)
    rises = abs(side.inward[0]) > abs(side.inward[1])  # walk down the rows, or along them
    axis = 0 if rises else 1
    forward = side.inward[axis] > 0
    profiles, firsts = _profiles(image, centres, axis=axis, forward=forward, reach=reach)
    depth, contrast = _first_edges(profiles, brighter=brighter)
    seen = np.isfinite(depth)
    if np.count_nonzero(seen) < max(8, 0.1 * len(places)):
        return None
    points = centres.copy()
    points[:, axis] = firsts + depth if forward else firsts - depth
    a, d = points[seen] @ side.along, points[seen] @ side.inward
    tolerance = max(1.0, 0.001 * (side.stop - side.start))
    slope, offset, rival = fit_line(a, d, tolerance)
    away = d - (slope * a + offset)
    near = np.abs(away) < tolerance
    support = np.count_nonzero(near) / len(places)
    scatter = 1.4826 * float(np.median(np.abs(away[near]))) if near.any() else np.inf
    return replace(
        side,
        slope=slope,
        offset=offset,
        support=float(support),
        scatter=scatter,
        contrast=contrast,
        bow=_bow(a, away, np.abs(away) < 4 * tolerance),
        rival=rival,
    )


def fit_line(a: Doubles, d: Doubles, tolerance: float) -> tuple[float, float, float]:
    """Fit ``d = slope * a + offset`` to points of which many may be chips, dust or picture.

    Many lines through two points are tried; of those with at least 0.6 of the best support the
    outermost (smallest d) wins, then Tukey weights polish it.

    Returns
    -------
    slope, offset : float
    rival : float
        Support, 0..1, of the best-supported line that was passed over for being further in.
    """
    rng = np.random.default_rng(20)
    n = len(a)
    first = rng.integers(0, n, 400)
    second = (first + rng.integers(max(1, n // 5), max(2, n - n // 5), 400)) % n
    run = a[second] - a[first]
    good = np.abs(run) > 0
    slopes = np.divide(d[second] - d[first], run, out=np.full(400, 1e3), where=good)
    slopes = np.append(slopes[np.abs(slopes) < 0.12], 0.0)
    bases = np.append(first[: len(slopes) - 1], int(np.argmin(np.abs(d - np.median(d)))))
    kept = np.flatnonzero(
        good
        & (np.abs(np.divide(d[second] - d[first], run, out=np.full(400, 1e3), where=good)) < 0.12)
    )
    bases = np.append(first[kept], int(np.argmin(np.abs(d - np.median(d)))))
    offsets = d[bases] - slopes * a[bases]
    away = np.abs(d[None, :] - slopes[:, None] * a[None, :] - offsets[:, None])
    votes = np.sum(np.clip(1 - away / tolerance, 0, None), axis=1)
    strong = votes >= 0.6 * votes.max()
    middle = float(a.mean())
    depth = slopes * middle + offsets
    best = int(np.argmax(votes))
    outer = np.flatnonzero(strong & (depth < depth[best] - 3 * tolerance))
    rival = 0.0
    if len(outer):
        rival = float(np.mean(away[best] < tolerance))
        best = int(outer[np.argmax(votes[outer])])
    slope, offset = float(slopes[best]), float(offsets[best])
    scale = tolerance
    for _ in range(8):
        off = d - slope * a - offset
        weight = np.square(np.clip(1 - np.square(off / (2.5 * scale)), 0, None))
        if np.count_nonzero(weight) < 4:
            break
        slope, offset = _weighted_line(a, d, weight)
        off = np.abs(d - slope * a - offset)
        scale = max(1.4826 * float(np.median(off[off < 2.5 * scale])) * 2, 0.15 * tolerance)
    return slope, offset, rival


def _weighted_line(a: Doubles, d: Doubles, weight: Doubles) -> tuple[float, float]:
    total = float(weight.sum())
    mean_a, mean_d = float(weight @ a) / total, float(weight @ d) / total
    var = float(weight @ np.square(a - mean_a))
    slope = float(weight @ ((a - mean_a) * (d - mean_d))) / var if var > 0 else 0.0
    return slope, mean_d - slope * mean_a


def _bow(a: Doubles, away: Doubles, use: NDArray[np.bool_]) -> float:
    if np.count_nonzero(use) < 20:
        return 0.0
    half = max(float(np.ptp(a)) / 2, 1.0)
    t = (a - a.mean()) / half
    return abs(float(np.polynomial.polynomial.polyfit(t[use], away[use], 2)[2]))


def _direction(outline: Doubles) -> Doubles:
    """Unit vector of the sides nearest to the frame's columns, pointing right."""
    box = cv2.boxPoints(cv2.minAreaRect(outline[:, ::-1].astype(np.float32)))[:, ::-1]
    edges = np.diff(np.vstack([box, box[:1]]), axis=0).astype(np.float64)
    flattest = edges[np.argmax(np.abs(edges[:, 1]) / (np.hypot(*edges.T) + 1e-9))]
    flattest = flattest / max(float(np.hypot(*flattest)), 1e-9)
    right: Doubles = flattest if flattest[1] > 0 else -flattest
    return right


def _outline_side(outline: Doubles, along: Doubles, inward: Doubles) -> Side:
    a, d = outline @ along, outline @ inward
    bins = np.round(a - a.min()).astype(int)
    nearest = np.full(bins.max() + 1, np.inf)
    np.minimum.at(nearest, bins, d)
    where = np.arange(len(nearest))
    trim = 0.04 * len(nearest)
    use = np.isfinite(nearest) & (where >= trim) & (where <= len(nearest) - 1 - trim)
    if np.count_nonzero(use) < 8:
        use = np.isfinite(nearest)
    places, depths = where[use] + a.min(), nearest[use]
    slope, offset, rival = fit_line(places, depths, 1.2)
    near = np.abs(depths - slope * places - offset) < 1.5
    return Side(along, inward, slope, offset, support=float(near.mean()), rival=rival)


def _with_extent(side: Side, corners: Doubles, k: int) -> Side:
    ends = corners[[k, (k + 1) % 4]] @ side.along
    return replace(side, start=float(ends.min()), stop=float(ends.max()))


def _profiles(
    image: PlateImage, centres: Doubles, *, axis: int, forward: bool, reach: int
) -> tuple[Doubles, Doubles]:
    """Cut one profile a station, from outside inwards.

    Returns
    -------
    profiles : ndarray of float64, shape (stations, 2 * reach + 1)
        NaN outside the frame.
    firsts : ndarray of float64, shape (stations,)
        Coordinate on ``axis`` of each profile's first value.
    """
    picture = image.pixels if axis == 0 else np.swapaxes(image.pixels, 0, 1)
    pattern = image.pattern if axis == 0 else image.pattern.T
    deep, wide = picture.shape[:2]
    width = int(pattern.shape[1]) * max(1, round(max(4, min(16, wide / 250)) / pattern.shape[1]))
    profiles = np.full((len(centres), 2 * reach + 1), np.nan)
    middle = np.round(centres[:, axis]).astype(int)
    left = np.round(centres[:, 1 - axis] - (width - 1) / 2).astype(int)
    for k in range(len(centres)):
        top, bottom = max(middle[k] - reach, 0), min(middle[k] + reach + 1, deep)
        if top >= bottom or left[k] < 0 or left[k] + width > wide:
            continue
        piece = picture[top:bottom, left[k] : left[k] + width]
        mean = piece.reshape(bottom - top, -1).mean(axis=1, dtype=np.float64)
        at = top - (middle[k] - reach)
        profiles[k, at : at + len(mean)] = mean
    centres[:, 1 - axis] = left + (width - 1) / 2
    period = int(pattern.shape[0])
    if period > 1:  # rows of a mosaic see different colours: average a whole period
        profiles = np.apply_along_axis(
            np.convolve, 1, profiles, np.full(period, 1 / period), "valid"
        )
    firsts = middle - reach + (period - 1) / 2
    if not forward:
        profiles = profiles[:, ::-1]
        firsts = middle + reach - (period - 1) / 2
    return profiles, firsts.astype(np.float64)


def _first_edges(profiles: Doubles, *, brighter: bool) -> tuple[Doubles, float]:
    """Return the index of the first edge of each profile (NaN where none), and step over noise."""
    count, length = profiles.shape
    outer = max(3, length // 5)
    depth = np.full(count, np.nan)
    whole = np.isfinite(profiles).sum(axis=1) >= max(6, length // 2)
    if not whole.any():
        return depth, 0.0
    levels = np.full(count, np.nan)
    noise = []
    for k in np.flatnonzero(whole):
        profile = profiles[k]
        finite = np.flatnonzero(np.isfinite(profile))
        outside = profile[finite[0] : finite[0] + outer]
        levels[k] = np.median(outside)
        noise.append(np.median(np.abs(outside - levels[k])))
    sigma = max(1.4826 * float(np.median(noise)), 1e-4)
    rise = profiles - levels[:, None]
    if not brighter:
        rise = -rise
    rise = np.where(np.isfinite(rise), rise, 0.0)
    step = float(np.median(rise[whole].max(axis=1)))
    threshold = max(5 * sigma, 0.25 * step, 0.008)
    for k in np.flatnonzero(whole):
        depth[k] = _half_way(rise[k], threshold)
    return depth, step / sigma


def _half_way(rise: Doubles, threshold: float, flank: int = 7) -> float:
    """Return where a profile first passes half of the first plateau above ``threshold``."""
    above = np.flatnonzero(rise > threshold)
    if not len(above) or above[0] == 0:
        return float("nan")
    first = int(above[0])
    window = rise[first : first + flank]
    top = first + int(np.argmax(window))
    half = float(window.max()) / 2
    below = np.flatnonzero(rise[:top] < half)
    if not len(below):
        return float("nan")
    last = int(below[-1])
    return last + (half - rise[last]) / (rise[last + 1] - rise[last])
