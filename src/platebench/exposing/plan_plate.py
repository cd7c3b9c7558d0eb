"""From the print wanted back to the plate: how long a range, which gamma, how long to develop.

A plate suits a process where the subject's range R, put on the curve with its darkest detail at
0.20 above base plus fog, comes out as long as the process's exposure scale ES:

    D(log H_s + R) - D(log H_s) = ES,   net D(log H_s) = 0.20

Solved on the batch's own curves. Between two times of development they are blended by gamma, beyond
them stretched; the time follows from ``gamma = gamma_infinity (1 - exp(-k t))``.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.optimize import brentq

from platebench.core.camera_time import time_in_words
from platebench.core.rounding import rounded
from platebench.exposing.reference_tone import AIM_NET, THIN_NET
from platebench.exposing.subject_range import SubjectRange
from platebench.sensitometry.curve_file import BatchCurve, reference_curve
from platebench.sensitometry.family import DevelopmentLaw, fit_development
from platebench.sensitometry.figures import Estimate
from platebench.sensitometry.relations import STOP

NEARLY_ALL = 0.9  # of gamma infinity: beyond, time runs away and fog grows
RATE_PER_DEGREE = 0.075  # by how much k grows a degree Celsius: from memory
CURVES_AT_C = 20.0
_LEAST_GAMMA = 0.1
_GAMMA_SHARE, _BATH_SIGMA_C = 0.05, 1.0  # plate to plate: from memory
_STEP = 0.005  # log units
_TRIED = 60  # gammas, before the right one is closed in on


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """What a plate is made for.

    Attributes
    ----------
    process : str
        Title of the printing process.
    scale : float
        Its exposure scale, log units: the density range to aim at.
    scale_mark : str
        Where that comes from.
    subject : SubjectRange
    bath_c : float
        Temperature of the developer, degrees Celsius.
    """

    process: str
    scale: float
    scale_mark: str
    subject: SubjectRange
    bath_c: float = CURVES_AT_C


@dataclass(frozen=True, slots=True, kw_only=True)
class PlatePlan:
    """A planned plate.

    Attributes
    ----------
    wanted : Wanted
    batch : str
    gamma, gamma_infinity : float
    seconds, shortest_s, longest_s : float
        Time of development at the bath's temperature, and the span of plates that differ by 5 % in
        gamma.
    thin, middle, dense : float
        Densities to aim at, base plus fog included, D.
    base_fog : float
    range_sigma : float
        Standard deviation of the range that will come, D.
    shift_stops : float
        By how much more exposure this aim asks for than the usual one.
    stop_more : float
        What one stop more exposure does to the range, D.
    stop_more_thin : float
        And to the thinnest detail, D.
    degree_warmer : float
        What one degree does to the range, D.
    tried : bool
        The time lies between those the curves were developed for.
    notes : tuple of str
    """

    wanted: Wanted
    batch: str
    gamma: float
    gamma_infinity: float
    seconds: float
    shortest_s: float
    longest_s: float
    thin: float
    middle: float
    dense: float
    base_fog: float
    range_sigma: float
    shift_stops: float
    stop_more: float
    stop_more_thin: float
    degree_warmer: float
    tried: bool
    notes: tuple[str, ...]


class NoPlanError(ValueError):
    """No development gives what is wanted: what is wrong, and what to do."""

    def __init__(self, what: str, remedy: str) -> None:
        super().__init__(what, remedy)
        self.what, self.remedy = what, remedy


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CurveFamily:
    """The curves of one batch, by gamma, on one grid of log exposure.

    Attributes
    ----------
    gammas : tuple of float
        Rising.
    log_h : ndarray of float64, shape (n,)
    nets : ndarray of float64, shape (curves, n)
        Density above base plus fog.
    fogs : tuple of float
    law : DevelopmentLaw
    usual_log_h : float
        Where the usual aim lies: ``AIM_NET`` on the curve of gamma nearest 1.
    """

    gammas: tuple[float, ...]
    log_h: Any
    nets: Any
    fogs: tuple[float, ...]
    law: DevelopmentLaw
    usual_log_h: float

    def net(self, gamma: float) -> Any:
        """Return the curve of a gamma, D above base plus fog at each ``log_h``."""
        known = np.asarray(self.gammas)
        if gamma <= known[0] or gamma >= known[-1]:
            nearest = 0 if gamma <= known[0] else -1
            return self.nets[nearest] * (gamma / known[nearest])
        after = int(np.searchsorted(known, gamma))
        share = (gamma - known[after - 1]) / (known[after] - known[after - 1])
        return (1 - share) * self.nets[after - 1] + share * self.nets[after]

    def fog(self, gamma: float) -> float:
        """Return base plus fog at a gamma, D."""
        return float(np.interp(gamma, self.gammas, self.fogs))


def family_of(curves: Sequence[BatchCurve], batch: str) -> CurveFamily:
    """Return a batch's curves as one family.

    Raises
    ------
    NoPlanError
        If there are not two times of development, or gamma does not bend over with time.
    """
    own = [c for c in curves if c.batch == batch and c.minutes]
    own = [c for c in own if c.absolute == own[0].absolute]
    if len({c.minutes for c in own}) < 2:
        what = f'there are no curves of batch "{batch}" for two times of development'
        raise NoPlanError(what, "draw them with the batch's name and the times of development")
    law = fit_development(
        [c.minutes or 0.0 for c in own], [Estimate(c.gamma, c.gamma_sigma) for c in own]
    )
    if law is None:
        what = f'gamma of batch "{batch}" does not bend over with the time of development'
        raise NoPlanError(what, "develop test plates for times further apart")
    own.sort(key=lambda c: c.gamma)
    log_h = np.arange(min(c.drawn.low for c in own), max(c.drawn.high for c in own), _STEP)
    nets = np.maximum([[c.net_at(float(x)) for x in log_h] for c in own], 0.0)
    return CurveFamily(
        gammas=tuple(c.gamma for c in own),
        log_h=log_h,
        nets=nets,
        fogs=tuple(c.base_fog for c in own),
        law=law,
        usual_log_h=reference_curve(own).log_h_at(AIM_NET),
    )


def range_on(family: CurveFamily, gamma: float, subject: float, shift: float = 0.0) -> float | None:
    """Return the density range a subject gets, its darkest detail at 0.20 or shifted from there.

    Parameters
    ----------
    gamma, subject : float
        The subject's range in log units.
    shift : float
        More exposure, log units.

    Returns
    -------
    float or None
        D; None where the subject does not fit on the curve as it was measured.
    """
    ends = _ends(family, gamma, subject, shift)
    return None if ends is None else ends[1] - ends[0]


def _ends(
    family: CurveFamily, gamma: float, subject: float, shift: float = 0.0
) -> tuple[float, float] | None:
    net = family.net(gamma)
    start = _where(family, net)
    if start is None or start + shift + subject > family.log_h[-1] + _STEP:
        return None
    x = start + shift + np.array([0.0, subject])
    thin, dense = np.interp(x, family.log_h, net)
    return float(thin), float(dense)


def _where(family: CurveFamily, net: Any) -> float | None:
    """Return the log exposure at which a curve reaches 0.20 above base plus fog."""
    above = np.flatnonzero(net >= THIN_NET)
    if above.size == 0:
        return None
    at = int(above[0])
    if at == 0:
        return float(family.log_h[0])
    return float(np.interp(THIN_NET, net[at - 1 : at + 1], family.log_h[at - 1 : at + 1]))


def plan_plate(wanted: Wanted, family: CurveFamily, batch: str) -> PlatePlan:
    """Return gamma, time and aims for what is wanted.

    Raises
    ------
    NoPlanError
        If it would take more than 0.9 of gamma infinity, or less development than any.
    """
    limit = NEARLY_ALL * family.law.gamma_infinity.value
    span = wanted.subject.log_range

    def short(gamma: float) -> float | None:
        found = range_on(family, gamma, span)
        return None if found is None else found - wanted.scale

    most = short(limit)
    if most is None:
        raise _off_the_curves(span)
    if most < 0:
        raise NoPlanError(
            f"{wanted.process} wants a range of {wanted.scale:.2f} D; this subject "
            f"({span:.2f} log units) gets {most + wanted.scale:.2f} D at most, with 0.9 of "
            "gamma infinity",
            "take a subject of more contrast, a process of shorter scale, or a print negative",
        )
    high = limit
    for low in np.geomspace(limit, _LEAST_GAMMA, _TRIED):
        found = short(float(low))
        if found is None:
            raise _off_the_curves(span)
        if found <= 0:
            break
        high = float(low)
    else:
        raise NoPlanError(
            f"even gamma {_LEAST_GAMMA:g} makes this subject longer than {wanted.scale:.2f} D",
            "take a softer light, a process of longer scale, or a print negative",
        )
    gamma = float(brentq(lambda g: short(g) or 0.0, float(low), high, xtol=1e-6))
    return _filled_in(wanted, family, batch, gamma)


def _off_the_curves(span: float) -> NoPlanError:
    return NoPlanError(
        f"a subject of {span:.2f} log units does not fit on the curves from 0.20 above base plus "
        "fog on",
        "expose the step tablet more, so that the curves reach further",
    )


def _filled_in(wanted: Wanted, family: CurveFamily, batch: str, gamma: float) -> PlatePlan:
    law, span = family.law, wanted.subject.log_range
    net = family.net(gamma)
    start = _where(family, net)
    ends = _ends(family, gamma, span)
    assert start is not None and ends is not None
    middle_log_h = start + span / 2
    fog = family.fog(gamma)
    warmer = _gamma_after(law, _minutes(law, gamma, wanted.bath_c), wanted.bath_c + 1.0)
    degree = _range_from(family, min(warmer, law.gamma_infinity.value), span, start) - wanted.scale
    more = _ends_at(family, net, start + STOP, span)
    slope = (_range_from(family, gamma, span + 0.1, start) - wanted.scale) / 0.1
    sigma = math.sqrt(
        (slope * wanted.subject.sigma) ** 2
        + (_GAMMA_SHARE * wanted.scale) ** 2
        + (_BATH_SIGMA_C * degree) ** 2
    )
    minutes = _minutes(law, gamma, wanted.bath_c)
    ceiling = 0.97 * law.gamma_infinity.value
    spread = [
        _minutes(law, min(gamma * (1 + sign * _GAMMA_SHARE), ceiling), wanted.bath_c)
        for sign in (-1, 1)
    ]
    tried = float(law.times.min()) <= _minutes(law, gamma, CURVES_AT_C) <= float(law.times.max())
    return PlatePlan(
        wanted=wanted,
        batch=batch,
        gamma=gamma,
        gamma_infinity=law.gamma_infinity.value,
        seconds=60 * minutes,
        shortest_s=60 * spread[0],
        longest_s=60 * spread[1],
        thin=fog + ends[0],
        middle=fog + float(np.interp(middle_log_h, family.log_h, net)),
        dense=fog + ends[1],
        base_fog=fog,
        range_sigma=sigma,
        shift_stops=(middle_log_h - family.usual_log_h) / STOP,
        stop_more=more[1] - more[0] - wanted.scale,
        stop_more_thin=more[0] - ends[0],
        degree_warmer=degree,
        tried=tried,
        notes=_notes(wanted, minutes, tried),
    )


def _ends_at(family: CurveFamily, net: Any, start: float, span: float) -> tuple[float, float]:
    thin, dense = np.interp([start, start + span], family.log_h, net)
    return float(thin), float(dense)


def _range_from(family: CurveFamily, gamma: float, span: float, start: float) -> float:
    thin, dense = _ends_at(family, family.net(gamma), start, span)
    return dense - thin


def _rate(law: DevelopmentLaw, bath_c: float) -> float:
    return law.rate.value * math.exp(math.log1p(RATE_PER_DEGREE) * (bath_c - CURVES_AT_C))


def _minutes(law: DevelopmentLaw, gamma: float, bath_c: float) -> float:
    return -math.log1p(-gamma / law.gamma_infinity.value) / _rate(law, bath_c)


def _gamma_after(law: DevelopmentLaw, minutes: float, bath_c: float) -> float:
    return law.gamma_infinity.value * -math.expm1(-_rate(law, bath_c) * minutes)


def _notes(wanted: Wanted, minutes: float, tried: bool) -> tuple[str, ...]:
    notes = [
        f"range of the subject: {wanted.subject.mark}",
        f"scale of {wanted.process}: {wanted.scale_mark}",
    ]
    if not tried:
        notes.append("the time lies beyond those your test plates were developed for: a guess")
    if abs(wanted.bath_c - CURVES_AT_C) > 0.5:
        notes.append(
            f"curves are taken to be of {CURVES_AT_C:g} °C; {100 * RATE_PER_DEGREE:g} % a degree "
            "is from memory, your developer differs"
        )
    if minutes < 2:
        notes.append("under 2 minutes development comes out uneven: dilute (common practice)")
    return tuple(notes)


def inspection_in_words(plan: PlatePlan) -> str:
    """Say when to stop, for whoever develops by inspection.

    What is seen under red light before fixing is a guide, no measurement: common practice.
    """
    return (
        "stop when the lights look black and show through on the back, and the covered edge is "
        f"still white; not before {time_in_words(round(plan.shortest_s / 5) * 5)}, not after "
        f"{time_in_words(round(plan.longest_s / 5) * 5)} (common practice, no source)"
    )


def plan_to_json(plan: PlatePlan) -> dict[str, Any]:
    """Return a plan as JSON types."""
    numbers = ("gamma", "gamma_infinity", "thin", "middle", "dense", "base_fog", "range_sigma")
    more = ("shift_stops", "stop_more", "stop_more_thin", "degree_warmer")
    return {
        "process": plan.wanted.process,
        "aim_range": rounded(plan.wanted.scale, 3),
        "aim_range_from": plan.wanted.scale_mark,
        "subject_range": rounded(plan.wanted.subject.log_range, 3),
        "subject_sigma": rounded(plan.wanted.subject.sigma, 3),
        "subject_from": plan.wanted.subject.mark,
        "batch": plan.batch,
        "bath_c": plan.wanted.bath_c,
        "develop_s": rounded(plan.seconds, 1),
        "develop_span_s": [rounded(plan.shortest_s, 1), rounded(plan.longest_s, 1)],
        **{name: rounded(getattr(plan, name), 3) for name in (*numbers, *more)},
        "inspection": inspection_in_words(plan),
        "notes": list(plan.notes),
    }
