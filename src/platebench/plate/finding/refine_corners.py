"""The plate's four sides: robust lines, first on the reduced outline, then where the light changes.

Each side has its own frame: ``along`` runs with the side, ``inward`` into the plate, both unit
vectors in ``(row, column)``. A side is the line ``d = slope * a + offset`` where ``a`` and ``d``
are a point's components on ``along`` and ``inward``.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from platebench.plate.finding.edge_profiles import Edges, cut_profiles, first_edges
from platebench.plate.finding.mean_profile import MeanProfile, average_profiles

SIDE_NAMES = ("top", "right", "bottom", "left")
STATIONS = 240  # places along a side where its edge is measured
EVEN = 0.05  # change of the picture within 3 pixels that does not shape the mean profile
EVENEST = 0.4  # share of the stations kept where more than that are less even
TIGHT_PX = 0.35  # off a straight edge of glass
CLEAR_SHARE = 0.4  # of the stations: so many show clear light, or all are used
OUTSIDE_COSTS = 1.0  # votes of places on a line, for each outside it
STEEPEST = 0.12  # slope of a side against the outline's mean direction

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
    span : float
        Share of the side's length between the outermost of its tenths that follow the line, 0..1.
    inside_level : float
        Median transmittance just inside the edge.
    profile : MeanProfile or None
        Mean profile across the side.
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
    span: float = 0.0
    inside_level: float = 0.0
    profile: MeanProfile | None = None

    def depth_at(self, along: Doubles) -> Doubles:
        """Return where the line runs, for places along it."""
        depth: Doubles = self.slope * along + self.offset
        return depth

    def scaled(self, block: int) -> Side:
        """Return the side in the pixels of a picture of which this was reduced by ``block``."""
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


def outline_of(mask: Mask) -> Doubles:
    """Return the longest outline of a blob, shape (k, 2), (row, column)."""
    contours, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    longest = max(contours, key=len)
    return np.asarray(longest[:, 0, ::-1], np.float64)  # OpenCV gives x, y


def sides_of_outline(mask: Mask) -> tuple[Side, Side, Side, Side]:
    """Return the four sides of a blob, from its outermost outline.

    Parameters
    ----------
    mask : ndarray of uint8, shape (m, n)
        1 inside; chipped, ragged or with things attached.
    """
    outline = outline_of(mask)
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
    pixels: NDArray[np.float32],
    side: Side,
    *,
    brighter: bool,
    reach: int,
    outward: int,
    blur_px: float | None = None,
    narrow: bool = False,
    ragged: float = 0.0,
) -> Side | None:
    """Measure one side at many stations, and fit a line.

    Parameters
    ----------
    pixels : ndarray of float32, shape (m, n)
        Transmittance.
    brighter : bool
        The glass is brighter than the surround.
    reach, outward : int
        How far from the line to look, in pixels, into the plate and away from it.
    blur_px : float or None
        See `first_edges`.
    narrow : bool
        The surround is a strip of light that may be narrower than the blur.
    ragged : float
        Pixels off the line that are granted to each station; at least 1 and 0.001 of the side.

    Returns
    -------
    Side or None
        None where hardly any station shows an edge.
    """
    places = np.linspace(side.start, side.stop, STATIONS + 2)[1:-1]
    trim = 0.02 * (side.stop - side.start)
    places = places[(places > side.start + trim) & (places < side.stop - trim)]
    centres = np.outer(places, side.along) + np.outer(side.depth_at(places), side.inward)
    axis = 0 if abs(side.inward[0]) > abs(side.inward[1]) else 1  # walk the rows, or the columns
    forward = bool(side.inward[axis] > 0)
    cut = cut_profiles(pixels, centres, axis=axis, forward=forward, span=(outward, reach))
    edges = first_edges(
        cut.values, brighter=brighter, outside=outward, blur_px=blur_px, narrow=narrow
    )
    seen = np.isfinite(edges.depths)
    if np.count_nonzero(seen) < max(8, 0.1 * len(places)):
        return None
    points = cut.centres
    points[:, axis] = cut.firsts + edges.depths if forward else cut.firsts - edges.depths
    a, d = points[seen] @ side.along, points[seen] @ side.inward
    tolerance = max(1.0, 0.001 * (side.stop - side.start), ragged)
    told = edges.clear[seen]
    if not narrow or np.mean(told) < CLEAR_SHARE:
        told = np.ones(len(a), bool)
    slope, offset = fit_line(a[told], d[told], tolerance)
    if not brighter and not ragged:
        slope, offset = _outermost(a[told], d[told], slope, offset)
    away = d - (slope * a + offset)
    near = np.abs(away) < tolerance
    profile = None
    if np.count_nonzero(near) > 20:
        crossing = points[seen, axis] - away / side.inward[axis]  # where the line cuts each station
        index = (crossing - cut.firsts[seen]) * (1 if forward else -1)
        lean = float(abs(side.inward[axis]))
        profile = _mean_profile(edges, np.flatnonzero(seen)[near], index[near], lean)
    return replace(
        side,
        slope=slope,
        offset=offset,
        support=float(np.count_nonzero(near) / len(places)),
        scatter=1.4826 * float(np.median(np.abs(away[near]))) if near.any() else np.inf,
        contrast=edges.contrast,
        bow=_bow(a, away, np.abs(away) < 4 * tolerance),
        beyond=float(np.count_nonzero(away < -2 * tolerance) / len(places)),
        span=_span(a[near], side),
        inside_level=edges.inside_level,
        profile=profile,
    )


def _mean_profile(
    edges: Edges, stations: NDArray[np.int_], crossings: Doubles, lean: float
) -> MeanProfile | None:
    """Average the profiles of the stations that lie on the line."""
    rises = edges.rises[stations]
    reached = crossings + np.median(edges.peaks[stations] - crossings) + 0.5
    heights = _heights_at(rises, reached)
    use = heights > 0
    if edges.brighter:  # a picture that begins at the edge must not pass for the edge's own shape
        uneven = np.abs(_heights_at(rises, reached + 3) / np.where(use, heights, 1) - 1)
        use &= uneven <= max(EVEN, float(np.quantile(uneven[use], EVENEST))) if use.any() else False
    if not use.any():
        return None
    distances = (np.arange(rises.shape[1]) - crossings[:, None]) * lean
    return average_profiles(
        distances[use],
        rises[use],
        heights[use],
        level=edges.level,
        noise=2 * max(edges.noise / np.sqrt(np.count_nonzero(use)), 1e-4),
        brighter=edges.brighter,
    )


def _heights_at(rises: Doubles, places: Doubles) -> Doubles:
    """Return each profile's mean over one pixel from a place that need not be whole."""
    total = np.zeros(len(rises))
    rows, last = np.arange(len(rises)), rises.shape[1] - 2
    for ahead in (0.0, 0.5, 1.0):
        at = np.clip(places + ahead, 0, last)
        low = at.astype(int)
        share = at - low
        total += (1 - share) * rises[rows, low] + share * rises[rows, low + 1]
    heights: Doubles = np.nan_to_num(total / 3)
    return heights


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


