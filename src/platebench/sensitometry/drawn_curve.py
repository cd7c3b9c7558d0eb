"""A rising curve of density against log exposure, read off in either direction."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator
from scipy.optimize import brentq, isotonic_regression

from platebench.sensitometry.readings import StepReadings

Floats = NDArray[np.float64]
_TIGHT = 1e-12
_HALF_STOP = 0.15  # log exposure


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DrawnCurve:
    """A curve that never falls, between two log exposures.

    Attributes
    ----------
    rule : callable
        From log exposure, a float or an array, to density D.
    low, high : float
        Where the curve begins and ends, log exposure. It is not read beyond.
    """

    rule: Callable[..., Floats]
    low: float
    high: float

    def density_at(self, log_h: float) -> float | None:
        """Return the density D at a log exposure; None beyond the ends."""
        if not self.low - _TIGHT <= log_h <= self.high + _TIGHT:
            return None
        return float(self.rule(min(max(log_h, self.low), self.high)))

    def log_h_at(self, density: float) -> float | None:
        """Return the log exposure that gives a density D; None beyond the ends."""
        least, most = float(self.rule(self.low)), float(self.rule(self.high))
        if not least - _TIGHT <= density <= most + _TIGHT:
            return None
        if density <= least:
            return self.low
        if density >= most:
            return self.high
        found = brentq(lambda x: float(self.rule(x)) - density, self.low, self.high, xtol=1e-10)
        return float(found)

    def gradient_over(self, log_h: Floats) -> Floats:
        """Return the gradient about each log exposure, over half a stop to either side.

        Over a whole stop, so that it is a gradient of the curve and not of its noise; nearer than
        half a stop to an end, over what there is.
        """
        left = np.maximum(log_h - _HALF_STOP, self.low)
        right = np.minimum(log_h + _HALF_STOP, self.high)
        return np.asarray((self.rule(right) - self.rule(left)) / (right - left))


def curve_through_steps(readings: StepReadings) -> DrawnCurve:
    """Return the monotone cubic through the readings.

    A reading that falls within its error is first pooled with its neighbours, weighted by their
    errors (isotonic regression); otherwise the curve passes through every reading.

    References
    ----------
    F. N. Fritsch and R. E. Carlson, SIAM J. Numer. Anal. 17 (1980) 238: monotone piecewise cubic
    interpolation, as `scipy.interpolate.PchipInterpolator`.
    """
    return monotone_curve(readings.log_h, readings.density, readings.sigma)


def monotone_curve(log_h: Floats, density: Floats, sigma: Floats | None) -> DrawnCurve:
    """Return the monotone cubic through points; see `curve_through_steps`."""
    if (np.diff(density) < 0).any():
        weights = None if sigma is None else 1.0 / np.maximum(sigma, 1e-6) ** 2
        density = isotonic_regression(density, weights=weights).x
    rule = PchipInterpolator(log_h, density)
    return DrawnCurve(rule=rule, low=float(log_h[0]), high=float(log_h[-1]))
