"""Sharpness of the plate's own edges: the same glass all round, so sides can be compared."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from platebench.core.image import SensorFrame
from platebench.measure.checks.sfr import METHOD, NoEdgeError, Sfr, slanted_edge_sfr
from platebench.measure.checks.sites import window_colours, window_light

Floats = NDArray[np.float64]

_EDGE_HALF = 26  # px on each side of the plate's edge
_EDGE_TRAVEL = 3.0  # px the edge should move along its region
_EDGE_PLACES = (0.2, 0.5, 0.8)
_EDGE_NEAR = 6  # px between the plate's line and its edge, at most
_CLEAN_EDGE = 0.1  # a line this much deeper than the plate: the glass refracts, no clean step
SIDES = ("top", "right", "bottom", "left")


@dataclass(frozen=True, slots=True, kw_only=True)
class EdgeFocus:
    """Sharpness of the plate's edge at one place.

    Attributes
    ----------
    side : str
        "top", "right", "bottom" or "left".
    place : float
        Share of the way along the side, clockwise.
    width_px : float
        Height of the edge over its steepest slope.
    sfr50 : float or None
        Cycles per pixel; None where the edge is no clean step (the glass refracts light).
    sfr10 : float or None
        As ``sfr50``.
    sfr50_sigma, sfr10_sigma : float or None
        Their standard errors; None where they are, or where too few rows show the edge.
    """

    side: str
    place: float
    width_px: float
    sfr50: float | None
    sfr10: float | None
    sfr50_sigma: float | None = None
    sfr10_sigma: float | None = None


def measure_edges(frame: SensorFrame, corners: Floats) -> tuple[EdgeFocus, ...]:
    """Return the sharpness of the plate's four edges, at up to three places along each.

    Places where the edge is too weak, chipped, cut off by the frame or straight along the
    pixels are left out.
    """
    found = []
    for i, side in enumerate(SIDES):
        start, end = corners[i], corners[(i + 1) % 4]
        for place in _EDGE_PLACES:
            measured = _edge_at(frame, start, end, place)
            if measured is not None:
                sfr, clean = measured

                def known(value: float, clean: bool = clean) -> float | None:
                    return value if clean and math.isfinite(value) else None

                found.append(
                    EdgeFocus(
                        side=side,
                        place=place,
                        width_px=sfr.width_px,
                        sfr50=known(sfr.sfr50),
                        sfr10=known(sfr.sfr10),
                        sfr50_sigma=known(sfr.sfr50_sigma),
                        sfr10_sigma=known(sfr.sfr10_sigma),
                    )
                )
    return tuple(found)


def typical_sfr(
    edges: Sequence[EdgeFocus], which: Literal["sfr50", "sfr10"]
) -> tuple[float, float | None] | None:
    """Return the median frequency of the clean edges and its standard error; None without any.

    The error is that of the median by the scatter from edge to edge (1.2533 times that of a mean,
    exact for many normal values), no less than the method's; of a single edge its own, None
    where that is not known.
    """
    found = [
        (value, getattr(edge, f"{which}_sigma"))
        for edge in edges
        if (value := getattr(edge, which)) is not None
    ]
    if not found:
        return None
    values = np.array([value for value, _ in found])
    middle = float(np.median(values))
    if len(values) == 1:
        return middle, found[0][1]
    scatter = 1.2533 * float(np.std(values, ddof=1)) / math.sqrt(len(values))
    return middle, math.hypot(scatter, METHOD[which] * middle)


def _edge_at(
    frame: SensorFrame, start: Floats, end: Floats, place: float
) -> tuple[Sfr, bool] | None:
    """Return the SFR of a side at one place, and whether its edge is a clean step."""
    span = end - start
    along, across = (0, 1) if abs(span[0]) > abs(span[1]) else (1, 0)
    slope = abs(float(span[across] / span[along]))
    length = min(max(64.0, _EDGE_TRAVEL / max(slope, 1e-6)), 0.25 * abs(float(span[along])))
    middle = start + place * span
    reach = np.empty(2)
    reach[along], reach[across] = length / 2, _EDGE_HALF + slope * length / 2
    low = np.maximum(np.floor(middle - reach), 0).astype(int)
    high = np.minimum(np.ceil(middle + reach), frame.shape).astype(int)
    box = (int(low[0]), int(low[1]), int(high[0]), int(high[1]))
    if min(box[2] - box[0], box[3] - box[1]) < 32:
        return None
    unit = span / np.linalg.norm(span)
    rows, cols = np.ogrid[box[0] : box[2], box[1] : box[3]]
    distance = unit[1] * (rows - middle[0]) - unit[0] * (cols - middle[1])
    try:
        edge, clean = _lone_edge(_level_colours(frame, box), np.asarray(distance, np.float64))
        sfr = slanted_edge_sfr(edge)
    except NoEdgeError:
        return None
    return (sfr, clean) if sfr.contrast >= 1.2 and sfr.rows_used >= 0.5 else None


def _lone_edge(light: NDArray[np.float32], distance: Floats) -> tuple[Floats, bool]:
    """Return a region with nothing but the flank of the plate's edge, and if it is a clean step.

    On both sides of its steepest place the edge is followed as far as it levels off; what lies
    beyond, the picture, a dark line where the glass refracts, the holder, is replaced by
    the level reached there.

    Parameters
    ----------
    light : ndarray of float32, shape (M, N)
        Around the edge.
    distance : ndarray of float64, shape (M, N)
        Of each pixel from the plate's line, px.
    """
    half = _EDGE_HALF
    near = np.abs(distance) <= half + 0.5
    bins = np.rint(distance[near]).astype(np.intp) + half
    count = np.bincount(bins, minlength=2 * half + 1)
    if (count == 0).any():
        raise NoEdgeError("the frame cuts the edge's region")
    profile = np.bincount(bins, light[near], 2 * half + 1) / count
    smooth = np.convolve(profile, [0.25, 0.5, 0.25], mode="valid")  # begins at bin 1
    steps = np.diff(smooth)
    middle = half - 1
    away = np.arange(len(steps)) - middle
    likely = np.abs(steps) * (np.abs(away) <= _EDGE_NEAR) / (1 + (away / 3) ** 2)
    steepest = int(likely.argmax())
    slopes = steps * np.sign(steps[steepest])
    first, last = steepest, steepest
    while first > 0 and _falls_on(slopes, first, -1, steepest):
        first -= 1
    while last < len(slopes) - 1 and _falls_on(slopes, last, 1, steepest):
        last += 1
    low, high = first + 1, last + 2  # bins of the two ends of the flank
    edge = light.astype(np.float64)
    edge[distance < low - half] = profile[low]
    edge[distance > high - half] = profile[high]
    height = abs(profile[high] - profile[low])
    beyond = np.median(profile[high : high + 8])
    before = np.median(profile[max(0, low - 7) : low + 1])
    clean = max(abs(beyond - profile[high]), abs(before - profile[low])) <= _CLEAN_EDGE * height
    return edge, bool(clean)


def _falls_on(slopes: Floats, at: int, way: int, steepest: int) -> bool:
    """Tell whether the flank goes on beyond ``at``: still sloping, and no new step begins."""
    slope, bump = float(slopes[at + way]), 0.05 * float(slopes[steepest])
    return slope > 0.2 * bump and slope < float(slopes[at]) + bump


def _level_colours(frame: SensorFrame, box: tuple[int, int, int, int]) -> NDArray[np.float32]:
    """Return light in a box, each colour over its own bright level."""
    light = window_light(frame, box)
    colours = window_colours(frame, box)
    for colour in np.unique(colours):
        sites = colours == colour
        light[sites] /= max(float(np.percentile(light[sites], 90)), 1e-6)
    return light
