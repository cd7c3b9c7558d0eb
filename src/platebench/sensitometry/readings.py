"""Readings of one plate that was exposed through a step tablet: log exposure and density."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from platebench.errors import ReadingsError

Floats = NDArray[np.float64]

ASSUMED_SIGMA = 0.01  # D; no plate is so even that a dip of one step tells more exactly
_DIP = 4.0  # standard errors of a difference: one in 30,000 by chance
_LEAST_RISE = 0.10  # D; the speed point lies so high above base plus fog
_MOST = 10.0  # D, and log exposure; beyond it a number is a slip of the pen


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StepReadings:
    """Paired readings in order of exposure, none falling beyond its error. Made by `pair_readings`.

    Attributes
    ----------
    name : str
        The plate, or the file it came from.
    log_h : ndarray of float64, shape (n,), n >= 2
        Log10 of the exposure, rising; of lux seconds if ``absolute``, else of a share of the
        bare tablet's exposure.
    density : ndarray of float64, shape (n,)
        Density D of the plate.
    sigma : ndarray of float64, shape (n,), or None
        Standard error of each density, D.
    common_sigma : ndarray of float64, shape (n,), or None
        Standard error that all densities share, as from the calibration they were read through:
        when it is wrong for one it is wrong for all, D.
    log_h_sigma : ndarray of float64, shape (n,), or None
        Standard error of each log exposure, from the tablet's calibration.
    absolute : bool
        Whether the exposure is known in lux seconds.
    base_fog, base_fog_sigma : float or None
        Density of an unexposed, developed part of the plate, where it was read.
    notes : tuple of str
        What was said of the readings where they come from.
    """

    name: str
    log_h: Floats
    density: Floats
    sigma: Floats | None
    common_sigma: Floats | None
    log_h_sigma: Floats | None
    absolute: bool
    base_fog: float | None
    base_fog_sigma: float | None
    notes: tuple[str, ...] = ()


def pair_readings(
    name: str,
    log_h: ArrayLike,
    density: ArrayLike,
    *,
    sigma: ArrayLike | None = None,
    common_sigma: ArrayLike | None = None,
    log_h_sigma: ArrayLike | None = None,
    absolute: bool = False,
    base_fog: float | None = None,
    base_fog_sigma: float | None = None,
    notes: tuple[str, ...] = (),
) -> StepReadings:
    """Put readings in order of exposure and check that they make a characteristic curve.

    Readings at the same exposure are averaged.

    Parameters
    ----------
    name : str
        Named in messages.
    log_h, density, sigma, common_sigma, log_h_sigma : array_like, shape (n,)
        In any order; see `StepReadings`.
    absolute, base_fog, base_fog_sigma, notes
        See `StepReadings`.

    Returns
    -------
    StepReadings

    Raises
    ------
    ReadingsError
        For a number that is none, fewer than two steps, densities that hardly rise, or densities
        that fall by more than four standard errors (0.01 D each at least).
    """
    x, d = np.asarray(log_h, np.float64), np.asarray(density, np.float64)
    given = (sigma, common_sigma, log_h_sigma)
    errors = [None if e is None else np.asarray(e, np.float64) for e in given]
    _check_numbers(name, x, d, errors)
    places, which = np.unique(np.round(x, 6), return_inverse=True)
    if places.size < 2:
        what = "has one step only" if places.size else "has no steps"
        raise ReadingsError(name, what, "a curve takes two steps at least, and 21 show it well")
    count = np.bincount(which)
    places, d = np.bincount(which, x) / count, np.bincount(which, d) / count
    squared = [None if e is None else np.bincount(which, e * e) / count for e in errors]
    # A patch read twice: its own error is halved in square, what both share is not.
    own, common, exposure = (None if e is None else np.sqrt(e) for e in squared)
    e = None if own is None else own / np.sqrt(count)
    _check_rise(name, d, e, base_fog)
    return StepReadings(
        name=name,
        log_h=places,
        density=d,
        sigma=e,
        common_sigma=common,
        log_h_sigma=exposure,
        absolute=absolute,
        base_fog=base_fog,
        base_fog_sigma=base_fog_sigma,
        notes=notes,
    )


def _check_numbers(name: str, x: Floats, d: Floats, errors: list[Floats | None]) -> None:
    columns = [x, d, *(error for error in errors if error is not None)]
    if any(column.ndim != 1 or column.shape != x.shape for column in columns):
        raise ReadingsError(name, "has columns of unequal length", "give each step all its figures")
    if not all(np.isfinite(column).all() for column in columns):
        raise ReadingsError(
            name, "holds a number that is not finite", "correct or leave out the step"
        )
    if any((np.abs(column) > _MOST).any() for column in columns):
        what = f"holds a density or log exposure beyond {_MOST:g}"
        raise ReadingsError(name, what, "densities are logarithms, such as 1.25")
    if any((error < 0).any() for error in errors if error is not None):
        raise ReadingsError(name, "holds a negative error", "a standard error is 0 or more")


def _check_rise(name: str, d: Floats, sigma: Floats | None, base_fog: float | None) -> None:
    error = np.maximum(0.0 if sigma is None else sigma, np.full(d.shape, ASSUMED_SIGMA))
    if d[-1] - d[0] < -_LEAST_RISE and (np.diff(d) < 0).mean() > 0.5:
        raise ReadingsError(
            name,
            "has densities that fall where the exposure rises",
            "turn the tablet's steps round: its thinnest step exposes most",
        )
    top = 0
    for here in range(1, d.size):
        allowed = _DIP * float(np.hypot(error[here], error[top]))
        if d[top] - d[here] > max(allowed, 1e-9):
            raise ReadingsError(
                name,
                f"is not a rising curve: density falls from {d[top]:z.2f} to {d[here]:z.2f} with "
                f"more exposure, where {allowed:.3f} at most is noise",
                "look for dust or a wrong figure there, and leave out steps past reversal",
            )
        top = here if d[here] >= d[top] else top
    lowest = float(d.min()) if base_fog is None else base_fog
    if d.max() - lowest < _LEAST_RISE:
        raise ReadingsError(
            name,
            f"shows no picture of the tablet: its steps differ by {d.max() - lowest:z.2f} only",
            "expose or develop more, and check that it is the right plate",
        )
    if base_fog is not None and base_fog - d.min() > _DIP * (
        float(error[np.argmin(d)]) + ASSUMED_SIGMA
    ):
        raise ReadingsError(
            name,
            f"has a step of {d.min():z.2f}, thinner than its base plus fog of {base_fog:z.2f}",
            "read base plus fog on an unexposed part of the same plate",
        )
