"""Several plates of one emulsion: gamma against development time, batch against batch."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from platebench.core.errors import ReadingsError
from platebench.sensitometry.figures import CurveFigures, Estimate
from platebench.sensitometry.relations import STOP

Floats = NDArray[np.float64]

# Rate times time. Below the one the law is a straight line to 5 %; above the other it has ended.
_STRAIGHT = 0.1
_FLAT = 7.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DevelopmentLaw:
    """Gamma against time of development: ``gamma_infinity (1 - exp(-k t))``.

    Attributes
    ----------
    gamma_infinity : Estimate
        The gamma that development to the end would give.
    rate : Estimate
        Velocity constant k, per unit of the times (per minute if they are minutes).
    times, gammas : ndarray of float64, shape (n,)
        What it was fitted to, in order of time.
    misfit : float
        Root mean square distance of the gammas from it.
    """

    gamma_infinity: Estimate
    rate: Estimate
    times: Floats
    gammas: Floats
    misfit: float

    def gamma_at(self, time: Floats) -> Floats:
        """Return the gamma after each time of development."""
        return np.asarray(self.gamma_infinity.value * -np.expm1(-self.rate.value * time))

    def time_for(self, gamma: float) -> float | None:
        """Return how long to develop for a gamma; None where no time gives it."""
        share = gamma / self.gamma_infinity.value
        return -math.log1p(-share) / self.rate.value if 0 <= share < 1 else None


def fit_development(
    times: Sequence[float], gammas: Sequence[Estimate], *, name: str = "the family"
) -> DevelopmentLaw | None:
    """Fit the law of development by least squares.

    Parameters
    ----------
    times : sequence of float
        Time of development of each plate.
    gammas : sequence of Estimate
        Its gamma. The fit is weighted where every one has an error.
    name : str
        For messages.

    Returns
    -------
    DevelopmentLaw or None
        With errors from the fit where the gammas have them, or where there are more than two.
        None where gamma does not grow with time, or grows in proportion to it: gamma infinity
        cannot be told then.

    Raises
    ------
    ReadingsError
        For a time that is not positive, or fewer than two different times.
    """
    order = np.argsort(np.asarray(times, np.float64), kind="stable").tolist()
    t = np.asarray(times, np.float64)[order]
    g = np.array([gammas[i].value for i in order])
    errors = [gammas[i].sigma for i in order]
    check_times(name, t)
    if np.unique(t).size < 2:
        what = "has one time of development only"
        raise ReadingsError(name, what, "give plates of at least two times, one double the other")
    weighted = all(errors)
    weight = 1.0 / np.array(errors, np.float64) if weighted else np.ones_like(g)

    def misfit(values: Floats) -> Floats:
        limit, rate = np.exp(values)
        return np.asarray((limit * -np.expm1(-rate * t) - g) * weight)

    begin = np.log([1.5 * g.max(), 1.0 / t.mean()])
    fit = least_squares(misfit, begin, xtol=1e-14, ftol=1e-14, gtol=1e-14, max_nfev=500)
    limit, rate = (float(value) for value in np.exp(fit.x))
    straight, flat = rate * t.max() < _STRAIGHT, rate * t.min() > _FLAT
    if straight or flat or not fit.success:
        return None
    sigmas = _errors_of(fit.jac, fit.fun, np.exp(fit.x), weighted=weighted)
    left = limit * -np.expm1(-rate * t) - g
    return DevelopmentLaw(
        gamma_infinity=Estimate(limit, sigmas[0]),
        rate=Estimate(rate, sigmas[1]),
        times=t,
        gammas=g,
        misfit=float(np.sqrt(np.mean(left**2))),
    )


def check_times(name: str, times: Floats) -> None:
    """Refuse times of development that are none; ``name`` is named in the message.

    Raises
    ------
    ReadingsError
        If one is not positive.
    """
    if not (np.isfinite(times).all() and (times > 0).all()):
        raise ReadingsError(name, "has a time of development that is not positive", "correct it")


def _errors_of(
    jac: Floats, away: Floats, values: Floats, *, weighted: bool
) -> tuple[float | None, float | None]:
    """Return the standard errors of two values fitted by their logarithms."""
    spare = away.size - 2
    if not weighted and spare < 1:
        return None, None
    covariance = np.linalg.pinv(jac.T @ jac)
    if not weighted:
        covariance = covariance * float(np.sum(away**2)) / spare
    sigmas = values * np.sqrt(np.diag(covariance))
    return float(sigmas[0]), float(sigmas[1])


@dataclass(frozen=True, slots=True, kw_only=True)
class BatchDifference:
    """How one plate differs from the first.

    Attributes
    ----------
    speed_stops : Estimate or None
        By how many stops it is faster at point m; None where one of the two has no point m.
    gamma_ratio : Estimate
        Its gamma as a multiple of the first's.
    average_gradient : Estimate or None
        Its average gradient over 1.30, less the first's.
    base_fog : Estimate
        Its base plus fog, less the first's, D.
    """

    speed_stops: Estimate | None
    gamma_ratio: Estimate
    average_gradient: Estimate | None
    base_fog: Estimate


def compare_batches(first: CurveFigures, other: CurveFigures) -> BatchDifference:
    """Return how ``other`` differs from ``first``.

    Raises
    ------
    ReadingsError
        If the exposure of one is known in lux seconds and the other's is not.
    """
    if first.readings.absolute != other.readings.absolute:
        raise ReadingsError(
            other.readings.name,
            "cannot be compared in speed: one exposure is in lux seconds, the other is relative",
            "give the exposure of both, or of none",
        )
    stops = _difference(first.speed_point, other.speed_point)
    if stops is not None:
        stops = Estimate(stops.value / STOP, None if stops.sigma is None else stops.sigma / STOP)
    ratio = other.gamma.value / first.gamma.value
    fog = _difference(other.base_fog, first.base_fog)
    assert fog is not None
    return BatchDifference(
        speed_stops=stops,
        gamma_ratio=Estimate(ratio, _ratio_error(ratio, first.gamma, other.gamma)),
        average_gradient=_difference(other.average_gradient_130, first.average_gradient_130),
        base_fog=fog,
    )


def _difference(one: Estimate | None, less: Estimate | None) -> Estimate | None:
    if one is None or less is None:
        return None
    sigma = None
    if one.sigma is not None and less.sigma is not None:
        sigma = math.hypot(one.sigma, less.sigma)
    return Estimate(one.value - less.value, sigma)


def _ratio_error(ratio: float, first: Estimate, other: Estimate) -> float | None:
    if first.sigma is None or other.sigma is None:
        return None
    return ratio * math.hypot(first.sigma / first.value, other.sigma / other.value)
