"""The figures of a characteristic curve, each with its standard error where one can be had."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from platebench.sensitometry.curve_model import LEAST_STEPS, fit_model
from platebench.sensitometry.curve_numbers import Basis, Reading, choose_basis, read_curve, widened
from platebench.sensitometry.readings import StepReadings

TRIALS = 200
# Figures that go with base plus fog: where it was not read they have an error in any case.
BY_FOG = (
    *("base_fog", "speed_point", "inertia_fog", "contrast_rise", "contrast_index"),
    *("average_gradient_130", "average_gradient_150", "toe_length", "useful_length"),
)
_ENOUGH = 0.5  # of the trials must give a number, else it has no error worth stating


@dataclass(frozen=True, slots=True)
class Estimate:
    """A figure and its standard error; None where the readings state none and nothing else has."""

    value: float
    sigma: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CurveFigures:
    """What one characteristic curve says. Exposures are log10; None: the curve does not tell.

    Attributes
    ----------
    readings : StepReadings
        What was read; errors widened where the readings scatter by more.
    basis : Basis
        What the figures rest on.
    reading : Reading
        Curve, straight line and base plus fog, for drawing.
    base_fog, d_max : Estimate
        Density D. ``d_max`` is the densest step's.
    limit_density : Estimate or None
        Density D the fitted curve ends at; only with readings round the shoulder.
    gamma : Estimate
        Slope of the straight line: the fitted curve's steepest tangent, or the line through the
        straight steps where no curve could be fitted.
    gamma_by_steps, gamma_by_model : Estimate or None
        The two by themselves.
    tangent_log_h : Estimate
        Where the line touches the curve.
    straight_start, straight_end : Estimate or None
        Where the curve has left the line by 0.02 D (and two standard errors of a reading).
    straight_length : Estimate or None
        Between the two, log units: the latitude of the older books.
    toe_length : Estimate or None
        From the speed point to the start of the straight line, log units.
    speed_point : Estimate or None
        Point m, 0.10 above base plus fog.
    contrast_rise : Estimate or None
        Density gained from m to n, 1.30 log units further on.
    average_gradient_130, average_gradient_150 : Estimate or None
        From m, over 1.30 and over 1.50 log units.
    contrast_index : Estimate or None
        By the method of two arcs.
    useful_end : Estimate or None
        Where the gradient has fallen to half of gamma on the shoulder.
    useful_length : Estimate or None
        From the speed point to there, log units.
    inertia_fog, inertia_zero : Estimate
        Where the straight line meets base plus fog, and where it meets D = 0.
    """

    readings: StepReadings = field(repr=False)
    basis: Basis
    reading: Reading = field(repr=False)
    base_fog: Estimate
    d_max: Estimate
    gamma: Estimate
    gamma_by_steps: Estimate
    tangent_log_h: Estimate
    inertia_fog: Estimate
    inertia_zero: Estimate
    limit_density: Estimate | None
    gamma_by_model: Estimate | None
    straight_start: Estimate | None
    straight_end: Estimate | None
    straight_length: Estimate | None
    toe_length: Estimate | None
    speed_point: Estimate | None
    contrast_rise: Estimate | None
    average_gradient_130: Estimate | None
    average_gradient_150: Estimate | None
    contrast_index: Estimate | None
    useful_end: Estimate | None
    useful_length: Estimate | None


def figures_of(
    readings: StepReadings, *, rng: np.random.Generator | None = None, trials: int = TRIALS
) -> CurveFigures:
    """Return the figures of a characteristic curve.

    Parameters
    ----------
    readings : StepReadings
        From `pair_readings`.
    rng : Generator or None
        For the standard errors: every reading is shaken by its own error, independently, and all
        together by the error they share, and the figures are taken again, ``trials`` times.
        None: none stated. Of readings without errors only the figures `BY_FOG`, by the scatter of
        the steps and how far base plus fog lies beyond them, and the limit.
    trials : int
        200 trials give a standard error to 5 %.

    Returns
    -------
    CurveFigures
    """
    readings = widened(readings)
    basis = choose_basis(readings)
    reading, numbers = read_curve(readings, basis)
    spread = _spread(readings, basis, rng, trials) if rng is not None else {}
    told = {
        name: None if math.isnan(value) else Estimate(value, spread.get(name))
        for name, value in numbers.items()
    }
    return CurveFigures(readings=readings, basis=basis, reading=reading, **told)  # type: ignore[arg-type]


def _spread(
    readings: StepReadings, basis: Basis, rng: np.random.Generator, trials: int
) -> dict[str, float]:
    """Return the standard deviation of each number over shaken readings."""
    errors = (readings.sigma, readings.common_sigma, readings.log_h_sigma)
    stated = any(error is not None for error in errors) or bool(readings.base_fog_sigma)
    if not stated and not basis.fog_beyond and not basis.limit_beyond:
        return {}
    if not stated:
        readings = replace(readings, sigma=np.full(readings.density.shape, basis.noise))
    rows: dict[str, list[float]] = {}
    for _ in range(trials):
        shaken = _shaken(readings, rng)
        again = basis
        if basis.model is not None and shaken.log_h.size >= LEAST_STEPS:
            fog = None
            if shaken.base_fog is not None:
                fog = shaken.base_fog, readings.base_fog_sigma or 0.0
            model = fit_model(
                shaken.log_h, shaken.density, shaken.sigma, base_fog=fog, start=basis.model
            )
            again = replace(basis, model=model)
        shift = basis.fog_beyond * float(rng.standard_normal()) if basis.fog_beyond else 0.0
        for name, value in read_curve(shaken, again, shift)[1].items():
            rows.setdefault(name, []).append(value)
    told = rows.keys() if stated else {"limit_density", *(BY_FOG if basis.fog_beyond else ())}
    spread = {}
    for name, values in rows.items():
        finite = np.array(values)[np.isfinite(values)]
        if finite.size >= _ENOUGH * trials and name in told:
            # Trials without a number lie beyond the ends of the curve, further off than the rest.
            spread[name] = float(np.std(finite, ddof=1)) * trials / finite.size
    if "limit_density" in spread:
        spread["limit_density"] = math.hypot(spread["limit_density"], basis.limit_beyond)
    return spread


def _shaken(readings: StepReadings, rng: np.random.Generator) -> StepReadings:
    fog = readings.base_fog
    if fog is not None and readings.base_fog_sigma:
        fog += readings.base_fog_sigma * float(rng.standard_normal())
    density = _moved(readings.density, readings.sigma, rng)
    if readings.common_sigma is not None:
        together = float(rng.standard_normal())
        density = density + together * readings.common_sigma
        if fog is not None:
            fog += together * float(np.interp(fog, readings.density, readings.common_sigma))
    log_h = _moved(readings.log_h, readings.log_h_sigma, rng)
    order = np.argsort(log_h, kind="stable")
    log_h = log_h[order]
    log_h += np.arange(log_h.size) * 1e-9  # no two alike
    return replace(
        readings,
        log_h=log_h,
        density=density[order],
        sigma=None if readings.sigma is None else readings.sigma[order],
        base_fog=fog,
    )


def _moved(
    values: NDArray[np.float64], sigma: NDArray[np.float64] | None, rng: np.random.Generator
) -> NDArray[np.float64]:
    if sigma is None:
        return values.copy()
    return np.asarray(values + sigma * rng.standard_normal(values.shape))
