"""Prints of the step chart to one response: pooled, their drift taken off, smooth and monotone."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from platebench.printing.even_out import warped
from platebench.printing.falling_fit import FallingFit, Vector, fit_falling
from platebench.printing.print_response import PrintResponse
from platebench.printing.process_calibration import ChartPrint

_ROUNDS = 4
_POINTS = 101


@dataclass(frozen=True, slots=True, eq=False)
class PooledFit:
    """The response and how well the prints follow it.

    Attributes
    ----------
    response : PrintResponse
    residual : float
        RMS distance of the levels from the curve, drift between prints off, D.
    depth_drift : tuple of float
        How much deeper each print is at full black than their mean, D.
    tone_drift : tuple of float
        How much darker each is at half of it, D; exposures differ.
    """

    response: PrintResponse
    residual: float
    depth_drift: tuple[float, ...]
    tone_drift: tuple[float, ...]


def fit_response(prints: Sequence[ChartPrint]) -> PooledFit:
    """Fit one smooth monotone curve through all prints of a process.

    Prints differ in depth (humidity, chemistry) and exposure. Each has an amount of either, the
    amounts adding up to nothing: the curve is that of the mean print.
    """
    ink = np.concatenate([p.ink for p in prints])
    read = np.concatenate([p.density for p in prints])
    weights = np.concatenate([p.error for p in prints]) ** -2.0
    number = np.repeat(np.arange(len(prints)), [len(p.ink) for p in prints])
    place, share = ink, np.clip(read / max(float(read.max()), 0.1), 0, 1)
    for _ in range(_ROUNDS):
        drift = _drift(number, share, len(prints))
        fit = fit_falling(place, read, weights, drift, ridge=1e-4)
        inks, drawn = _drawn(fit, ink, place)
        before, place = place, warped(ink, inks, drawn)
        share = np.clip(np.interp(ink, inks, drawn) / max(float(drawn[0]), 0.1), 0, 1)
    left = read - fit(before) - drift @ fit.extra
    amounts = fit.extra.reshape(2, len(prints) - 1)
    whole = np.column_stack((amounts, -amounts.sum(1)))
    return PooledFit(
        response=_response(fit, ink, before),
        residual=float(np.sqrt(np.mean(left**2))),
        depth_drift=tuple(float(a) for a in whole[0]),
        tone_drift=tuple(float(a / 2 + b) for a, b in whole.T),
    )


def _drift(number: NDArray[np.int64], share: Vector, prints: int) -> NDArray[np.float64]:
    """Return the columns of depth and exposure; the last print's amounts are minus the others'."""
    which = np.eye(prints)[number]
    apart = which[:, :-1] - which[:, -1:]
    bell = 4 * share * (1 - share)
    return np.hstack((apart * share[:, None], apart * bell[:, None]))


def _drawn(fit: FallingFit, ink: Vector, place: Vector) -> tuple[Vector, Vector]:
    """Return the curve at each ink that was printed."""
    inks, first = np.unique(ink, return_index=True)
    return inks, fit(place[first])


def _response(fit: FallingFit, ink: Vector, place: Vector) -> PrintResponse:
    """Return the curve at points that lie evenly on the scale it was smoothed on."""
    inks, first = np.unique(ink, return_index=True)
    at = np.linspace(0, 1, _POINTS)
    points = np.interp(at, place[first], inks)
    density = np.minimum.accumulate(np.maximum(fit(at), 0.0))
    return PrintResponse(
        ink=tuple(round(float(p), 6) for p in points),
        density=tuple(round(float(d), 5) for d in density),
        calibrated=True,
    )
