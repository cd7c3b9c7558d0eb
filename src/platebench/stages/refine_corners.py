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
STEEPEST = 0.12  # slope of a side against the outline's mean direction
CLIMB = 14  # pixels within which an edge reaches its height, mosaic of period 6 included
FAINTEST = 0.015  # of the light: what clear glass takes is 0.08 (two surfaces, Fresnel, n = 1.52)

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
    beyond : float
        Share of the stations whose edge lies clearly outside the line, 0..1.
    inside_level : float
        Median transmittance just inside the edge.
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
    beyond: float = 0.0
    inside_level: float = 0.0

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


def refine_side(
    image: PlateImage, side: Side, *, brighter: bool, reach: int, outward: int
) -> Side | None:
    """Measure one side at full resolution.

    At each of many stations the picture is averaged over a few pixels along the side, the level
    of the surround is taken from outside, and the edge is where the picture has gone half way from
    there to the first plateau or refracting line inside: unbiased under a symmetric blur.

    Parameters
    ----------
    brighter : bool
        The glass is brighter than the surround.
    reach, outward : int
        How far from the line to look, in pixels, into the plate and away from it.

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
    profiles, firsts = _profiles(image, centres, axis=axis, forward=forward, span=(outward, reach))
    depth, contrast, inside_level = _first_edges(
        profiles, brighter=brighter, outside=max(2, outward // 2)
    )
    seen = np.isfinite(depth)
    if np.count_nonzero(seen) < max(8, 0.1 * len(places)):
        return None
    points = centres.copy()
    points[:, axis] = firsts + depth if forward else firsts - depth
    a, d = points[seen] @ side.along, points[seen] @ side.inward
    tolerance = max(1.0, 0.001 * (side.stop - side.start))
    slope, offset = fit_line(a, d, tolerance)
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
        beyond=float(np.count_nonzero(away < -2 * tolerance) / len(places)),
        inside_level=inside_level,
    )


def fit_line(a: Doubles, d: Doubles, tolerance: float) -> tuple[float, float]:
    """Fit ``d = slope * a + offset`` to points of which many may be chips, dust or picture.

    Many lines through two points are tried; of those with at least 0.6 of the best support the
    outermost (smallest d) wins, then Tukey weights polish it.
    """
    slopes, offsets = _trial_lines(a, d)
    away = np.abs(d[None, :] - slopes[:, None] * a[None, :] - offsets[:, None])
    votes = np.sum(np.clip(1 - away / tolerance, 0, None), axis=1)
    strong = votes >= 0.6 * votes.max()
    middle = float(a.mean())
    depth = slopes * middle + offsets
    best = int(np.argmax(votes))
    outer = np.flatnonzero(strong & (depth < depth[best] - 3 * tolerance))
    if len(outer):
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
    return slope, offset


def _trial_lines(a: Doubles, d: Doubles, tries: int = 400) -> tuple[Doubles, Doubles]:
    """Draw lines through pairs of distant points, and one level line through the middle."""
    rng = np.random.default_rng(20)
    n = len(a)
    first = rng.integers(0, n, tries)
    second = (first + rng.integers(max(1, n // 5), max(2, n - n // 5), tries)) % n
    run = a[second] - a[first]
    slopes = np.divide(d[second] - d[first], run, out=np.full(tries, np.inf), where=run != 0)
    kept = np.abs(slopes) < STEEPEST
    slopes, first = np.append(slopes[kept], 0.0), np.append(first[kept], np.argsort(d)[n // 2])
    return slopes, d[first] - slopes * a[first]


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
    """Return the unit vector of the sides that run most nearly along the rows, to the right."""
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
    slope, offset = fit_line(places, depths, 1.2)
    near = np.abs(depths - slope * places - offset) < 1.5
    return Side(along, inward, slope, offset, support=float(near.mean()))


def _with_extent(side: Side, corners: Doubles, k: int) -> Side:
    ends = corners[[k, (k + 1) % 4]] @ side.along
    return replace(side, start=float(ends.min()), stop=float(ends.max()))


def _profiles(
    image: PlateImage, centres: Doubles, *, axis: int, forward: bool, span: tuple[int, int]
) -> tuple[Doubles, Doubles]:
    """Cut one profile a station, from outside inwards, and centre the stations on what was cut.

    Returns
    -------
    profiles : ndarray of float64, shape (stations, about sum(span))
        NaN outside the frame.
    firsts : ndarray of float64, shape (stations,)
        Coordinate on ``axis`` of each profile's first value.
    """
    picture = image.pixels if axis == 0 else np.swapaxes(image.pixels, 0, 1)
    pattern = image.pattern if axis == 0 else image.pattern.T
    deep, wide = picture.shape[:2]
    repeats = max(1, round(float(np.clip(wide / 250, 4, 16)) / pattern.shape[1]))
    width = int(pattern.shape[1]) * repeats
    middle = np.round(centres[:, axis]).astype(int)
    left = np.round(centres[:, 1 - axis] - (width - 1) / 2).astype(int)
    before, after = span if forward else span[::-1]
    rows = middle[:, None] + np.arange(-before, after + 1)
    columns = left[:, None] + np.arange(width)
    inside = (rows >= 0) & (rows < deep) & ((left >= 0) & (left + width <= wide))[:, None]
    cut = picture[np.clip(rows, 0, deep - 1)[:, :, None], np.clip(columns, 0, wide - 1)[:, None, :]]
    profiles = cut.reshape(*rows.shape, -1).mean(axis=2, dtype=np.float64)
    profiles[~inside | ~np.isfinite(profiles)] = np.nan
    centres[:, 1 - axis] = left + (width - 1) / 2
    period = int(pattern.shape[0])
    if period > 1:  # rows of a mosaic see different colours: average a whole period
        profiles = np.lib.stride_tricks.sliding_window_view(profiles, period, axis=1).mean(axis=2)
    firsts = middle - before + (period - 1) / 2
    if not forward:
        profiles, firsts = profiles[:, ::-1], middle + after - (period - 1) / 2
    return profiles, firsts


def _first_edges(
    profiles: Doubles, *, brighter: bool, outside: int
) -> tuple[Doubles, float, float]:
    """Return the first edge of each profile, the step over its noise, the level inside.

    The first value that leaves the surround by more than its noise starts the edge; the edge is
    followed inwards for as long as it climbs, so a faint rebate in front of a dense picture, or a
    dark refracting line in front of a faint rebate, gives the
    height whose half is the glass's edge.
    """
    count, length = profiles.shape
    depth = np.full(count, np.nan)
    inside = np.isfinite(profiles)
    starts = np.argmax(inside, axis=1)
    whole = inside.sum(axis=1) >= max(8, length // 2)
    if not whole.any():
        return depth, 0.0, 0.0
    outer = starts[:, None] + np.arange(outside)
    around = np.take_along_axis(profiles, np.minimum(outer, length - 1), axis=1)[whole]
    levels = np.full(count, np.nan)
    levels[whole] = np.median(around, axis=1)
    noise = np.median(np.abs(around - levels[whole, None]))
    sigma = max(1.4826 * float(noise), 1e-4)
    rise = (profiles - levels[:, None]) * (1 if brighter else -1)
    rise = np.where(np.isfinite(rise), rise, 0.0)
    step = float(np.median(rise[whole].max(axis=1)))
    level = float(np.median(levels[whole]))
    threshold = max(5 * sigma, 0.15 * step if brighter else FAINTEST * level)
    first = np.argmax(rise > threshold, axis=1)
    tops = _plateaus(rise, first, 2 * sigma)
    rows = np.arange(count)
    for back in range(1, CLIMB + 2):
        low, high = first + CLIMB - back - 1, first + CLIMB - back
        low, high = np.clip(low, 0, length - 1), np.clip(high, 0, length - 1)
        before, after = rise[rows, low], rise[rows, high]
        crosses = (before < tops / 2) & (after >= tops / 2)
        depth[crosses] = (low + (tops / 2 - before) / np.where(crosses, after - before, 1))[crosses]
    depth[(first == 0) | ~whole] = np.nan
    tone = levels + tops * (1 if brighter else -1)
    return depth, step / sigma, float(np.median(tone[whole]))


def _plateaus(rise: Doubles, first: NDArray[np.int_], noise: float) -> Doubles:
    """Return how high each profile climbs from ``first`` before it flattens, turns or starts anew.

    A narrow rebate shows as a mere shoulder between the glass's edge and the picture's: a step
    clearly less steep than the steepest so far, followed by a steeper one.
    """
    rows = np.arange(len(rise))
    steps = np.diff(rise, axis=1, append=rise[:, -1:])
    last = rise.shape[1] - 2
    top, climbing = rise[rows, first], np.ones(len(rise), bool)
    steepest = steps[rows, np.maximum(first - 1, 0)]
    for ahead in range(CLIMB):
        at = np.minimum(first + ahead, last)
        step, following = steps[rows, at], steps[rows, at + 1]
        shoulder = (step < 0.6 * steepest) & (following > 1.15 * step + noise)
        climbing &= (step > np.maximum(noise, 0.2 * steepest)) & ~shoulder
        top = np.where(climbing, rise[rows, at + 1], top)
        top = np.where(shoulder & (ahead > 0) & climbing, top + step / 2, top)
        steepest = np.maximum(steepest, step)
    return top
