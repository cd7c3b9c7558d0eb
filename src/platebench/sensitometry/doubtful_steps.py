"""Which steps of a plate do not go with the others: one that stands apart, a reversed shoulder.

A characteristic curve rises and is smooth. What breaks that is named, never mended: whether a
step is dust or the plate is a person's to say. Exposed far enough, silver reverses (solarisation):
density falls again, which is the plate's own and no fault, yet no part of a rising curve.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator

Floats = NDArray[np.float64]

_LEAST_APART = 0.05  # D; grain and coating move a step by less
_SIGMAS = 6.0
_SMOOTH_FROM = 9  # steps that are needed to say that one of them is not smooth
_FEWEST = 5  # of fewer, none can be said to stand apart
_MOST = 100  # steps; a curve given point by point has no steps
_MOST_APART = 0.1  # of the steps
_LEAST_RISING = 0.4  # of the steps before a reversed shoulder


@dataclass(frozen=True, slots=True)
class DoubtfulSteps:
    """Steps that do not go with the others.

    Attributes
    ----------
    apart : tuple of int
        That stand apart from their neighbours.
    reversed_from : int or None
        First step of a shoulder that falls again.
    """

    apart: tuple[int, ...] = ()
    reversed_from: int | None = None

    def places(self, steps: int) -> tuple[int, ...]:
        """Return all of them, of so many steps."""
        past = () if self.reversed_from is None else range(self.reversed_from, steps)
        return tuple(sorted({*self.apart, *past}))


def doubtful_steps(log_h: Floats, density: Floats, allowed: Floats) -> DoubtfulSteps | None:
    """Return which steps do not go with the others; None where no few of them explain it.

    Parameters
    ----------
    log_h, density : ndarray of float64, shape (n,)
        In order of exposure.
    allowed : ndarray of float64, shape (n,)
        How far a step may lie off by noise, D.
    """
    if density.size < _FEWEST:
        return DoubtfulSteps() if first_fall(density, allowed) is None else None
    apart = _apart(log_h, density, allowed)
    past = _reversed_from(density, allowed)
    if past is None or (apart is not None and len(apart) <= 1):
        return None if apart is None else DoubtfulSteps(apart)
    apart = _apart(log_h[:past], density[:past], allowed[:past])
    return None if apart is None else DoubtfulSteps(apart, past)


def _apart(log_h: Floats, density: Floats, allowed: Floats) -> tuple[int, ...] | None:
    """Return which steps stand apart, so that the others rise; None where few do not explain it."""
    rest = np.arange(density.size)
    apart: list[int] = []
    while (worst := _worst(log_h[rest], density[rest], allowed[rest])) is not None:
        apart.append(int(rest[worst]))
        rest = np.delete(rest, worst)
        if len(apart) > max(1, int(_MOST_APART * density.size)) or rest.size < _FEWEST - 1:
            return None
    return tuple(sorted(apart))


def first_fall(density: Floats, allowed: Floats) -> tuple[int, int] | None:
    """Return two steps between which density falls by more than noise; None if it never does."""
    top = 0
    for here in range(1, density.size):
        if density[top] - density[here] > float(np.hypot(allowed[here], allowed[top])):
            return top, here
        top = here if density[here] >= density[top] else top
    return None


def _reversed_from(density: Floats, allowed: Floats) -> int | None:
    """Return the first step past the densest where all that follow fall, step after step."""
    top = int(np.argmax(density))
    past = density[top:]
    if past.size < 3 or top + 1 < _LEAST_RISING * density.size:
        return None
    noise = np.hypot(allowed[top:-1], allowed[top + 1 :])
    falls = past[0] - past[-1] > float(np.hypot(allowed[top], allowed[-1]))
    return top + 1 if falls and bool((np.diff(past) <= noise).all()) else None


def _worst(x: Floats, d: Floats, allowed: Floats) -> int | None:
    """Return the step that goes least with the others; None if all go together."""
    falls = first_fall(d, allowed) is not None
    if not falls and not _SMOOTH_FROM <= d.size <= _MOST:
        return None
    off = np.abs(_off(x, d)) if d.size <= _MOST else np.ones(d.size)
    if falls:
        # Of the steps without which the rest would rise, the one furthest from where it belongs.
        mends = [first_fall(np.delete(d, n), np.delete(allowed, n)) is None for n in range(d.size)]
        return int(np.argmax(np.where(mends, off, -1.0) if any(mends) else off))
    # At the ends nothing lies beyond to judge by; the others' own scatter is that of their bends.
    inner = off[2:-2]
    limit = np.maximum(_SIGMAS * 1.4826 * float(np.median(inner)), 1.5 * allowed[2:-2])
    worst = int(np.argmax(inner))
    return worst + 2 if inner[worst] > max(_LEAST_APART, float(limit[worst])) else None


def _off(x: Floats, d: Floats) -> Floats:
    """Return how far each step lies from the curve through the others; at an end, the next."""
    off = np.empty_like(d)
    for n in range(d.size):
        others = np.delete(x, n)
        rule = PchipInterpolator(others, np.delete(d, n))
        off[n] = d[n] - float(rule(np.clip(x[n], others[0], others[-1])))
    return off
