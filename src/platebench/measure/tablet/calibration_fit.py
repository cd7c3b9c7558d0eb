"""Fit a density calibration to the steps of a tablet.

Which steps they are is told by a fit that takes glare for an even share of the light. Then the
glare is taken off by the model that serves plates, to which the steps are evidence; the Callier
factor follows by weighted least squares, and a residual in density as a natural cubic spline held
small and smooth, zero at the bare light. The tablet's own uncertainty is part of the weights: a
step is followed as far as it is known.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline
from scipy.optimize import least_squares

from platebench.core.errors import TabletError
from platebench.measure.tablet.known_tablet import STANDARD, KnownTablet
from platebench.measure.tablet.read_tablet import TabletReading
from platebench.plate.calibration import LEAST_LIGHT, CalibratedStep, Calibration
from platebench.plate.glare_evidence import LitScene, tablet_cells
from platebench.plate.glare_model import (
    BESIDE_MISFIT,
    PREDICTED_MISFIT,
    Evidence,
    fit_captures,
    glare_off,
    posterior_of,
    stands_out,
)

Doubles = NDArray[np.float64]

LEAST_STEPS = 4
CALLIER_RANGE = (0.85, 1.8)  # 1.7 is coarse grain in collimated light; below 1 there is none
_SEARCHED = ((0.0, 0.3), (0.3, 3.0))  # glare; Callier factor
_WORST_MISFIT = 3.0  # root of chi squared over degrees of freedom
_LEAST_SIGMA = 0.008  # D: nothing real fits its model better
_NODE_SPACING = 0.6  # D
_RESIDUAL_SIZE = 0.02  # D: standard deviation expected of the residual
_BARE = 0.97  # transmittance of bare light around the tablet, glare and all
_CALLIER_SIGMA = 0.05  # of the Callier factor that the thin steps tell, before the glare is known
_LN10 = float(np.log(10))


@dataclass(frozen=True, slots=True, eq=False)
class _Readings:
    """Steps as they were measured: place in the row, transmittance, standard error."""

    place: NDArray[np.intp]
    light: Doubles
    sigma: Doubles
    ends: tuple[str, str]


@dataclass(frozen=True, slots=True, eq=False)
class _Fit:
    """Callier factor, and an even glare, for one tablet and one place of its first step."""

    tablet: KnownTablet
    first: int
    glare: float
    callier: float
    covariance: Doubles
    misfit: float
    known: Doubles
    known_sigma: Doubles


@dataclass(frozen=True, slots=True, eq=False)
class _GlareTaken:
    """What was done about glare: evidence of the steps, and what came off them."""

    evidence: Evidence | None = None
    share: float = 0.0
    sigma: float = 0.0


def fit_calibration(
    reading: TabletReading,
    tablet: KnownTablet | None,
    *,
    path: Path,
    capture: str = "",
    scene: LitScene | None = None,
) -> Calibration:
    """Fit a calibration to a tablet that was read.

    Parameters
    ----------
    reading : TabletReading
        From :func:`read_tablet`.
    tablet : KnownTablet or None
        The tablet; None: the standard one with this number of steps.
    path : Path
        The capture, for messages.
    capture : str
        Name to keep in the calibration; the file's name where it is empty.
    scene : LitScene or None
        All of the capture, from which its glare is computed; None: there is no glare in it.

    Raises
    ------
    TabletError
        If the steps are fewer than four, do not get denser in order, or are not this tablet's.
    """
    steps = reading.steps
    readings = _Readings(
        np.array([step.place for step in steps], np.intp),
        np.array([step.transmittance for step in steps], np.float64),
        np.array([step.sigma for step in steps], np.float64),
        reading.found.ends,
    )
    _check_order(readings, path)
    count = int(readings.place[-1]) + 1
    if tablet is None:
        tablet = _by_count(count, readings.ends, path)
    fit = _best(readings, tablet)
    _check_fit(fit, readings, tablet, count, path)
    assert fit is not None
    taken = _GlareTaken()
    if scene is not None:
        places = np.asarray(reading.found.quads.mean(axis=1))[readings.place]
        readings, taken = _without_glare(fit, readings, places, scene)
    kept = _kept(readings)
    if np.count_nonzero(kept) < LEAST_STEPS:
        raise TabletError(
            path,
            "shows less light through its steps than glare",
            "darken the room, mask the box around the tablet, and take it again",
        )
    fit, readings = _only(fit, readings, kept)
    fit = _refit(fit, readings)
    return _calibration(fit, readings, capture or path.name, reading.notes, taken)


def _without_glare(
    fit: _Fit, readings: _Readings, places: Doubles, scene: LitScene
) -> tuple[_Readings, _GlareTaken]:
    """Return the steps without glare, and what they say of it; taken off where it stands out."""
    steps = tablet_cells(
        scene,
        places,
        readings.light,
        readings.sigma,
        fit.known,
        np.hypot(fit.known_sigma, _LEAST_SIGMA),
        (fit.callier, _CALLIER_SIGMA),
    )
    together = fit_captures([steps], scene.known)
    found = posterior_of(together)
    off = glare_off(
        scene.cells,
        scene.bare,
        scene.room,
        found,
        together.misfit,
        seen=False,
        predicted=PREDICTED_MISFIT if scene.proven else BESIDE_MISFIT,
    )
    at = tuple(np.array([scene.cell_of(place) for place in places]).T)
    error = off.error[:, at[0], at[1]]
    share = float(off.share[at].mean())
    sigma = float(np.sqrt(error[0].mean()))
    evidence = together.without(scene.known)
    if share <= 2 * sigma or not stands_out(together, scene.room):
        left_on = float(np.hypot(share, sigma))
        total = np.hypot(readings.sigma, left_on * (1 - np.minimum(readings.light, 1)))
        left = _Readings(readings.place, readings.light, total, readings.ends)
        return left, _GlareTaken(evidence, 0.0, left_on)
    gain, offset = (plane.mean(axis=0) for plane in (off.gain, off.offset))
    seen = scene.cells.mean(axis=0) / scene.bare.mean(axis=0)
    bright = seen > _BARE
    level = float(np.median((seen * gain + offset)[bright])) if bright.any() else 1.0
    light = (readings.light * gain[at] + offset[at]) / level
    through = np.clip(light, 0, 1)
    by_glare = np.maximum(error[0] - 2 * through * error[1] + through**2 * error[2], 0)
    total = np.sqrt(readings.sigma**2 + by_glare)
    clear = _Readings(readings.place, light, total, readings.ends)
    return clear, _GlareTaken(evidence, share, sigma)


def _kept(readings: _Readings) -> NDArray[np.bool_]:
    """Return which steps are told from darkness."""
    return np.asarray(readings.light > np.maximum(2 * readings.sigma, LEAST_LIGHT), bool)


def _only(fit: _Fit, readings: _Readings, kept: NDArray[np.bool_]) -> tuple[_Fit, _Readings]:
    fewer = replace(fit, known=fit.known[kept], known_sigma=fit.known_sigma[kept])
    return fewer, _Readings(
        readings.place[kept], readings.light[kept], readings.sigma[kept], readings.ends
    )


def _refit(fit: _Fit, readings: _Readings) -> _Fit:
    """Return the Callier factor of steps without glare: a weighted mean of ratios of density."""
    measured = -np.log10(readings.light)
    noise = readings.sigma / (readings.light * _LN10)
    sigma = np.hypot(noise, fit.callier * np.hypot(fit.known_sigma, _LEAST_SIGMA))
    weight = (fit.known / sigma) ** 2
    callier = float((measured * fit.known / sigma**2).sum() / weight.sum())
    over = (measured - callier * fit.known) / sigma
    chi = float(np.sqrt(over @ over / max(1, len(over) - 1)))
    covariance = np.diag([0.0, max(1.0, chi**2) / float(weight.sum())])
    return replace(fit, glare=0.0, callier=callier, covariance=covariance, misfit=chi)


def _check_order(readings: _Readings, path: Path) -> None:
    if len(readings.light) < LEAST_STEPS:
        raise TabletError(
            path,
            f"shows only {len(readings.light)} steps of a tablet that can be read",
            f"take it again with at least {LEAST_STEPS} steps in the frame, none clipped",
        )
    fall = np.diff(readings.light) / np.hypot(readings.sigma[1:], readings.sigma[:-1])
    wrong = np.flatnonzero(fall > 3)
    if wrong.size:
        one = int(readings.place[wrong[0]]) + 1
        raise TabletError(
            path,
            f"shows a tablet whose steps do not get denser in order (step {one} of those seen)",
            "wipe the tablet, keep anything else off it, and take it again",
        )


def _by_count(count: int, ends: tuple[str, str], path: Path) -> KnownTablet:
    tablet = STANDARD.get(str(count))
    if tablet is None or ends != ("seen", "seen"):
        raise TabletError(
            path,
            f"shows {count} steps, which do not tell which tablet it is",
            "name it, 21 or 31, or give a CSV table of its steps",
            "steps",
        )
    return tablet


def _best(readings: _Readings, tablet: KnownTablet) -> _Fit | None:
    """Return the best fit over all places of the first step that was seen."""
    spare = len(tablet.densities) - 1 - int(readings.place[-1])
    if spare < 0:
        return None
    fits = [_fit(readings, tablet, first) for first in range(spare + 1)]
    return min(fits, key=lambda fit: fit.misfit + _strangeness(fit.callier))


def _strangeness(callier: float) -> float:
    """Return what a Callier factor far from 1 to 1.3 counts against a fit."""
    return 4 * max(0.0, float(np.log(1 / callier)), float(np.log(callier / 1.3)))


def _fit(readings: _Readings, tablet: KnownTablet, first: int) -> _Fit:
    known = np.array(tablet.densities)[readings.place + first]
    known_sigma = np.array(tablet.sigmas)[readings.place + first]
    measured = -np.log10(readings.light)
    measured_sigma = readings.sigma / (readings.light * _LN10)

    def misfit(values: Doubles) -> Doubles:
        glare, callier = values
        through = 10 ** (-callier * known)
        model = -np.log10((through + glare) / (1 + glare))
        slope = callier * through / (through + glare)
        sigma = np.sqrt(measured_sigma**2 + (slope * np.hypot(known_sigma, _LEAST_SIGMA)) ** 2)
        return np.asarray((measured - model) / sigma, np.float64)

    lowest = float(readings.light.min())
    start = (min(0.5 * lowest, 0.2), 1.0)
    bounds = ([_SEARCHED[0][0], _SEARCHED[1][0]], [_SEARCHED[0][1], _SEARCHED[1][1]])
    solved = least_squares(
        misfit, start, bounds=bounds, loss="soft_l1", f_scale=2.5, x_scale=(0.01, 1.0)
    )
    freedom = max(1, len(known) - 2)
    residual = misfit(solved.x)
    chi = float(np.sqrt(residual @ residual / freedom))
    curvature = solved.jac.T @ solved.jac
    covariance = np.linalg.pinv(curvature) * max(1.0, chi**2)
    glare, callier = (float(v) for v in solved.x)
    return _Fit(tablet, first, glare, callier, covariance, chi, known, known_sigma)


def _check_fit(
    fit: _Fit | None, readings: _Readings, tablet: KnownTablet, count: int, path: Path
) -> None:
    name = f"the {tablet.name}-step tablet" if not tablet.calibrated else tablet.name
    remedy = "name the tablet that was laid there: 21, 31 or a CSV table of its steps", "steps"
    if fit is None:
        total = len(tablet.densities)
        what = f"shows {count} steps, more than the {total} of {name}"
        raise TabletError(path, what, *remedy)
    others = [] if tablet.calibrated else [t for t in STANDARD.values() if t.name != tablet.name]
    for other in others:
        better = _best(readings, other)
        if better is not None and _clearly_better(better, fit):
            what = f"shows steps that are not those of {name} but of the {other.name}-step tablet"
            raise TabletError(path, what, *remedy)
    if not CALLIER_RANGE[0] <= fit.callier <= CALLIER_RANGE[1]:
        what = f"shows densities that rise {fit.callier:.2f} times as fast as those of {name}"
        raise TabletError(path, what, *remedy)
    if fit.misfit > _WORST_MISFIT:
        off = _residual(fit, readings)
        worst = int(np.argmax(np.abs(off)))
        step = int(readings.place[worst]) + fit.first + 1
        what = f"does not follow {name}: step {step} is off by {off[worst]:+z.2f} D"
        raise TabletError(path, what, *remedy)


def _clearly_better(one: _Fit, other: _Fit) -> bool:
    """Tell whether another tablet explains the steps without a strange Callier factor."""
    gain = _strangeness(other.callier) + other.misfit - _strangeness(one.callier) - one.misfit
    return gain > 0.35 and one.misfit < max(1.5, other.misfit)


def _plain(fit: _Fit, light: Doubles) -> tuple[Doubles, Doubles]:
    """Return density with glare and Callier factor off, and D per unit of measured light."""
    through = np.maximum(light * (1 + fit.glare) - fit.glare, LEAST_LIGHT)
    gain = (1 + fit.glare) / (through * _LN10 * fit.callier)
    return -np.log10(through) / fit.callier, gain


def _residual(fit: _Fit, readings: _Readings) -> Doubles:
    return np.asarray(_plain(fit, readings.light)[0] - fit.known, np.float64)


def _calibration(
    fit: _Fit,
    readings: _Readings,
    capture: str,
    notes: tuple[str, ...],
    taken: _GlareTaken,
) -> Calibration:
    plain, gain = _plain(fit, readings.light)
    nodes, values, sigmas = _smooth_residual(fit, plain, gain * readings.sigma)
    common = fit.tablet.common
    rough = Calibration(
        glare=taken.evidence,
        glare_share=taken.share,
        glare_sigma=taken.sigma,
        callier=fit.callier,
        callier_sigma=float(np.sqrt(fit.covariance[1, 1])),
        nodes=nodes,
        residuals=values,
        residual_sigmas=sigmas,
        common_offset=common[0],
        common_share=common[1],
        tablet=fit.tablet.name,
        calibrated_tablet=fit.tablet.calibrated,
        capture=capture,
    )
    through = rough.diffuse_density(readings.light)
    steps = tuple(
        CalibratedStep(
            step=int(place) + fit.first + 1,
            known=float(fit.known[k]),
            known_sigma=float(fit.known_sigma[k]),
            measured=float(-np.log10(readings.light[k])),
            measured_sigma=float(readings.sigma[k] / (readings.light[k] * _LN10)),
            calibrated=float(through[k]),
            residual=float(through[k] - fit.known[k]),
        )
        for k, place in enumerate(readings.place)
    )
    values_of = {name: getattr(rough, name) for name in Calibration.__dataclass_fields__}
    return Calibration(**values_of | {"steps": steps, "notes": (*notes, *_notes(fit, steps))})


def _smooth_residual(
    fit: _Fit, plain: Doubles, sigma: Doubles
) -> tuple[tuple[float, ...], tuple[float, ...], tuple[float, ...]]:
    """Return nodes, residual and its standard deviation: the mean of a Gaussian posterior.

    Prior: values and second differences at the nodes have standard deviation ``_RESIDUAL_SIZE``;
    the bare light has none, since it is what everything is measured against.
    """
    last = max(_NODE_SPACING, float(np.max(plain)))
    nodes = np.linspace(0.0, last, max(3, round(last / _NODE_SPACING) + 1))
    basis = CubicSpline(nodes, np.eye(len(nodes)), bc_type="natural")(np.clip(plain, 0, last))
    weight = 1 / (fit.known_sigma**2 + sigma**2 + _LEAST_SIGMA**2)
    bend = np.diff(np.eye(len(nodes)), n=2, axis=0)
    prior = (np.eye(len(nodes)) + bend.T @ bend) / _RESIDUAL_SIZE**2
    matrix = (basis.T * weight) @ basis + prior
    right = (basis.T * weight) @ (fit.known - plain)
    covariance = np.linalg.inv(matrix[1:, 1:])
    values = np.append(0.0, covariance @ right[1:])
    # A rise of less than a tenth of a density a density would fold tones together.
    steepest = float(np.min(CubicSpline(nodes, values, bc_type="natural")(
        np.linspace(0, last, 200), 1
    )))  # fmt: skip
    if steepest < -0.9:
        values *= 0.9 / -steepest
    sigmas = np.append(0.0, np.sqrt(np.diag(covariance)))
    return tuple(map(float, nodes)), tuple(map(float, values)), tuple(map(float, sigmas))


def _notes(fit: _Fit, steps: tuple[CalibratedStep, ...]) -> list[str]:
    notes = []
    if not fit.tablet.calibrated:
        notes.append(
            "the tablet's own densities are not known: the nominal ones of its kind were taken, "
            "which may be off by 0.05 D and 4 %"
        )
    total = len(fit.tablet.densities)
    if len(steps) < total:
        notes.append(
            f"{len(steps)} of {total} steps were read: {steps[0].step} to {steps[-1].step}"
        )
    bad = [s.step for s in steps if abs(s.residual) > 4 * np.hypot(s.known_sigma, _LEAST_SIGMA)]
    if bad:
        notes.append(f"step {', '.join(map(str, bad))} does not lie on the curve of the others")
    if fit.callier < 1 - 3 * float(np.sqrt(fit.covariance[1, 1])) - 0.02:
        notes.append(
            f"the Callier factor is {fit.callier:.2f}, below 1: is the tablet of silver, and is "
            "the light the same as in the blank?"
        )
    return notes
