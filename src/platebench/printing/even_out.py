"""Patches of a print to levels: unevenness fitted and taken off, damaged patches left out.

Every patch is ``curve(ink) + fields(place)``. Three fields, each a quadratic over the sheet, stand
for what uneven sheets do: the same density everywhere (light of the scan, tone of the paper), a
share of density (thick and thin coating), and a bell over the tones (sensitivity, contact, lamp).

``FallingFit`` is the monotone curve of the tones, fitted together with the fields.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import BSpline
from scipy.optimize import lsq_linear

from platebench.printing.step_chart import COLUMNS, ROWS, StepChart, patch_name

Vector = NDArray[np.float64]
Matrix = NDArray[np.float64]

_PIECES = 36  # of the spline; far more than the curve needs, the penalty decides
_DEGREE = 3
_PENALTIES = 10.0 ** np.arange(-4.0, 6.01, 0.5)


@dataclass(frozen=True, slots=True, eq=False)
class FallingFit:
    """What was fitted.

    Attributes
    ----------
    knots, coefficients : ndarray of float64
        Of the cubic spline over 0 to 1.
    extra : ndarray of float64, shape (k,)
        Amounts of the further columns.
    freedom : float
        Effective number of parameters.
    """

    knots: Vector
    coefficients: Vector
    extra: Vector
    freedom: float

    def __call__(self, x: Vector) -> Vector:
        """Return the curve at ``x``, within 0 to 1."""
        spline = BSpline(self.knots, self.coefficients, _DEGREE)
        return np.asarray(spline(np.clip(x, 0.0, 1.0)), np.float64)


def fit_falling(
    x: Vector, y: Vector, weights: Vector, extra: Matrix | None = None, ridge: float = 0.0
) -> FallingFit:
    """Fit ``y = curve(x) + extra @ amounts``, the curve smooth and never rising.

    Parameters
    ----------
    x : ndarray of float64, shape (n,)
        From 0 to 1.
    y : ndarray of float64, shape (n,)
    weights : ndarray of float64, shape (n,)
        Inverse variances, up to a factor; 0 leaves a reading out.
    extra : ndarray of float64, shape (n, k), optional
        Further columns, fitted without constraint.
    ridge : float
        How strongly their amounts are held to 0, in units of readings.

    Returns
    -------
    FallingFit
        How smooth the curve is, generalised cross-validation decides.
    """
    knots = _knots()
    basis = BSpline.design_matrix(np.clip(x, 0, 1), knots, _DEGREE).toarray()
    count = basis.shape[1]
    extra = np.zeros((len(x), 0)) if extra is None else extra
    root = np.sqrt(weights / weights[weights > 0].mean())
    design = root[:, None] * np.hstack((basis, extra))
    wanted = root * y
    rough = np.diff(np.eye(count), 2, axis=0)
    penalty = np.zeros((design.shape[1],) * 2)
    penalty[:count, :count] = rough.T @ rough
    held = np.zeros_like(penalty)
    held[count:, count:] = ridge * np.eye(extra.shape[1])
    strength, freedom = _chosen(design, wanted, penalty, held, int((weights > 0).sum()))

    # Falling coefficients make a falling spline: a last value, and steps down that are not < 0.
    steps = np.triu(np.ones((count, count)))
    turned = np.zeros((design.shape[1],) * 2)
    turned[:count, :count] = steps
    turned[count:, count:] = np.eye(extra.shape[1])
    rows = [
        design @ turned,
        np.sqrt(strength) * np.hstack((rough, np.zeros((len(rough), extra.shape[1])))) @ turned,
        np.sqrt(held)[count:] @ turned,
    ]
    target = np.concatenate((wanted, np.zeros(len(rough) + extra.shape[1])))
    low = np.full(design.shape[1], -np.inf)
    low[: count - 1] = 0.0
    solved = lsq_linear(np.vstack(rows), target, bounds=(low, np.inf), method="bvls").x
    return FallingFit(knots, steps @ solved[:count], solved[count:], freedom)


def _chosen(
    design: Matrix, wanted: Vector, penalty: Matrix, held: Matrix, readings: int
) -> tuple[float, float]:
    """Return the strength of the penalty with the least cross-validation score."""
    normal, projected = design.T @ design, design.T @ wanted
    tiny = 1e-9 * np.eye(len(normal))
    best = (np.inf, float(_PENALTIES[-1]), 2.0)
    for strength in _PENALTIES:
        whole = normal + strength * penalty + held + tiny
        solved = np.linalg.solve(whole, np.column_stack((normal, projected)))
        freedom = float(np.trace(solved[:, :-1]))
        left = wanted - design @ solved[:, -1]
        if readings > freedom:
            score = float(left @ left) / readings / (1 - freedom / readings) ** 2
            best = min(best, (score, float(strength), freedom))
    return best[1], best[2]


def _knots() -> Vector:
    inner = np.linspace(0, 1, _PIECES + 1)
    return np.concatenate(([0.0] * _DEGREE, inner, [1.0] * _DEGREE))


_ROUNDS = 8
_TUKEY = 4.685  # 95 % efficient on normal errors; memory
_CAREFUL = 2.5  # the first rounds' limit, in standard deviations
_LEAST_SPREAD = 0.003  # D: no print is evener
_DAMAGED = 5.0  # standard deviations
_LEAST_DAMAGE = 0.02  # D: less is noise, whatever the statistics say
_WARP = 0.7  # share of the curve itself in the scale it is smoothed on


@dataclass(frozen=True, slots=True, eq=False)
class EvenedChart:
    """What a print of the chart says once its unevenness is off.

    Attributes
    ----------
    density : ndarray of float64, shape (levels,)
        Mean of each level's good patches; NaN where none is left.
    error : ndarray of float64, shape (levels,)
        Standard error of each.
    damaged : tuple of str
        Names of the patches left out.
    noise : float
        Standard deviation of one patch, D.
    evenness : float
        Highest to lowest of the fields at half of full black, D.
    """

    density: Vector
    error: Vector
    damaged: tuple[str, ...]
    noise: float
    evenness: float


def even_out(chart: StepChart, density: NDArray[np.float64]) -> EvenedChart:
    """Fit curve and fields to the patches.

    Parameters
    ----------
    chart : StepChart
    density : ndarray of float64, shape (ROWS, COLUMNS)
        As read, above paper white.
    """
    level = chart.order.ravel()
    ink, read = np.asarray(chart.inks)[level], density.ravel()
    weights = np.ones(len(read))
    place, share = ink, np.clip(read / max(float(np.percentile(read, 98)), 0.1), 0, 1)
    for step in range(_ROUNDS):
        fields = _fields(share)
        fit = fit_falling(place, read, weights, fields, ridge=0.05)
        curve = fit(place)
        left = read - curve - fields @ fit.extra
        spread = _spread_of(left, share)
        limit = _TUKEY if step >= 3 else _CAREFUL
        astray = _astray(left, level)
        weights = np.clip(1 - (astray / (limit * spread)) ** 2, 0, 1) ** 2 / spread**2
        share, place = _shares(fit, ink, place)
    evened = read - fields @ fit.extra
    bad = (astray > _DAMAGED * spread) & (astray > _LEAST_DAMAGE)
    names = [patch_name(i // COLUMNS, i % COLUMNS) for i in np.flatnonzero(bad).tolist()]
    means, errors = _levels(level, evened, bad, spread, len(chart.inks))
    middle = _fields(np.full(len(read), 0.5)) @ fit.extra
    noise = float(np.sqrt(np.mean(left[~bad] ** 2)))
    return EvenedChart(means, errors, tuple(names), noise, float(np.ptp(middle)))


def warped(ink: Vector, drawn_ink: Vector, drawn: Vector) -> Vector:
    """Return inks on the scale a curve is smoothed on: mostly how far it has fallen.

    On this scale every response is nearly a straight line, and one strength of smoothing serves
    its steep and its flat parts.
    """
    fallen = (drawn[0] - drawn) / max(float(drawn[0] - drawn[-1]), 1e-6)
    scale = _WARP * fallen + (1 - _WARP) * drawn_ink
    return np.asarray(np.interp(ink, drawn_ink, scale), np.float64)


def _shares(fit: FallingFit, ink: Vector, place: Vector) -> tuple[Vector, Vector]:
    """Return each patch's share of full black, and its place on the next scale to smooth on."""
    order = np.argsort(ink, kind="stable")
    inks, first = np.unique(ink[order], return_index=True)
    drawn = fit(place[order][first])
    share = np.interp(ink, inks, (drawn - drawn[-1]) / max(float(drawn[0] - drawn[-1]), 1e-6))
    return np.clip(share, 0, 1), warped(ink, inks, drawn)


