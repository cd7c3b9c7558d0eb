"""The tone that a plate is judged by: the median of its picture, as an exposure above the aim.

The median commutes with any curve, so that only its own place has to lie where the curve tells.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from platebench.exposing.own_speed import Bound
from platebench.sensitometry.curve_file import BatchCurve
from platebench.sensitometry.relations import STOP

AIM_NET = 0.80  # D above base plus fog, the middle of 0.20 to 1.40: own choice, no source
THIN_NET = 0.20  # D above base plus fog, where the darkest detail goes: common practice, no source
LEAST_NET, MOST_NET = 0.10, 2.0  # D; beyond, a plate tells a bound only. The second: no curve
_DENSITY_SIGMA = 0.03  # D, of one plate's median
_CURVE_SHARE = 0.07  # of the distance from the aim: gamma differs from plate to plate
_NO_CURVE_SHARE = 0.25  # the same where gamma 1 is taken for want of a curve
_PLAIN_GAMMA = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class ToneSeen:
    """Where a plate's reference tone lies.

    Attributes
    ----------
    above : float
        Stops of exposure above the aim.
    sigma : float
        Its standard error, stops.
    bound : {"", "at least", "at most"}
        Where ``above`` is a bound.
    """

    above: float
    sigma: float
    bound: Bound = ""


def median_density(histogram: Sequence[int], edges: Sequence[float]) -> float:
    """Return the median of a histogram of densities, D.

    Raises
    ------
    ValueError
        If it is empty or does not fit the edges.
    """
    counts = np.asarray(histogram, np.float64)
    if counts.size != len(edges) - 1 or counts.sum() <= 0 or counts.min() < 0:
        raise ValueError("no histogram of densities")
    below = np.concatenate([[0.0], np.cumsum(counts)])
    return float(np.interp(0.5 * below[-1], below, edges))


def tone_above_aim(
    net: float,
    curve: BatchCurve | None,
    *,
    aim_log_h: float | None = None,
    too_dense: float = math.inf,
) -> ToneSeen:
    """Return a median density as stops of exposure above the aim.

    Parameters
    ----------
    net : float
        Median density above base plus fog, D.
    curve : BatchCurve or None
        Of its batch and development; None takes gamma 1 and a quarter of the distance as error.
    aim_log_h : float or None
        Where the aim lies, in the curve's log exposures; None: at ``AIM_NET`` on the same curve.
    too_dense : float
        Net density from which on the reading is a lower limit.
    """
    end = MOST_NET if curve is None else curve.useful_end - curve.base_fog
    top = min(too_dense, end)
    bound: Bound = "at most" if net < LEAST_NET else "at least" if net > top else ""
    net = min(max(net, LEAST_NET), top)
    if curve is None:
        away = (net - AIM_NET) / _PLAIN_GAMMA / STOP
        sigma = math.hypot(_DENSITY_SIGMA / _PLAIN_GAMMA / STOP, _NO_CURVE_SHARE * away)
        return ToneSeen(above=away, sigma=sigma, bound=bound)
    log_h = curve.log_h_at(net)
    if aim_log_h is None:
        aim_log_h = curve.log_h_at(AIM_NET)
    away = (log_h - aim_log_h) / STOP
    own = _DENSITY_SIGMA / max(curve.gradient_at(net), 0.1) / STOP
    return ToneSeen(above=away, sigma=math.hypot(own, _CURVE_SHARE * away), bound=bound)
