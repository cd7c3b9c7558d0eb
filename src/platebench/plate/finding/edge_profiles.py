"""Where the light changes across the plate's edge: profiles and their first edge.

A glass edge is rarely a clean step. It may carry a dark line, where the edge bends light away, and
a rebate narrower than the blur may lie between it and the picture. So the edge is read from the
foot of the profile, where only the outermost step has any say.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

CLIMB = 14  # pixels within which an edge reaches its height
FAINTEST = 0.015  # of the light: what clear glass takes is 0.08 (two surfaces, Fresnel, n = 1.52)
USUAL_BLUR_PX = 0.9  # lens, photosite and unevenness of the cut together
NEAR_LEVEL = 0.985
CLEAR = 0.95  # of the brightest stations' level
NOISIEST = 0.005  # of the light, in a strip of it: clear glass is still seen
FOOT = 0.03  # of the step: where its foot is read


Doubles = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Profiles:
    """Cuts across one side, from outside inwards.

    Attributes
    ----------
    values : ndarray of float64, shape (stations, length)
        NaN outside the frame.
    firsts : ndarray of float64, shape (stations,)
        Coordinate, on the axis walked, of each cut's first value.
    centres : ndarray of float64, shape (stations, 2)
        Places of the stations, (row, column); exact across the axis walked.
    """

    values: Doubles
    firsts: Doubles
    centres: Doubles


@dataclass(frozen=True, slots=True, eq=False)
class Edges:
    """The first edge of each profile.

    Attributes
    ----------
    depths : ndarray of float64, shape (stations,)
        Index of the edge in its profile; NaN where there is none.
    clear : ndarray of bool, shape (stations,)
        Whether the surround reaches its level there; a strip narrower than the blur does not.
    contrast : float
        Step over the surround's noise.
    inside_level : float
        Median transmittance where the edge has reached its height.
    brighter : bool
        The glass is brighter than the surround.
    level, noise : float
        Median transmittance of the surround, and its standard deviation in one profile.
    rises : ndarray of float64, shape (stations, length)
        Departure from the surround's level, positive inside; NaN where there is no edge.
    tops : ndarray of float64, shape (stations,)
        Height that each edge reaches.
    peaks : ndarray of float64, shape (stations,)
        Index at which it does.
    """

    depths: Doubles
    clear: NDArray[np.bool_]
    contrast: float
    inside_level: float
    level: float
    noise: float
    brighter: bool
    rises: Doubles
    tops: Doubles
    peaks: Doubles


def cut_profiles(
    pixels: NDArray[np.float32],
    centres: Doubles,
    *,
    axis: int,
    forward: bool,
    span: tuple[int, int],
) -> Profiles:
    """Cut one profile a station, averaged over a few pixels along the side.

    Parameters
    ----------
    pixels : ndarray of float32, shape (m, n)
        Transmittance.
    centres : ndarray of float64, shape (stations, 2)
        Where the edge is expected, (row, column).
    axis : int
        0 to walk down the rows, 1 along the columns.
    forward : bool
        Inwards is the way of rising coordinates.
    span : (int, int)
        Pixels before and after the expected edge.
    """
    if axis == 1:
        pixels = pixels.T
    deep, wide = pixels.shape
    width = 4 if wide < 1500 else 6
    middle = np.round(centres[:, axis]).astype(int)
    left = np.round(centres[:, 1 - axis] - (width - 1) / 2).astype(int)
    before, after = span if forward else span[::-1]
    rows = middle[:, None] + np.arange(-before, after + 1)
    columns = left[:, None] + np.arange(width)
    inside = (rows >= 0) & (rows < deep) & ((left >= 0) & (left + width <= wide))[:, None]
    cut = pixels[np.clip(rows, 0, deep - 1)[:, :, None], np.clip(columns, 0, wide - 1)[:, None, :]]
    values = cut.mean(axis=2, dtype=np.float64)
    values[~inside | ~np.isfinite(values)] = np.nan
    exact = centres.copy()
    exact[:, 1 - axis] = left + (width - 1) / 2
    if forward:
        return Profiles(values, (middle - before).astype(np.float64), exact)
    return Profiles(values[:, ::-1], (middle + after).astype(np.float64), exact)


def first_edges(
    values: Doubles,
    *,
    brighter: bool,
    outside: int,
    blur_px: float | None = None,
    narrow: bool = False,
) -> Edges:
    """Return the first edge of each profile.

    Parameters
    ----------
    values : ndarray of float64, shape (stations, length)
        Transmittance from outside inwards.
    brighter : bool
        The glass is brighter than the surround.
    outside : int
        Index at which the edge is expected; about half of what lies before is surely surround.
    blur_px : float or None
        Standard deviation of the blur. None: take the place where the profile has climbed half
        way. Otherwise read the foot: for a step blurred by a Gaussian, the ratio of two
        neighbouring values there gives the distance to the step whatever its height.
    narrow : bool
        Measure from the brightest value before the expected edge, not from the surround's median.
    """
    count, length = values.shape
    nothing = Edges(
        depths=np.full(count, np.nan),
        clear=np.zeros(count, bool),
        contrast=0.0,
        inside_level=0.0,
        brighter=brighter,
        level=0.0,
        noise=0.0,
        rises=np.full(values.shape, np.nan),
        tops=np.zeros(count),
        peaks=np.zeros(count),
    )
    inside = np.isfinite(values)
    whole = inside.sum(axis=1) >= max(6, length // 2)
    if not whole.any():
        return nothing
    filled = np.where(inside, values, 0.0)
    starts = np.argmax(inside, axis=1)
    ahead = np.arange(max(2, outside // 2))
    around = np.take_along_axis(filled, np.minimum(starts[:, None] + ahead, length - 1), axis=1)
    # Where the frame ends close to the edge there is less to learn the surround from.
    room = np.where(starts > 0, np.maximum((outside - starts) // 2, 2), len(ahead))
    around = np.where(ahead < room[:, None], around, np.nan)
    levels = np.nanmedian(around, axis=1)
    noise = np.nanmedian(np.abs(around - levels[:, None])[whole])
    sigma = max(1.4826 * float(noise), 1e-4)
    if narrow:
        levels = filled[:, : outside + 3].max(axis=1)
        # Bright lines where the rim refracts are no level.
        levels = np.minimum(levels, max(float(np.median(levels[whole])), 1.0))
        # So narrow a strip has no even part to learn the noise from: its slopes are none.
        sigma = min(sigma, NOISIEST * float(np.median(levels[whole])))
    rise = (filled - levels[:, None]) * (1 if brighter else -1)
    rise[~inside] = 0.0
    if narrow:
        peak = np.argmax(filled[:, : outside + 3] >= NEAR_LEVEL * levels[:, None], axis=1)
        rise[np.arange(length) < peak[:, None]] = 0.0
    step = float(np.median(rise[whole].max(axis=1)))
    level = float(np.median(levels[whole]))
    faintest = FAINTEST * level * (2 if narrow else 1)  # narrow: levels are maxima
    threshold = max(5 * sigma, 0.15 * step if brighter else faintest)
    first = np.argmax(rise > threshold, axis=1)
    usable = whole & (first > 0)
    if not usable.any():
        return nothing
    tops, peaks = _plateaus(rise, first, 2 * sigma)
    half = _crossings(rise, first, 0.5 * tops)
    depths = half
    if blur_px is not None:
        depths = _feet(rise, np.maximum(5 * sigma, FOOT * tops), blur_px, half)
    tone = levels + tops * (1 if brighter else -1)
    return Edges(
        depths=np.where(usable, depths, np.nan),
        clear=levels > CLEAR * float(np.quantile(levels[usable], 0.9)),
        contrast=step / sigma,
        inside_level=float(np.median(tone[usable])),
        level=level,
        noise=sigma,
        brighter=brighter,
        rises=np.where(inside & usable[:, None], rise, np.nan),
        tops=tops,
        peaks=peaks,
    )


def _feet(rise: Doubles, lows: Doubles, blur_px: float, half: Doubles) -> Doubles:
    """Return where the step lies that the first two values above ``lows`` belong to."""
    rows, last = np.arange(len(rise)), rise.shape[1] - 1
    # The edge's own foot, not a speck of dust further out: walk back from the half-way place.
    at = np.clip(np.ceil(np.nan_to_num(half)).astype(int), 1, last)
    for _ in range(CLIMB):
        lower = rise[rows, np.maximum(at - 1, 0)]
        at = np.where((lower > lows) & (at > 1), at - 1, at)
    here, next_in = rise[rows, at], rise[rows, np.minimum(at + 1, last)]
    z = np.linspace(-3.0, 1.5, 181)
    ratio = np.log(ndtr(z + 1 / blur_px) / ndtr(z))  # falls as z rises
    measured = np.log(np.maximum(next_in, 1e-9) / np.maximum(here, 1e-9))
    distance = np.interp(-measured, -ratio, z)
    depth: Doubles = at - distance * blur_px
    return depth


def _crossings(rise: Doubles, first: NDArray[np.int_], heights: Doubles) -> Doubles:
    """Return where each profile last passes a height on its way up, near ``first``."""
    rows, last = np.arange(len(rise)), rise.shape[1] - 1
    found = np.full(len(rise), np.nan)
    for ahead in range(CLIMB - 1, -3, -1):  # the outermost crossing is written last
        low, high = np.clip(first + ahead - 1, 0, last), np.clip(first + ahead, 0, last)
        before, after = rise[rows, low], rise[rows, high]
        crosses = (before < heights) & (after >= heights)
        run = np.where(crosses, after - before, 1.0)
        found = np.where(crosses, low + (heights - before) / run, found)
    return found


def _plateaus(rise: Doubles, first: NDArray[np.int_], noise: float) -> tuple[Doubles, Doubles]:
    """Return how high each profile climbs from ``first`` before it flattens or turns, and where.

    A narrow rebate shows as a mere shoulder between the glass's edge and the picture's: a step
    clearly less steep than the steepest so far, followed by a steeper one.
    """
    rows = np.arange(len(rise))
    steps = np.diff(rise, axis=1, append=rise[:, -1:])
    last = rise.shape[1] - 2
    top, peak, climbing = rise[rows, first], first.astype(np.float64), np.ones(len(rise), bool)
    steepest = steps[rows, np.maximum(first - 1, 0)]
    for ahead in range(CLIMB):
        at = np.minimum(first + ahead, last)
        step, following = steps[rows, at], steps[rows, at + 1]
        shoulder = (step < 0.6 * steepest) & (following > 1.15 * step + noise)
        climbing &= (step > np.maximum(noise, 0.2 * steepest)) & ~shoulder
        top = np.where(climbing, rise[rows, at + 1], top)
        peak = np.where(climbing, at + 1, peak)
        steepest = np.maximum(steepest, step)
    return top, peak
