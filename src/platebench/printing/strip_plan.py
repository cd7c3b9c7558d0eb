"""Where a test strip begins and how far it goes: from a guess, or from a strip that missed.

Two ends have to lie on a strip, each with a stop to spare: the first tint and full black. They are
an exposure scale apart, of which a process says how long it can be.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from platebench.printing.process import ExposureScale

STEPS = (7, 21)  # fewest, most: as many windows as a sheet of A4 or letter is wide for
HALF, WHOLE = 0.5, 1.0  # stops from step to step
ANY_SCALE = (0.7, 2.7)  # log units: wider than any process of the profiles
SHORTEST_S = 1.0  # what a hand with a card still times; common practice, no source
_STOP = math.log10(2)
_SPARE = _STOP  # at either end


@dataclass(frozen=True, slots=True, kw_only=True)
class StripPlan:
    """How a test strip is exposed.

    Attributes
    ----------
    first_s : float
        Exposure of step 1, seconds.
    steps : int
        7 to 21.
    stops : float
        From one step to the next, 0.5 or 1.
    """

    first_s: float
    steps: int
    stops: float = HALF

    @property
    def times_s(self) -> tuple[float, ...]:
        """Exposure of each step, seconds."""
        return strip_times(self.first_s, self.steps, self.stops)

    @property
    def card_s(self) -> tuple[float, ...]:
        """How long to go on before each step is covered, seconds."""
        times = self.times_s
        return (times[0], *(later - sooner for sooner, later in pairwise(times)))


@dataclass(frozen=True, slots=True, kw_only=True)
class StripEnds:
    """Between which times first tint and full black lie, log10 of seconds; infinite if open."""

    tint: tuple[float, float] = (-math.inf, math.inf)
    black: tuple[float, float] = (-math.inf, math.inf)


def strip_times(first_s: float, steps: int, stops: float = HALF) -> tuple[float, ...]:
    """Return the exposure of each step, seconds.

    Examples
    --------
    >>> [round(t, 1) for t in strip_times(10, 5)]
    [10.0, 14.1, 20.0, 28.3, 40.0]
    """
    return tuple(first_s * 2 ** (step * stops) for step in range(steps))


def scale_range(scales: Sequence[ExposureScale]) -> tuple[float, float]:
    """Return the shortest and the longest exposure scale of a process, log units."""
    return min(scale.low for scale in scales), max(scale.high for scale in scales)


def plan_strip(
    about_s: float, within_stops: float, scale: tuple[float, float] = ANY_SCALE
) -> StripPlan:
    """Return the strip that holds both ends if full black is about where it is guessed.

    Parameters
    ----------
    about_s : float
        Guess at the standard printing time, seconds.
    within_stops : float
        How far it may be off, either way.
    scale : tuple of float
        Shortest and longest exposure scale, log units.

    Examples
    --------
    >>> plan = plan_strip(600, 1, (1.8, 2.2))  # 0.3 + 2.2 + 0.6 + 0.3 log units
    >>> plan.steps, plan.stops, round(plan.times_s[-1])
    (13, 1.0, 2400)
    """
    guess, off = math.log10(about_s), within_stops * _STOP
    return _between(StripEnds(black=(guess - off, guess + off)), scale)


def plan_from(first_s: float, scale: tuple[float, float] = ANY_SCALE) -> StripPlan:
    """Return a strip in half stops from a first time on, long enough for a scale."""
    steps = math.ceil((scale[1] + 2 * _SPARE) / (HALF * _STOP)) + 1
    return StripPlan(first_s=first_s, steps=min(max(steps, STEPS[0]), STEPS[1]))


def plan_next(ends: StripEnds, scale: tuple[float, float] = ANY_SCALE) -> StripPlan:
    """Return the strip to expose after one that missed an end.

    Parameters
    ----------
    ends : StripEnds
        What the strip did show.
    scale : tuple of float
        Shortest and longest exposure scale, log units; given up where the strip contradicts it.
    """
    try:
        return _between(ends, scale)
    except ValueError:
        return _between(ends, (0.0, 2 * ANY_SCALE[1]))


def _between(ends: StripEnds, scale: tuple[float, float]) -> StripPlan:
    """Return the strip that holds whatever the ends and the scale leave possible.

    Raises
    ------
    ValueError
        If they leave nothing.
    """
    low, high = scale
    black = (max(ends.black[0], ends.tint[0] + low), min(ends.black[1], ends.tint[1] + high))
    tint = (max(ends.tint[0], black[0] - high), min(ends.tint[1], black[1] - low))
    if black[0] > black[1] or tint[0] > tint[1]:
        raise ValueError("the strip contradicts the scale")
    longest = (STEPS[1] - 1) * WHOLE * _STOP
    first, last = tint[0] - _SPARE, black[1] + _SPARE
    if math.isinf(last):  # nothing printed: as far as a strip goes
        last = first + longest
    if math.isinf(first):  # all black
        first = last - longest
    stops = HALF if last - first <= (STEPS[1] - 1) * HALF * _STOP + 1e-9 else WHOLE
    steps = math.ceil((last - first) / (stops * _STOP) - 1e-9) + 1
    plan = StripPlan(first_s=1.0, steps=min(max(steps, STEPS[0]), STEPS[1]), stops=stops)
    # What steps are over lies before the first: time spent beyond black teaches nothing.
    return replace(plan, first_s=10 ** (last - (plan.steps - 1) * stops * _STOP))