def _fields(share: Vector) -> NDArray[np.float64]:
    """Return the columns of the three fields, shape (patches, 15)."""
    y = np.repeat(np.linspace(-1, 1, ROWS), COLUMNS)
    x = np.tile(np.linspace(-1, 1, COLUMNS), ROWS)
    slow = np.column_stack((x, y, x * y, x * x - np.mean(x * x), y * y - np.mean(y * y)))
    bell = 4 * share * (1 - share)
    return np.hstack((slow, slow * share[:, None], slow * bell[:, None]))


def _astray(left: Vector, level: NDArray[np.int64]) -> Vector:
    """Return how far each patch is off, D: from the curve, or from its duplicates if that is less.

    Duplicates that agree with one another are right, and the curve is not: halftones jump at full
    ink. Of two that differ, the one far from the curve is astray.
    """
    middles = np.array([np.median(left[level == i]) for i in range(int(level.max()) + 1)])
    return np.asarray(np.minimum(np.abs(left), 2 * np.abs(left - middles[level])))


def _spread_of(left: Vector, share: Vector) -> Vector:
    """Return the standard deviation of a patch at each share of black, from median distances."""
    middles, spreads = [], []
    for low in np.arange(0, 1, 0.25):
        near = (share >= low) & (share <= low + 0.25)
        if near.sum() >= 12:
            middles.append(low + 0.125)
            spreads.append(1.4826 * float(np.median(np.abs(left[near]))))
    if not middles:
        return np.full(len(left), max(1.4826 * float(np.median(np.abs(left))), _LEAST_SPREAD))
    return np.maximum(np.interp(share, middles, spreads), _LEAST_SPREAD)


def _levels(
    level: NDArray[np.int64], read: Vector, bad: NDArray[np.bool_], spread: Vector, count: int
) -> tuple[Vector, Vector]:
    good = (~bad).astype(np.float64)
    number = np.bincount(level, good, count)
    with np.errstate(invalid="ignore", divide="ignore"):
        means = np.bincount(level, read * good, count) / number
        errors = np.bincount(level, spread, count) / np.bincount(level, minlength=count)
        errors = errors / np.sqrt(number)
    return means, errors