def _outermost(a: Doubles, d: Doubles, slope: float, offset: float) -> tuple[float, float]:
    """Move a line to the straight edge furthest out, if there is one.

    Where the emulsion was poured by hand and the glass that it left bare hardly shows, the places
    measured wander into the plate, and lie on a straight line only where it reaches the glass's
    end. Nothing wanders the other way: places inside a line say nothing against it.
    """
    order = np.argsort(a)
    noise = 1.4826 * float(np.median(np.abs(np.diff(d[order])))) / np.sqrt(2)
    tight = max(TIGHT_PX, 2 * noise)
    slopes, offsets = _trial_lines(a, d)
    slopes, offsets = np.append(slopes, slope), np.append(offsets, offset)
    away = d[None, :] - slopes[:, None] * a[None, :] - offsets[:, None]
    votes = np.sum(np.clip(1 - np.abs(away) / tight, 0, None), axis=1)
    best = int(np.argmax(votes - OUTSIDE_COSTS * np.sum(away < -2 * tight, axis=1)))
    slope, offset = float(slopes[best]), float(offsets[best])
    for _ in range(4):
        off = d - slope * a - offset
        weight = np.square(np.clip(1 - np.square(off / (1.5 * tight)), 0, None))
        if np.count_nonzero(weight) < 8:
            break
        slope, offset = _weighted_line(a, d, weight)
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


def _span(a: Doubles, side: Side) -> float:
    """Return the share of the side from the first to the last of its tenths that follow a line."""
    tenths = np.linspace(side.start, side.stop, 11)
    held = np.flatnonzero(np.histogram(a, tenths)[0] > 0.03 * STATIONS)
    return float(held[-1] - held[0] + 1) / 10 if len(held) else 0.0


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
