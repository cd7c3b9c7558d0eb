"""The straight line of a curve, the speeds that follow from a point on it, the standard series.

Exposures are in lux seconds, the same unit as the candle-metre-seconds of the older books.
"""

from __future__ import annotations

import math
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


SPEED_POINT = 0.10  # D above base plus fog, ISO 6 point m
CONTRAST_RUN = 1.30  # log exposure from m to n
CONTRAST_RISE = 0.80  # D from m to n
CONTRAST_TOLERANCE = 0.05  # D; from memory of the standard

HD_CONSTANT = 34.0  # Hurter and Driffield's, for exposures in candle-metre-seconds
WATKINS_CONSTANT = 50.0
WYNNE_CONSTANT = 6.4
STOP = math.log10(2.0)

# One third of a stop (0.1 in log) from value to value, as the series is written.
_SERIES = (1.0, 1.25, 1.6, 2.0, 2.5, 3.2, 4.0, 5.0, 6.4, 8.0)
_WRITTEN = {3.2: 3.0, 6.4: 6.0, 12.5: 12.0}  # the small values in common writing


def hurter_driffield_speed(inertia_lxs: float) -> float:
    """Return the H&D speed, 34 / inertia.

    References
    ----------
    H. E. Ives, Airplane Photography (1920), ch. XVIII.

    Examples
    --------
    >>> round(hurter_driffield_speed(0.2))
    170
    """
    return HD_CONSTANT / inertia_lxs


def watkins_speed(inertia_lxs: float) -> float:
    """Return the Watkins power number, 50 / inertia.

    References
    ----------
    M. J. Martin, Wireless Transmission of Photographs, 2nd ed. (1919).

    Examples
    --------
    >>> round(watkins_speed(0.2))
    250
    """
    return WATKINS_CONSTANT / inertia_lxs


def wynne_speed(watkins: float) -> float:
    """Return the Wynne factor, 6.4 times the square root of the Watkins power number.

    References
    ----------
    M. J. Martin, as for `watkins_speed`.

    Examples
    --------
    >>> round(wynne_speed(250.0))
    101
    """
    return WYNNE_CONSTANT * math.sqrt(watkins)


def arithmetic_speed(speed_point_lxs: float) -> float:
    """Return 0.8 / Hm, not rounded: ISO 6's arithmetic speed where its conditions are met.

    Parameters
    ----------
    speed_point_lxs : float
        Exposure at point m, 0.10 above base plus fog, in lux seconds.

    Examples
    --------
    >>> round(arithmetic_speed(0.4), 6)
    2.0
    """
    return 0.8 / speed_point_lxs


def degrees_from_arithmetic(speed: float) -> int:
    """Return the logarithmic speed in degrees, 10 log S + 1, to the nearest whole degree.

    Examples
    --------
    >>> degrees_from_arithmetic(100.0), degrees_from_arithmetic(2.0)
    (21, 4)
    """
    return round(10 * math.log10(speed)) + 1


def arithmetic_from_degrees(degrees: int) -> float:
    """Return the arithmetic speed of the standard series for a speed in degrees.

    The series as it is commonly written (3 for 3.2, 6 for 6.4, 12 for 12.5), continued below 1
    by the same tenths of a log unit: old emulsions are often slower than ISO 1.

    Examples
    --------
    >>> [arithmetic_from_degrees(degrees) for degrees in (1, 6, 12, 21, 22, -2)]
    [1.0, 3.0, 12.0, 100.0, 125.0, 0.5]
    """
    decade, third = divmod(degrees - 1, 10)
    value = _SERIES[third] * 10.0**decade
    return _WRITTEN.get(round(value, 6), float(f"{value:.3g}"))


def standard_speed(speed: float) -> float:
    """Return the nearest arithmetic speed of the standard series, nearest in the logarithm.

    Examples
    --------
    >>> standard_speed(105.0), standard_speed(2.2), standard_speed(1.9)
    (100.0, 2.0, 2.0)
    """
    return arithmetic_from_degrees(degrees_from_arithmetic(speed))


def stops_from_log(difference: float) -> float:
    """Return a difference in log exposure as stops.

    Examples
    --------
    >>> round(stops_from_log(0.30103), 5)
    1.0
    """
    return difference / STOP


def contrast_condition_met(rise: float) -> bool:
    """Tell whether the density rise from m to n is what ISO 6 asks for, 0.80 within 0.05.

    Examples
    --------
    >>> contrast_condition_met(0.84), contrast_condition_met(0.86)
    (True, False)
    """
    return abs(rise - CONTRAST_RISE) <= CONTRAST_TOLERANCE + 1e-9
