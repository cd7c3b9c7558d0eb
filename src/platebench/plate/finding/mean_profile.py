"""The mean profile across a whole side of the plate, and how well it is known."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from platebench.plate.finding.edge_profiles import CLIMB

BIN_PX = 0.25
BEFORE = 7  # pixels of the surround in a mean profile
CLEAR_PX = -3.5  # from the edge: beyond the reach of its blur
PIXEL = np.array([0.5, 1, 1, 1, 0.5]) / 4  # one pixel in bins, half of the outer ones
EVEN = 0.03  # change of a stretch that is called even
EVEN_PX = 2.0

Doubles = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class MeanProfile:
    """The mean profile across one side.

    Attributes
    ----------
    distances : ndarray of float64, shape (bins,)
        Inside the presumed edge, pixels, in rising order.
    rises : ndarray of float64, shape (bins,)
        Departure from the surround's level, positive inside.
    sharp : ndarray of float64, shape (bins,)
        The same before the mean over a pixel, for strips narrower than a blur or two.
    errors : ndarray of float64, shape (bins,)
        Standard error of each, from how far the stations disagree.
    level : float
        Transmittance of the surround.
    noise : float
        Standard deviation of ``rises``, as the surround's noise has it.
    even : int
        How many values there are up to the end of the first even stretch within the edge (a
        rebate, the picture), 0 if there is none.
    """

    distances: Doubles
    rises: Doubles
    sharp: Doubles
    errors: Doubles
    level: float
    noise: float
    even: int


def average_profiles(
    distances: Doubles,
    rises: Doubles,
    heights: Doubles,
    *,
    level: float,
    noise: float,
    brighter: bool,
) -> MeanProfile | None:
    """Average many profiles in narrow bins of distance from the edge.

    A bin holds the sum of its rises over the sum of their profiles' heights: else stations before
    light and dark parts of the picture, which fall into different bins on a side that is hardly
    turned, make steps of their own. Photosites sample the edge at whole pixels, so a mean over
    one pixel, twice, takes away what folds over there.

    Parameters
    ----------
    distances, rises : ndarray of float64, shape (stations, length)
        Distance inside the presumed edge, pixels, and departure from the surround's level; NaN
        where a profile leaves the frame.
    heights : ndarray of float64, shape (stations,)
        What each profile reaches.
    level, noise : float
        Of the surround; the noise is that of the mean profile.
    brighter : bool
        The glass is brighter than the surround.

    Returns
    -------
    MeanProfile or None
        None if there is too little to average.
    """
    use = np.isfinite(rises) & (distances > -BEFORE) & (distances < CLIMB)
    if np.count_nonzero(use) < 60:
        return None
    height = np.broadcast_to(heights[:, None], rises.shape)[use]
    place, rise = distances[use], rises[use]
    bins = np.floor(place / BIN_PX).astype(int)
    bins -= bins.min()
    count = np.bincount(bins)
    full = count >= max(3, 0.2 * np.median(count[count > 0]))
    heights_sum = np.maximum(np.bincount(bins, height), 1e-12)
    mean = np.bincount(bins, rise) / heights_sum
    apart = np.bincount(bins, np.square(rise - mean[bins] * height))
    middle = (np.bincount(bins, place) / np.maximum(count, 1))[full]
    first, last = np.ceil(middle[0] / BIN_PX), np.floor(middle[-1] / BIN_PX)
    x = np.arange(first, last + 1) * BIN_PX
    if len(x) < 20:
        return None
    scale = float(np.median(heights))
    sharp = np.interp(x, middle, mean[full]) * scale
    y = _over_a_pixel(sharp)
    around = y[x < CLEAR_PX]
    if len(around) > 4:  # many stations together know the surround's level better than one
        base = float(np.median(around))
        y, sharp = y - base, sharp - base
    error = np.interp(x, middle, (np.sqrt(apart) / heights_sum)[full]) * scale
    keep = _first_flank(y, brighter=brighter)
    x, y, sharp, error = x[keep], y[keep], sharp[keep], error[keep]
    even = _even_until(y) if brighter else 0
    return MeanProfile(x, y, sharp, np.hypot(error, noise), level, noise, even)


def _over_a_pixel(values: Doubles) -> Doubles:
    """Return the running mean over one pixel, taken twice."""
    for _ in range(2):
        values = np.convolve(np.pad(values, 2, mode="edge"), PIXEL, "valid")
    return values


def _even_until(y: Doubles) -> int:
    """Return how many values there are up to the end of the first even stretch, 0 without one."""
    run = round(EVEN_PX / BIN_PX)
    for first in range(int(np.argmax(y > 0.5 * y.max())), len(y) - run):
        stretch = y[first : first + run + 1]
        middle = float(stretch.mean())
        if np.ptp(stretch) < EVEN * middle:
            if middle < (1 - EVEN) * float(y[: first + run].max()):
                return 0  # behind a strip too narrow to be even
            off = np.abs(y[first + run :] - middle) > 1.5 * EVEN * middle
            return first + run + int(np.argmax(off)) if off.any() else len(y)
    return 0


def _first_flank(rise: Doubles, *, brighter: bool) -> NDArray[np.bool_]:
    """Keep the profile up to where the picture may begin.

    Against light: past the first top, to the next rise. Against black the fall from a rebate or a
    strip of light into the picture belongs to the story, so only a rise after a fall ends it.
    """
    smooth = np.convolve(np.pad(rise, 2, mode="edge"), np.full(5, 1 / 5), "valid")
    start = int(np.argmax(smooth > (0.5 if brighter else 0.1) * float(smooth.max())))
    steps = np.diff(smooth)
    if brighter:
        highest = np.maximum.accumulate(smooth)
        fallen = (smooth < 0.95 * highest) & (np.arange(len(smooth)) > start)
        if not fallen.any():
            return np.ones(len(rise), bool)
        first = int(np.argmax(fallen))
        lowest = np.minimum.accumulate(smooth[first:])
        risen = smooth[first:] > lowest + 0.05 * highest[first]
        return np.arange(len(rise)) <= (first + int(np.argmax(risen)) if risen.any() else len(rise))
    steepest, falling = 0.0, False
    for k in range(start, len(steps)):
        if falling and steps[k] > 0.02 * steepest:
            return np.arange(len(rise)) <= k
        if steps[k] < -0.02 * steepest:
            falling = True
        elif not falling and steps[k] < 0.12 * steepest:
            return np.arange(len(rise)) <= k + 1
        steepest = max(steepest, steps[k])
    return np.ones(len(rise), bool)
