"""A smooth characteristic curve with toe, straight line and shoulder, fitted to readings.

    D(x) = base + slope [sp(a (x - toe)) / a - sp(c (x - shoulder)) / c],  sp(z) = ln(1 + e^z)

with ``x`` the log exposure: a straight line between two bends, each as sharp as its own ``a`` and
``c``. It serves the numbers that noise would spoil; readings are never replaced by it.

The curve that is drawn through the steps, monotone and nowhere beyond them, is here as well: it is
for the eye, the model for the numbers.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator
from scipy.optimize import brentq, isotonic_regression, least_squares
from scipy.special import expit

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


LEAST_STEPS = 9  # six figures are fitted; three readings are left to judge them by
_LOW = (-1.0, np.log(0.05), -10.0, np.log(0.2), np.log(1.0), np.log(1.0))
_HIGH = (6.0, np.log(12.0), 10.0, np.log(12.0), np.log(60.0), np.log(60.0))


@dataclass(frozen=True, slots=True, kw_only=True)
class CurveModel:
    """A fitted curve.

    Attributes
    ----------
    base : float
        Density D it begins at.
    slope : float
        D per log unit, that of the straight line if the bends were far apart.
    toe, shoulder : float
        Log exposures where the straight line would meet the base and the limit.
    toe_bend, shoulder_bend : float
        Sharpness of the bends, per log unit.
    """

    base: float
    slope: float
    toe: float
    shoulder: float
    toe_bend: float
    shoulder_bend: float

    def __call__(self, log_h: Floats) -> Floats:
        """Return density D."""
        rise = np.logaddexp(0.0, self.toe_bend * (log_h - self.toe)) / self.toe_bend
        fall = np.logaddexp(0.0, self.shoulder_bend * (log_h - self.shoulder)) / self.shoulder_bend
        return np.asarray(self.base + self.slope * (rise - fall))

    def gradient(self, log_h: Floats) -> Floats:
        """Return D per log unit."""
        rise = expit(self.toe_bend * (log_h - self.toe))
        fall = expit(self.shoulder_bend * (log_h - self.shoulder))
        return np.asarray(self.slope * (rise - fall))

    @property
    def limit(self) -> float:
        """The density D it would end at."""
        return self.base + self.slope * (self.shoulder - self.toe)

    def steepest(self) -> float:
        """Return the log exposure of the steepest place; between toe and shoulder always."""

        def bend(x: float) -> float:
            rise = expit(self.toe_bend * (x - self.toe))
            fall = expit(self.shoulder_bend * (x - self.shoulder))
            return float(self.toe_bend * rise * (1 - rise) - self.shoulder_bend * fall * (1 - fall))

        low, high = self.toe, self.shoulder
        if bend(low) <= 0 or bend(high) >= 0:  # bends so soft that they overlap
            x = np.linspace(low - 1, high + 1, 2001)
            return float(x[np.argmax(self.gradient(x))])
        return float(brentq(bend, low, high, xtol=1e-9))


def fit_model(
    log_h: Floats,
    density: Floats,
    sigma: Floats | None,
    *,
    base_fog: tuple[float, float] | None = None,
    start: CurveModel | None = None,
) -> CurveModel:
    """Fit a `CurveModel` by least squares, weighted by the errors.

    Parameters
    ----------
    log_h, density : ndarray of float64, shape (n,)
        Readings in order of exposure; n >= `LEAST_STEPS`.
    sigma : ndarray of float64, shape (n,), or None
        Standard errors, D; None: all alike.
    base_fog : (float, float) or None
        Density of an unexposed part and its standard error, as one more reading.
    start : CurveModel or None
        A fit to readings much like these, to begin from; less exact and quicker.

    Returns
    -------
    CurveModel
        Where toe or shoulder lie outside the readings, so do the figures for them: ask
        `ModelFit` whether they can be trusted.
    """
    weight = 1.0 / np.maximum(sigma, 1e-4) if sigma is not None else np.full(log_h.shape, 100.0)

    def misfit(values: Floats) -> Floats:
        model = _model(values)
        away = (model(log_h) - density) * weight
        if base_fog is None:
            return np.asarray(away)
        return np.append(away, (model.base - base_fog[0]) / max(base_fog[1], 1e-4))

    def slopes(values: Floats) -> Floats:
        rows = _derivatives(_model(values), log_h) * weight[:, None]
        if base_fog is None:
            return np.asarray(rows)
        last = np.zeros((1, 6))
        last[0, 0] = 1.0 / max(base_fog[1], 1e-4)
        return np.vstack([rows, last])

    begin = _start(log_h, density, base_fog) if start is None else _values(start)
    tight: dict[str, Any] = dict.fromkeys(
        ("ftol", "xtol", "gtol"), 1e-14 if start is None else 1e-6
    )
    begin = np.clip(begin, np.add(_LOW, 1e-6), np.subtract(_HIGH, 1e-6))
    fit = least_squares(
        misfit, begin, slopes, bounds=(_LOW, _HIGH), max_nfev=400 if start is None else 60, **tight
    )
    return _model(fit.x)


def _model(values: Floats) -> CurveModel:
    base, slope, toe, width, toe_bend, shoulder_bend = values
    return CurveModel(
        base=float(base),
        slope=float(np.exp(slope)),
        toe=float(toe),
        shoulder=float(toe + np.exp(width)),
        toe_bend=float(np.exp(toe_bend)),
        shoulder_bend=float(np.exp(shoulder_bend)),
    )


def _values(model: CurveModel) -> Floats:
    return np.array(
        [
            model.base,
            np.log(model.slope),
            model.toe,
            np.log(model.shoulder - model.toe),
            np.log(model.toe_bend),
            np.log(model.shoulder_bend),
        ]
    )


def _derivatives(model: CurveModel, x: Floats) -> Floats:
    """Return dD by each fitted value, shape (n, 6); logarithms where `_values` has them."""
    a, c, g = model.toe_bend, model.shoulder_bend, model.slope
    left, right = x - model.toe, x - model.shoulder
    rise, fall = np.logaddexp(0.0, a * left) / a, np.logaddexp(0.0, c * right) / c
    rising, falling = expit(a * left), expit(c * right)
    return np.column_stack(
        [
            np.ones_like(x),
            g * (rise - fall),
            g * (falling - rising),
            g * falling * (model.shoulder - model.toe),
            g * (left * rising - rise),
            -g * (right * falling - fall),
        ]
    )


def _start(x: Floats, d: Floats, base_fog: tuple[float, float] | None) -> Floats:
    """Return values to begin from: a line through the middle third of the density range."""
    base = float(d.min()) if base_fog is None else base_fog[0]
    top = float(d.max())
    middle = np.abs(d - (base + top) / 2) <= max((top - base) / 4, float(np.diff(d).max()))
    slope, _ = np.polyfit(x[middle], d[middle], 1) if middle.sum() > 1 else (1.0, 0.0)
    slope = max(float(slope), 0.06)
    centre = float(x[middle].mean())
    toe = centre - (float(d[middle].mean()) - base) / slope
    width = max((top - base) / slope, 0.3)
    return np.array([base, np.log(slope), toe, np.log(width), np.log(5.0), np.log(5.0)])
