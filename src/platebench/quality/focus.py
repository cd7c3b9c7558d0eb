"""Is the whole plate in focus? Read from its grain, place by place, and from its edges."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from platebench.image import SensorFrame
from platebench.quality.noise import NoiseModel
from platebench.quality.sfr import NoEdgeError, Sfr, slanted_edge_sfr
from platebench.quality.sites import window_colours, window_light

Floats = NDArray[np.float64]

_PATCH = 64
_PATCHES_ALONG = 9  # of each of the 3 x 3 cells
_QUIET_SHARE = 0.35  # of a cell's patches: those with least picture in them
_COARSE, _FINE = (0.08, 0.2), (0.25, 0.45)  # cycles/px
_SEEN = 5.0  # standard deviations of the noise power
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
    """

    side: str
    place: float
    width_px: float
    sfr50: float | None
    sfr10: float | None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class GrainFocus:
    """How much fine grain reaches the pixels, on a 3 x 3 grid over the plate.

    Attributes
    ----------
    sharpness : ndarray of float64, shape (3, 3)
        Root of fine over coarse grain power, noise taken off; 1 for unblurred grain finer than
        the pixels, 0 where the fine grain is gone. nan where no grain stands out of the noise.
    fine_over_noise : ndarray of float64, shape (3, 3)
        Fine power over what the photons and the sensor alone would give; 1 is no grain at all.
    """

    sharpness: Floats
    fine_over_noise: Floats


def measure_grain(frame: SensorFrame, corners: Floats | None, noise: NoiseModel) -> GrainFocus:
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
    """
    coarse_band, fine_band = _bands()
    sharpness, over = np.full((3, 3), np.nan), np.full((3, 3), np.nan)
    for cell in np.ndindex(3, 3):
        coarse, fine, floor = [], [], []
        for box in _patch_boxes(frame.shape, corners, cell):
            spectrum, level = _patch_power(frame, box, noise)
            if spectrum is not None:
                coarse.append(float(spectrum[coarse_band].mean()))
                fine.append(float(spectrum[fine_band].mean()))
                floor.append(level)
        if len(coarse) < 3:
            continue
        excess = np.array(coarse) - np.array(floor)
        keep = np.argsort(excess, kind="stable")[: max(3, round(_QUIET_SHARE * len(excess)))]
        low = float(np.array(coarse)[keep].mean())
        high = float(np.array(fine)[keep].mean())
        base = float(np.array(floor)[keep].mean())
        over[cell] = high / base
        # Power estimates scatter as 1/sqrt(n) of n independent modes; a real patch has every
        # mode twice, and the window spreads each over its neighbours: together about a quarter.
        scatter = base / math.sqrt(len(keep) * coarse_band.sum() / 4)
        if low - base > _SEEN * scatter:
            sharpness[cell] = math.sqrt(max(0.0, high - base) / (low - base))
    return GrainFocus(sharpness=sharpness, fine_over_noise=over)


def _bands() -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    f = np.fft.fftfreq(_PATCH)
    radius = np.hypot(f[:, None], f[None, : _PATCH // 2 + 1])
    return (
        (radius >= _COARSE[0]) & (radius < _COARSE[1]),
        (radius >= _FINE[0]) & (radius < _FINE[1]),
    )


def _patch_boxes(
    shape: tuple[int, int], corners: Floats | None, cell: tuple[int, ...]
) -> list[tuple[int, int, int, int]]:
    """Return patches inside one of 3 x 3 cells of the plate, a twelfth in from its edge."""
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
        if top >= 0 and left >= 0 and top + _PATCH <= shape[0] and left + _PATCH <= shape[1]:
            boxes.append((top, left, top + _PATCH, left + _PATCH))
    return boxes


def _patch_power(
    frame: SensorFrame, box: tuple[int, int, int, int], noise: NoiseModel
) -> tuple[Floats | None, float]:
    """Return relative power of a patch and the part of it that is noise; None if no light."""
    light = window_light(frame, box).astype(np.float64)
    variance = noise.variance(light)
    colours = window_colours(frame, box)
    floor = np.empty_like(light)
    for colour in np.unique(colours):
        sites = colours == colour
        level = float(light[sites].mean())
        if level <= 3 * math.sqrt(float(variance[sites].mean())):
            return None, 0.0
        light[sites] /= level
        floor[sites] = variance[sites] / level**2
    window = np.outer(np.hanning(_PATCH), np.hanning(_PATCH))
    weight = float((window**2).sum())
    middle = (light * window).sum() / window.sum()
    spectrum = np.abs(np.fft.rfft2((light - middle) * window)) ** 2 / weight
    return spectrum, float((floor * window**2).sum()) / weight


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
                found.append(
                    EdgeFocus(
                        side=side,
                        place=place,
                        width_px=sfr.width_px,
                        sfr50=sfr.sfr50 if clean and math.isfinite(sfr.sfr50) else None,
                        sfr10=sfr.sfr10 if clean and math.isfinite(sfr.sfr10) else None,
                    )
                )
    return tuple(found)


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

    On both sides of its steepest place the edge is followed as long as it falls (rises); what
    lies beyond, the picture, a dark line where the glass refracts, the holder, is replaced by
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
    window = steps[middle - _EDGE_NEAR : middle + _EDGE_NEAR]
    steepest = int(np.abs(window).argmax()) + middle - _EDGE_NEAR
    rising = steps * np.sign(steps[steepest]) > 0.01 * abs(steps[steepest])
    first, last = steepest, steepest
    while first > 0 and rising[first - 1]:
        first -= 1
    while last < len(steps) - 1 and rising[last + 1]:
        last += 1
    low, high = first + 1, last + 2  # bins of the two ends of the flank
    edge = light.astype(np.float64)
    edge[distance < low - half] = profile[low]
    edge[distance > high - half] = profile[high]
    height = abs(profile[high] - profile[low])
    beyond = np.median(np.concatenate([profile[high + 2 : high + 8], profile[-2:]]))
    before = np.median(np.concatenate([profile[:2], profile[max(0, low - 7) : max(1, low - 1)]]))
    clean = max(abs(beyond - profile[high]), abs(before - profile[low])) <= _CLEAN_EDGE * height
    return edge, bool(clean)


def _level_colours(frame: SensorFrame, box: tuple[int, int, int, int]) -> NDArray[np.float32]:
    """Return light in a box, each colour over its own bright level."""
    light = window_light(frame, box)
    colours = window_colours(frame, box)
    for colour in np.unique(colours):
        sites = colours == colour
        light[sites] /= max(float(np.percentile(light[sites], 90)), 1e-6)
    return light
