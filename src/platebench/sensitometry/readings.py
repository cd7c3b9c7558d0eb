"""Readings of one plate that was exposed through a step tablet: log exposure and density."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from platebench.core.errors import ReadingsError
from platebench.sensitometry.doubtful_steps import DoubtfulSteps, doubtful_steps, first_fall

Floats = NDArray[np.float64]

ASSUMED_SIGMA = 0.01  # D; no plate is so even that a dip of one step tells more exactly
_DIP = 4.0  # standard errors of a difference: one in 30,000 by chance
_LEAST_RISE = 0.10  # D; the speed point lies so high above base plus fog
_ENOUGH_TO_JUDGE = 5  # steps
_DISORDER = 0.2  # of the steps fall: not a curve with a flaw, but none
_THINNEST, _DENSEST = -0.02, 4.5  # D; beyond these a reading wants a word (practice, no source)
_MOST = 10.0  # D, and log exposure; beyond it a number is a slip of the pen


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StepReadings:
    """Paired readings in order of exposure. Made by `pair_readings`.

    None falls beyond its error but those that are named in ``doubtful``.

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
        What was said of the readings where they come from, and what is doubtful about them.
    doubtful, set_aside : tuple of str
        Steps that do not go with the others: those still among the readings, and those left out.
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
    doubtful: tuple[str, ...] = ()
    set_aside: tuple[str, ...] = ()


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
    steps: Sequence[str] | None = None,
    set_aside: bool = False,
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
    steps : sequence of str, length n, or None
        What the steps are called.
    set_aside : bool
        Leave out the steps that do not go with the others; they are named either way.

    Returns
    -------
    StepReadings

    Raises
    ------
    ReadingsError
        For a number that is none, fewer than two steps, densities that hardly rise, or densities
        that fall by more than four standard errors (0.01 D each at least) where neither a step or
        two that stand apart nor a reversed shoulder explain it.
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
    found = _check_rise(name, places, d, e, base_fog)
    called = _called(steps, places, which)
    doubtful = tuple(called[n] for n in found.places(d.size))
    kept = np.ones(d.shape, bool)
    if set_aside:
        kept[list(found.places(d.size))] = False
    return StepReadings(
        name=name,
        log_h=places[kept],
        density=d[kept],
        sigma=None if e is None else e[kept],
        common_sigma=None if common is None else common[kept],
        log_h_sigma=None if exposure is None else exposure[kept],
        absolute=absolute,
        base_fog=base_fog,
        base_fog_sigma=base_fog_sigma,
        notes=(*notes, *_notes_on(found, called, d, set_aside=set_aside), *_out_of_range(d)),
        doubtful=() if set_aside else doubtful,
        set_aside=doubtful if set_aside else (),
    )


def _called(steps: Sequence[str] | None, places: Floats, which: NDArray[np.intp]) -> list[str]:
    """Return what the readings at each exposure are called."""
    if steps is None:
        return [f"at log H {place:z.2f}" for place in places]
    names: list[list[str]] = [[] for _ in places]
    for step, place in zip(steps, which.ravel(), strict=True):
        names[place].append(step)
    return [" and ".join(dict.fromkeys(own)) for own in names]


def _notes_on(found: DoubtfulSteps, called: list[str], d: Floats, *, set_aside: bool) -> list[str]:
    """Name the steps that do not go with the others."""
    done = "set aside" if set_aside else "figures near it are off: correct it, or set it aside"
    notes = [
        f"step {called[n]} (density {d[n]:z.2f}) stands apart from its neighbours "
        f"({', '.join(f'{d[m]:z.2f}' for m in (n - 1, n + 1) if 0 <= m < d.size)}): {done}"
        for n in found.apart
    ]
    past = found.reversed_from
    if past is not None:
        done = "these steps are set aside" if set_aside else "set these steps aside"
        notes.append(
            f"the shoulder is reversed (solarised): density falls from {d[past - 1]:z.2f} to "
            f"{d[-1]:z.2f} from step {called[past]} on: {done}"
        )
    return notes


def _out_of_range(d: Floats) -> list[str]:
    """Say what cannot be the density of a plate over bare light."""
    notes = []
    if d.min() < _THINNEST:
        notes.append(
            f"a density of {d.min():z.2f} is less than nothing: set the zero of the densitometer "
            "on the bare light, or look for a slip"
        )
    if d.max() > _DENSEST:
        notes.append(
            f"a density of {d.max():z.2f} is more than densitometers and cameras can tell from "
            f"darkness (about {_DENSEST:g}): look for a slip"
        )
    return notes


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


def _check_rise(
    name: str, x: Floats, d: Floats, sigma: Floats | None, base_fog: float | None
) -> DoubtfulSteps:
    """Return which steps do not go with the others; refuse what is no rising curve."""
    error = np.maximum(0.0 if sigma is None else sigma, np.full(d.shape, ASSUMED_SIGMA))
    allowed = np.maximum(_DIP * error, 1e-9)
    falling = d[-1] - d[0] < -_LEAST_RISE
    turned = doubtful_steps(-x[::-1], d[::-1], allowed[::-1]) if falling else None
    if turned is not None and turned.reversed_from is None:
        raise ReadingsError(
            name,
            "has densities that fall where the exposure rises",
            "turn the tablet's steps round: its thinnest step exposes most",
        )
    found = doubtful_steps(x, d, allowed)
    fall = first_fall(d, allowed)
    if found is None and fall is not None:
        top, here = fall
        if d.size >= _ENOUGH_TO_JUDGE and (np.diff(d) < -allowed[1:]).mean() > _DISORDER:
            raise ReadingsError(
                name,
                "has densities that rise and fall without order",
                "check that each density stands beside its own step",
            )
        raise ReadingsError(
            name,
            f"is not a rising curve: density falls from {d[top]:z.2f} to {d[here]:z.2f} with "
            f"more exposure, where {float(np.hypot(allowed[here], allowed[top])):.3f} at most is "
            "noise",
            "look for dust or a wrong figure there, and leave out steps past reversal",
        )
    found = found or DoubtfulSteps()
    sound = np.setdiff1d(np.arange(d.size), found.places(d.size))
    d, error = d[sound], error[sound]
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
    return found
