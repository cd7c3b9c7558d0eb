"""The plate in a mask's opening or between rails: its own sides, not those of what lies around it.

Between mask and glass there may be a strip of bare light, wide or narrow, and wider at one end: the
two are rarely parallel. Each side is sought along the strip's inner end, place by place.
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from platebench.plate.finding.edge_profiles import cut_profiles
from platebench.plate.finding.refine_corners import STATIONS, Side, fit_line
from platebench.plate.finding.surround import BARE, TOO_BRIGHT

WIDEST = 0.06  # of a side: a wider gap shows in the outline
OUTSIDE_PX = 4  # of the opening's edge: where its strip of light may begin
CLEAR_PX = 2.0  # pixels of bare light that make a strip
STRIP_SHARE = 0.5  # of a side's places that show one
NO_STRIP = 0.1
SURE_SIDES = 2  # with a strip of light, before a narrower line along another is taken for one
PEAK = 0.8  # of the light that such a line must reach
OPAQUE_RAIL = 0.06  # of the light, what leaks on to it included
WIDEST_RAIL = 0.3  # of the frame's short side
SHORTEST_RAIL = 0.5  # of the frame's side along it, where a corner of the frame cuts it off
LIGHT_BEYOND = 0.1  # of the rest of the frame that is bare light, where rails lie on a light box
SOLID = 0.9  # of a rail's convex outline that it fills

Doubles = NDArray[np.float64]
Floats = NDArray[np.float32]
Mask = NDArray[np.uint8]


def sides_in_opening(
    pixels: Floats, opening: tuple[Side, ...]
) -> tuple[tuple[Side, ...], tuple[int | None, ...]] | None:
    """Return where the plate's sides run inside an opening's, and how much light lies before each.

    Parameters
    ----------
    pixels : ndarray of float32, shape (m, n)
        Transmittance; 1 is the bare light.
    opening : tuple of Side
        The opening's sides.

    Returns
    -------
    sides : tuple of Side
        Roughly; those of the opening where the plate touches it.
    room : tuple of int or None
        Pixels of bare light along most of each side; None where the plate touches the opening.
    None where a strip of light lies along no side, or along one that says neither.
    """
    seen = [_behind_the_light(pixels, side) for side in opening]
    if sum(found is not None and found[1] is not None for found in seen) < SURE_SIDES:
        return None
    sides: list[Side] = []
    room: list[int | None] = []
    for side, known in zip(opening, seen, strict=True):
        found = known or _behind_the_peak(pixels, side)
        if found is None:
            return None
        sides.append(found[0])
        room.append(found[1])
    return tuple(sides), tuple(room)


def _behind_the_light(pixels: Floats, side: Side) -> tuple[Side, int | None] | None:
    length = side.stop - side.start
    places = np.linspace(side.start, side.stop, STATIONS + 2)[1:-1]
    places = places[(places > side.start + 0.04 * length) & (places < side.stop - 0.04 * length)]
    centres = np.outer(places, side.along) + np.outer(side.depth_at(places), side.inward)
    axis = 0 if abs(side.inward[0]) > abs(side.inward[1]) else 1
    forward = bool(side.inward[axis] > 0)
    reach = int(np.ceil(WIDEST * length)) + 4
    cut = cut_profiles(pixels, centres, axis=axis, forward=forward, span=(OUTSIDE_PX, reach))
    values = np.nan_to_num(cut.values)
    bare = (values > BARE) & (values < TOO_BRIGHT)
    begins = np.argmax(bare, axis=1)
    lit = bare.any(axis=1) & (begins < 3 * OUTSIDE_PX)
    dark = ~bare & (np.arange(values.shape[1]) > begins[:, None])
    ends = np.where(dark.any(axis=1), np.argmax(dark, axis=1), np.inf)
    strip = lit & np.isfinite(ends) & (ends - begins >= CLEAR_PX)
    share = float(strip.mean())
    if lit.mean() < NO_STRIP:
        return side, None
    if share < STRIP_SHARE:
        return None
    points = cut.centres[strip]
    shift = ends[strip] - 0.5
    points[:, axis] = cut.firsts[strip] + (shift if forward else -shift)
    a, d = points @ side.along, points @ side.inward
    slope, offset = fit_line(a, d, max(1.5, 0.002 * length))
    near = np.abs(d - slope * a - offset) < max(2.0, 0.003 * length)
    if near.mean() < STRIP_SHARE:
        return None
    gaps = slope * places + offset - side.depth_at(places)
    rough = replace(side, slope=slope, offset=offset, support=float(near.mean()))
    return rough, max(2, int(np.percentile(gaps, 20)) - 1)


def _behind_the_peak(pixels: Floats, side: Side) -> tuple[Side, int | None] | None:
    """Return a side behind a line of light too narrow for its blur to let it reach its level."""
    length = side.stop - side.start
    places = np.linspace(side.start, side.stop, STATIONS + 2)[1:-1]
    centres = np.outer(places, side.along) + np.outer(side.depth_at(places), side.inward)
    axis = 0 if abs(side.inward[0]) > abs(side.inward[1]) else 1
    forward = bool(side.inward[axis] > 0)
    cut = cut_profiles(
        pixels, centres, axis=axis, forward=forward, span=(OUTSIDE_PX, 3 * OUTSIDE_PX)
    )
    values = np.nan_to_num(cut.values)
    peak = np.argmax(values, axis=1)
    if np.median(values.max(axis=1)) < PEAK:
        return None
    points = cut.centres
    points[:, axis] = cut.firsts + (peak + 1.0) * (1 if forward else -1)
    a, d = points @ side.along, points @ side.inward
    slope, offset = fit_line(a, d, max(1.5, 0.002 * length))
    near = np.abs(d - slope * a - offset) < max(2.0, 0.003 * length)
    if near.mean() < STRIP_SHARE:
        return None
    return replace(side, slope=slope, offset=offset, support=float(near.mean())), 2


def rails_across(small: Floats) -> NDArray[np.bool_] | None:
    """Mark opaque bars that run across the whole frame, their blurred edges included.

    Parameters
    ----------
    small : ndarray of float32, shape (m, n)
        Transmittance, reduced.

    Returns
    -------
    ndarray of bool, shape (m, n), or None
        None where there are none.
    """
    dark = (small < OPAQUE_RAIL).astype(np.uint8)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(dark, connectivity=4)
    rows, columns = small.shape
    rails = np.zeros(small.shape, np.uint8)
    for k in range(1, count):
        left, top, wide, high, area = (int(value) for value in stats[k])
        borders = (left == 0) + (left + wide == columns) + (top == 0) + (top + high == rows)
        if borders < 2 or max(wide / columns, high / rows) < SHORTEST_RAIL:
            continue
        part = (labels == k).astype(np.uint8)
        contours, _ = cv2.findContours(part, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
        hull = cv2.convexHull(np.vstack(contours))
        # A bar, whole or cut off by the frame's corner, bulges nowhere; a holder has a hole.
        solid = area > SOLID * cv2.contourArea(hull)
        if solid and min(cv2.minAreaRect(hull)[1]) < WIDEST_RAIL * min(rows, columns):
            rails |= part
    if not rails.any() or np.mean(small[rails == 0] > BARE) < LIGHT_BEYOND:
        return None
    marked: NDArray[np.bool_] = cv2.dilate(rails, np.ones((5, 5), np.uint8)) > 0
    return marked


def region_mask(sides_corners: Doubles, shape: tuple[int, ...], block: int) -> Mask:
    """Return a reduced picture's mask, 1 within four corners of the full one."""
    mask = np.zeros(shape[:2], np.uint8)
    points = ((sides_corners + 0.5) / block - 0.5)[:, ::-1]
    cv2.fillConvexPoly(mask, np.round(points).astype(np.int32), 1)
    return mask
