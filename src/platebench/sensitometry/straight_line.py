"""The straight-line part of a curve by a robust fit through the steps."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.stats import theilslopes

Floats = NDArray[np.float64]

_LEAST_STEPS = 4
_LEAST_RUN = 0.44  # log exposure: three steps of a 0.15 tablet
_NEAR = 0.005  # D; a step so near the line lies on it


@dataclass(frozen=True, slots=True, kw_only=True)
class StraightLine:
    """A line in the plane of log exposure and density.

    Attributes
    ----------
    gamma : float
        Its slope, D per log unit.
    log_h, density : float
        A point on it.
    """

    gamma: float
    log_h: float
    density: float

    def density_at(self, log_h: Floats) -> Floats:
        """Return the line's density D."""
        return np.asarray(self.density + self.gamma * (log_h - self.log_h))

    def log_h_at(self, density: float) -> float:
        """Return where the line has a density, log exposure."""
        return self.log_h + (density - self.density) / self.gamma


def straight_steps(log_h: Floats, density: Floats, noise: float) -> slice:
    """Return which steps make the straight line.

    The steepest run of four steps that spans 0.44 log units, lengthened at either end by each step
    that lies within 0.005 D, or 1.5 standard errors, of the line through the run so far.

    Parameters
    ----------
    log_h, density : ndarray of float64, shape (n,)
        Readings in order of exposure, n >= 2.
    noise : float
        Standard error of a reading, D.
    """
    runs = [run for start in range(log_h.size) if (run := _shortest_run(log_h, start))]
    if not runs:
        return slice(0, log_h.size)
    best = max(runs, key=lambda run: line_through(log_h, density, run).gamma)
    near = max(_NEAR, 1.5 * noise)
    first, last = best.start, best.stop
    while True:
        line = line_through(log_h, density, slice(first, last))
        ends = [(first - 1, (first - 1, last)), (last, (first, last + 1))]
        away = {
            grown: abs(float(line.density_at(log_h[step])) - density[step])
            for step, grown in ends
            if 0 <= step < log_h.size
        }
        if not away or min(away.values()) > near:
            return slice(first, last)
        first, last = min(away, key=lambda grown: away[grown])


def line_through(log_h: Floats, density: Floats, steps: slice) -> StraightLine:
    """Return the line through some steps: the median of the slopes between any two of them.

    References
    ----------
    P. K. Sen, J. Amer. Statist. Assoc. 63 (1968) 1379. Up to 29 % of the steps may be wrong.
    """
    x, d = log_h[steps], density[steps]
    if x.size > 400:  # a curve given point by point: pairs of all would be too many
        every = -(-x.size // 400)
        x, d = x[::every], d[::every]
    gamma = float(theilslopes(d, x).slope)
    middle = float(np.mean(x))
    return StraightLine(
        gamma=gamma, log_h=middle, density=float(np.median(d - gamma * (x - middle)))
    )


def _shortest_run(log_h: Floats, start: int) -> slice | None:
    stop = int(np.searchsorted(log_h, log_h[start] + _LEAST_RUN - 1e-9)) + 1
    stop = max(stop, start + _LEAST_STEPS)
    return slice(start, stop) if stop <= log_h.size else None
