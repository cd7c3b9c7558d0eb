"""A smooth curve that never rises, through noisy readings: penalised splines under a constraint.

References
----------
Eilers & Marx, Statistical Science 11:89 (1996): B-splines with a difference penalty. Craven &
Wahba, Numer. Math. 31:377 (1979): generalised cross-validation. Both from memory.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import BSpline
from scipy.optimize import lsq_linear

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
