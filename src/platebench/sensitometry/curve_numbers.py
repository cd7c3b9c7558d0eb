"""The plain numbers of one curve: what is fitted, what is read off, what cannot be told."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq, isotonic_regression

from platebench.sensitometry.curve_model import (
    LEAST_STEPS,
    CurveModel,
    DrawnCurve,
    curve_through_steps,
    fit_model,
    monotone_curve,
)
from platebench.sensitometry.readings import ASSUMED_SIGMA, StepReadings
from platebench.sensitometry.relations import (
    CONTRAST_RUN,
    SPEED_POINT,
    StraightLine,
    line_through,
    straight_steps,
)

Floats = NDArray[np.float64]
FogSource = Literal["read on the plate", "model", "toe", "thinnest step"]

LONG_RUN = 1.50  # log exposure of the longer average gradient
ARCS = (0.20, 2.20)  # radii of the contrast index, log units and D alike
OFF_LINE = 0.02  # D; so far from the straight line the curve has left it
_LEAST_GRADIENT = 0.5  # of gamma: the end of the useful range on the shoulder
_TOLD_BY_MODEL = 0.5  # of gamma: past a bend that the readings have gone half round
_FLAT = 0.03  # of gamma
_SMOOTH_FROM = 0.005  # D; a reading less certain than that is not read off by itself
_SMALL = 0.002  # D; a scatter that harms no figure
# How far beyond the readings curves end elsewhere than the smooth one: set on logistic, Gaussian,
# Gompertz and piecewise curves, tested on others (tests/sensitometry/test_coverage.py).
_UNLIKE_TOE, _UNLIKE_SHOULDER = 0.003, 0.007  # D
_BY_GRADIENT = 0.12  # D for each D per log unit at the end
_BY_RUN = 0.25
_FURTHER = 0.35  # D for each D per log unit, where nothing tells how the toe goes on
_TRUST = 1.5  # a model that misses by more than the noise times that is not used


@dataclass(frozen=True, slots=True, kw_only=True)
class Basis:
    """What the numbers of a curve rest on; decided once, kept for every trial of the errors.

    Attributes
    ----------
    steps : slice
        The steps of the straight line.
    noise : float
        Standard error of a reading, D: as stated, else from the readings' scatter.
    model : CurveModel or None
        The smooth curve, where there are enough readings and it fits them.
    model_misfit : float or None
        How far the readings lie from the smooth curve, root mean square, D.
    read_from_model : bool
        Whether points are read off the smooth curve instead of the one through the steps.
    fog_source : str
        Where base plus fog comes from.
    shoulder : bool
        Whether the readings go round the shoulder, so that a limit can be told.
    fog_beyond, limit_beyond : float
        How far from base plus fog, and from the limit, the truth may lie because curves end in
        other ways than the smooth one, D: one standard error. 0 where base plus fog was read.
    """

    steps: slice
    noise: float
    model: CurveModel | None
    model_misfit: float | None
    read_from_model: bool
    fog_source: FogSource
    shoulder: bool
    fog_beyond: float = 0.0
    limit_beyond: float = 0.0


def choose_basis(readings: StepReadings) -> Basis:
    """Decide what the numbers of a curve rest on.

    The smooth curve is trusted where its misfit is no more than 1.5 times the noise, or 0.005 D.
    It gives gamma, as its steepest tangent. Points are read off the curve through the steps, except
    where a reading's standard error is above 0.005 D and the smooth curve is trusted.
    """
    x, d = readings.log_h, readings.density
    noise, model, misfit = _judge_model(readings)
    steps = straight_steps(x, d, noise)
    gamma = line_through(x, d, steps).gamma
    drawn = curve_through_steps(readings)
    gradients = drawn.gradient_over(np.array([drawn.low, drawn.high]))
    at_ends = gradients / max(gamma, 1e-9)
    source: FogSource = "thinnest step"
    if readings.base_fog is not None:
        source = "read on the plate"
    elif model is not None and at_ends[0] < _TOLD_BY_MODEL:
        source = "model"
    elif at_ends[0] < _FLAT:
        source = "toe"
    fog_beyond = limit_beyond = 0.0
    if model is not None:
        low, high = _level_ends(d, readings.sigma)
        limit_beyond = _beyond(float(gradients[1]), max(model.limit - high, 0.0), _UNLIKE_SHOULDER)
        fog_beyond = _beyond(float(gradients[0]), max(low - model.base, 0.0), _UNLIKE_TOE)
    if source == "thinnest step":
        fog_beyond = _FURTHER * float(gradients[0])
    elif source == "toe":
        fog_beyond = _beyond(float(gradients[0]), 0.0, _UNLIKE_TOE)
    return Basis(
        steps=steps,
        noise=noise,
        model=model,
        model_misfit=misfit,
        read_from_model=model is not None and noise > _SMOOTH_FROM,
        fog_source=source,
        shoulder=bool(at_ends[1] < _TOLD_BY_MODEL),
        fog_beyond=0.0 if source == "read on the plate" else fog_beyond,
        limit_beyond=limit_beyond,
    )


def _beyond(gradient: float, run: float, unlike: float) -> float:
    """Return how wrong it may be where a curve is said to end, D.

    Parameters
    ----------
    gradient : float
        Of the curve where its readings end, D per log unit.
    run : float
        D from there to where the smooth curve ends.
    unlike : float
        D by which curves of other shapes end elsewhere though they are level.
    """
    return float(np.linalg.norm([unlike, _BY_GRADIENT * gradient, _BY_RUN * run]))


def _level_ends(d: Floats, sigma: Floats | None) -> tuple[float, float]:
    """Return the first and the last density, each averaged with what falls from it by noise."""
    weights = None if sigma is None else 1.0 / np.maximum(sigma, 1e-6) ** 2
    level = isotonic_regression(d, weights=weights).x
    return float(level[0]), float(level[-1])


def widened(readings: StepReadings) -> StepReadings:
    """Return readings whose stated errors are no smaller than their scatter.

    Photon noise, say, is not all: a plate is not quite even. Where the readings scatter about a
    smooth curve by more than 1.5 times their errors, what is missing is added to each in square.
    """
    if readings.sigma is None or readings.log_h.size < LEAST_STEPS or readings.doubtful:
        return readings
    stated = float(np.sqrt(np.mean(readings.sigma**2)))
    scatter = _scatter(_fitted(readings), readings)
    if scatter <= max(_TRUST * stated, _SMALL):
        return readings
    sigma = np.sqrt(readings.sigma**2 + (scatter**2 - stated**2))
    note = (
        f"steps scatter by {scatter:.3f} D about a smooth curve, more than their stated errors "
        f"({stated:.4f} D): errors were widened to that"
    )
    return replace(readings, sigma=sigma, notes=(*readings.notes, note))


def _judge_model(readings: StepReadings) -> tuple[float, CurveModel | None, float | None]:
    """Return the noise of a reading, the smooth curve if it can be trusted, and its misfit."""
    x, d, sigma = readings.log_h, readings.density, readings.sigma
    stated = None if sigma is None else float(np.sqrt(np.mean(sigma**2)))
    if x.size < LEAST_STEPS or readings.doubtful:  # a flaw is neither noise nor the curve's shape
        return (0.0 if stated is None else stated), None, None
    model = _fitted(readings)
    noise = _scatter(model, readings) if stated is None else stated
    misfit = float(np.sqrt(np.sum((d - model(x)) ** 2) / (x.size - 6)))
    return noise, (model if misfit <= max(_SMOOTH_FROM, _TRUST * noise) else None), misfit


def _fitted(readings: StepReadings) -> CurveModel:
    fog = _fog_reading(readings)
    return fit_model(readings.log_h, readings.density, readings.sigma, base_fog=fog)


def _scatter(model: CurveModel, readings: StepReadings) -> float:
    """Return the noise of a reading from differences between neighbours' misfits, D.

    Half their mean square is the part of the misfit that is noise and not shape (J. von Neumann,
    Ann. Math. Stat. 12 (1941) 367).
    """
    away = readings.density - model(readings.log_h)
    return float(np.sqrt(np.mean(np.diff(away) ** 2) / 2))


def _fog_reading(readings: StepReadings) -> tuple[float, float] | None:
    if readings.base_fog is None:
        return None
    sigma = readings.base_fog_sigma
    return readings.base_fog, ASSUMED_SIGMA if sigma is None else sigma


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Reading:
    """A curve to be read off, its straight line and its base plus fog."""

    drawn: DrawnCurve
    line: StraightLine
    fog: float


def read_curve(
    readings: StepReadings, basis: Basis, fog_shift: float = 0.0
) -> tuple[Reading, dict[str, float]]:
    """Return the curve as it is read, and every number read off it.

    Parameters
    ----------
    readings : StepReadings
        Not checked again: a trial's readings may fall here and there.
    basis : Basis
        From `choose_basis`.
    fog_shift : float
        Added to base plus fog, D, in a trial.

    Returns
    -------
    reading : Reading
    numbers : dict
        Not a number where a curve does not go so far. Keys are the attributes of
        ``CurveFigures``, exposures as logarithms.
    """
    x, d = readings.log_h, readings.density
    by_steps = line_through(x, d, basis.steps)
    line, model = by_steps, basis.model
    if model is not None:
        at = np.array([min(max(model.steepest(), x[0]), x[-1])])
        gamma = float(model.gradient(at)[0])
        line = StraightLine(gamma=gamma, log_h=float(at[0]), density=float(model(at)[0]))
    if model is not None and basis.read_from_model:
        drawn = DrawnCurve(rule=model, low=float(x[0]), high=float(x[-1]))
    else:
        drawn = monotone_curve(x, d, readings.sigma)
    reading = Reading(drawn=drawn, line=line, fog=_base_fog(readings, basis) + fog_shift)
    numbers = _numbers(reading, basis)
    if model is not None and basis.shoulder:
        numbers["limit_density"] = max(model.limit, _level_ends(d, readings.sigma)[1])
    numbers["gamma_by_steps"] = by_steps.gamma
    numbers["d_max"] = float(np.max(d))
    return reading, numbers


def _base_fog(readings: StepReadings, basis: Basis) -> float:
    if basis.fog_source == "read on the plate" and readings.base_fog is not None:
        return readings.base_fog
    thinnest = _level_ends(readings.density, readings.sigma)[0]
    if basis.fog_source == "model" and basis.model is not None:
        # No step is thinner than base plus fog, and no plate thinner than nothing.
        return float(np.clip(basis.model.base, min(thinnest, 0.0), thinnest))
    return thinnest


def _numbers(reading: Reading, basis: Basis) -> dict[str, float]:
    drawn, line, fog = reading.drawn, reading.line, reading.fog
    point = _or_nan(drawn.log_h_at(fog + SPEED_POINT))
    straight_start, straight_end = _straight_part(drawn, line, OFF_LINE + 2 * basis.noise)
    rise = _rise(drawn, point, CONTRAST_RUN)
    return {
        "base_fog": fog,
        "limit_density": math.nan,
        "gamma": line.gamma,
        "gamma_by_model": math.nan if basis.model is None else line.gamma,
        "tangent_log_h": line.log_h,
        "straight_start": straight_start,
        "straight_end": straight_end,
        "straight_length": straight_end - straight_start,
        "toe_length": float(np.maximum(straight_start - point, 0.0)),
        "speed_point": point,
        "contrast_rise": rise,
        "average_gradient_130": rise / CONTRAST_RUN,
        "average_gradient_150": _rise(drawn, point, LONG_RUN) / LONG_RUN,
        "contrast_index": contrast_index(drawn, fog),
        "useful_end": (end := _useful_end(drawn, line)),
        "useful_length": end - point,
        "inertia_fog": line.log_h_at(fog),
        "inertia_zero": line.log_h_at(0.0),
    }


def contrast_index(drawn: DrawnCurve, fog: float) -> float:
    """Return the contrast index by the method of two arcs; not a number where they miss the curve.

    From a point on the base-plus-fog line a straight line is drawn that meets the curve at 0.20 and
    at 2.20 units, both axes alike; its slope is the contrast index.

    References
    ----------
    C. J. Niederpruem, C. N. Nelson and J. A. C. Yule, Photogr. Sci. Eng. 10 (1966) 35 (from
    memory).
    """
    near, far = ARCS
    low, high = float(drawn.rule(drawn.low)), float(drawn.rule(drawn.high))
    least = math.asin(min(max((low - fog) / near, 0.0) + 1e-9, 1.0))
    most = math.asin(min(max((high - fog) / far, 0.0), 1.0))
    ends = [drawn.log_h_at(fog + near * math.sin(angle)) for angle in (least, most)]

    def angle_at(log_h: float) -> float:
        """Return the angle of the line that meets the curve there, at the nearer arc."""
        return math.asin(min(max((float(drawn.rule(log_h)) - fog) / near, 0.0), 1.0))

    def above(log_h: float) -> float:
        """Return how far above that line the curve lies at the farther arc, D."""
        angle = angle_at(log_h)
        end = log_h + (far - near) * math.cos(angle)
        beyond = max(end - drawn.high, 0.0)  # as if the curve went on, so that the sign holds
        return float(drawn.rule(end - beyond)) + beyond - fog - far * math.sin(angle)

    start, stop = ends
    if least >= most or start is None or stop is None or above(start) < 0 or above(stop) > 0:
        return math.nan
    return math.tan(angle_at(brentq(above, start, stop, xtol=1e-10)))


def _rise(drawn: DrawnCurve, start: float, run: float) -> float:
    """Return the density gained over ``run`` log units from ``start``."""
    if math.isnan(start):
        return math.nan
    return _or_nan(drawn.density_at(start + run)) - _or_nan(drawn.density_at(start))


def _straight_part(drawn: DrawnCurve, line: StraightLine, away: float) -> tuple[float, float]:
    """Return between which log exposures the curve keeps to the line; nan at an end not reached."""
    x = np.linspace(drawn.low, drawn.high, 1001)
    off = np.abs(np.asarray(drawn.rule(x)) - line.density_at(x)) > away
    before, after = off & (x < line.log_h), off & (x > line.log_h)
    start = float(x[before][-1]) if before.any() else math.nan
    end = float(x[after][0]) if after.any() else math.nan
    return start, end


def _useful_end(drawn: DrawnCurve, line: StraightLine) -> float:
    """Return where the gradient has fallen to half of gamma on the shoulder."""
    x = np.linspace(min(line.log_h, drawn.high), drawn.high, 1001)
    flat = drawn.gradient_over(x) < _LEAST_GRADIENT * line.gamma
    return float(x[flat][0]) if flat.any() else math.nan


def _or_nan(value: float | None) -> float:
    return math.nan if value is None else value
