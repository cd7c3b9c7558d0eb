"""One plate's curve with its figures, its speeds in each system, and what a reader has to know."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from platebench.sensitometry import relations
from platebench.sensitometry.figures import CurveFigures, Estimate

SpeedKind = Literal["arithmetic speed", "exposure index", "relative speed"]
_LN10 = math.log(10.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class InertiaSpeeds:
    """Speeds from the inertia in lux seconds: the straight line met with one horizontal line.

    Attributes
    ----------
    inertia_lxs : Estimate
    hurter_driffield, watkins, wynne : Estimate
        34 / i, 50 / i, and 6.4 times the root of the Watkins number.
    """

    inertia_lxs: Estimate
    hurter_driffield: Estimate
    watkins: Estimate
    wynne: Estimate


@dataclass(frozen=True, slots=True, kw_only=True)
class PointSpeed:
    """Speed from point m, by the method of ISO 6.

    Attributes
    ----------
    kind : str
        "arithmetic speed" where the exposure is known in lux seconds, base plus fog is known and
        the contrast condition is met; "exposure index" where only the first holds; else
        "relative speed".
    value : Estimate
        0.8 / Hm, not rounded; for a relative speed 1 / Hm, where the bare tablet's exposure is 1.
    standard : float or None
        Rounded to the standard series: for an arithmetic speed only.
    degrees : int or None
        The same in degrees.
    contrast_met : bool or None
        Whether the density rises by 0.80 within 0.05 from m to n; None where n is off the curve.
    contrast_sure : bool or None
        Whether that holds for two standard errors either way.
    """

    kind: SpeedKind
    value: Estimate
    standard: float | None
    degrees: int | None
    contrast_met: bool | None
    contrast_sure: bool | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Speeds:
    """All speeds of one curve.

    Attributes
    ----------
    point : PointSpeed or None
        None where the curve does not reach point m.
    to_fog, to_zero : InertiaSpeeds or None
        By the straight line taken to base plus fog, and to D = 0. None for relative exposures.
    """

    point: PointSpeed | None
    to_fog: InertiaSpeeds | None
    to_zero: InertiaSpeeds | None


def speeds_of(figures: CurveFigures) -> Speeds:
    """Return the speeds a curve's figures allow to state."""
    absolute = figures.readings.absolute
    return Speeds(
        point=_point_speed(figures) if figures.speed_point else None,
        to_fog=_inertia_speeds(figures.inertia_fog) if absolute else None,
        to_zero=_inertia_speeds(figures.inertia_zero) if absolute else None,
    )


def exposure_of(log_h: Estimate) -> Estimate:
    """Return an exposure from its logarithm."""
    return _turned(log_h, lambda h: h, 1.0)


def _turned(log_h: Estimate, rule: Callable[[float], float], power: float) -> Estimate:
    """Return ``rule`` of an exposure, which goes as the exposure to a ``power``."""
    value = rule(10.0**log_h.value)
    sigma = None if log_h.sigma is None else value * _LN10 * abs(power) * log_h.sigma
    return Estimate(value, sigma)


def _inertia_speeds(inertia: Estimate) -> InertiaSpeeds:
    return InertiaSpeeds(
        inertia_lxs=exposure_of(inertia),
        hurter_driffield=_turned(inertia, relations.hurter_driffield_speed, -1),
        watkins=_turned(inertia, relations.watkins_speed, -1),
        wynne=_turned(inertia, lambda i: relations.wynne_speed(relations.watkins_speed(i)), -0.5),
    )


def _point_speed(figures: CurveFigures) -> PointSpeed:
    assert figures.speed_point is not None
    met, sure = _contrast(figures.contrast_rise)
    kind: SpeedKind = "relative speed"
    if figures.readings.absolute:
        fog_known = figures.basis.fog_source != "thinnest step"
        kind = "arithmetic speed" if met and fog_known else "exposure index"
    rule = relations.arithmetic_speed if figures.readings.absolute else (lambda h: 1.0 / h)
    value = _turned(figures.speed_point, rule, -1)
    official = kind == "arithmetic speed"
    return PointSpeed(
        kind=kind,
        value=value,
        standard=relations.standard_speed(value.value) if official else None,
        degrees=relations.degrees_from_arithmetic(value.value) if official else None,
        contrast_met=met,
        contrast_sure=sure,
    )


def _contrast(rise: Estimate | None) -> tuple[bool | None, bool | None]:
    if rise is None:
        return None, None
    met = relations.contrast_condition_met(rise.value)
    if rise.sigma is None:
        return met, None
    low, high = rise.value - 2 * rise.sigma, rise.value + 2 * rise.sigma
    ends_met = [relations.contrast_condition_met(end) for end in (low, high)]
    if met:
        return met, all(ends_met)
    around = low < relations.CONTRAST_RISE < high
    return met, not any(ends_met) and not around


@dataclass(frozen=True, slots=True, kw_only=True)
class PlateCurve:
    """One plate of a report.

    Attributes
    ----------
    name : str
        As it is labelled.
    figures : CurveFigures
    speeds : Speeds
    minutes : float or None
        Time of development.
    notes : tuple of str
        What a reader of its numbers has to know.
    """

    name: str
    figures: CurveFigures
    speeds: Speeds
    minutes: float | None = None
    notes: tuple[str, ...] = ()


def notes_on(figures: CurveFigures, speeds: Speeds, *, nominal_tablet: bool) -> tuple[str, ...]:
    """Return what a reader of a curve's numbers has to know."""
    basis, readings = figures.basis, figures.readings
    notes = list(readings.notes)
    if nominal_tablet:
        notes.append(
            "the tablet's densities are nominal; tablets are commonly 0.05 D off, more at the "
            "dense end: have yours measured, and give its own densities"
        )
    if basis.fog_source == "thinnest step":
        notes.append(
            "base plus fog was not read and the toe is not reached: the thinnest step stands for "
            "it, so speeds by it are doubtful; read an unexposed part and give its density"
        )
    if figures.speed_point is None:
        notes.append(
            "the thinnest step is more than 0.10 above base plus fog, so there is no speed point: "
            "expose less, or use a tablet with denser steps"
        )
    elif figures.contrast_rise is None:
        notes.append(
            "the curve ends less than 1.30 log units above the speed point: expose more for the "
            "average gradient and the contrast condition"
        )
    if not basis.shoulder:
        notes.append("the shoulder is not reached: Dmax and the useful range are at least so much")
    if basis.read_from_model:
        notes.append(
            f"readings are uncertain by {basis.noise:.3f} D, so points are read off the fitted "
            "curve, not off single steps"
        )
    elif basis.model is None:
        notes.append("gamma is that of the line through the straight steps; no curve was fitted")
    notes += _notes_on_speed(speeds, absolute=readings.absolute)
    return tuple(notes)


def _notes_on_speed(speeds: Speeds, *, absolute: bool) -> list[str]:
    notes = []
    point = speeds.point
    if not absolute:
        notes.append(
            "the exposure is relative, to the bare tablet's: speeds compare plates exposed alike, "
            "and say nothing else"
        )
    if point is not None and absolute:
        if not point.contrast_met:
            why = "cannot be tested" if point.contrast_met is None else "is not met"
            notes.append(
                f"ISO 6's contrast condition (0.80 +-0.05 from m to n) {why}: "
                "the speed is an exposure index"
            )
        elif point.contrast_sure is False:
            notes.append("ISO 6's contrast condition is met, but not beyond two standard errors")
        notes.append(
            "speeds hold for the light and the development of this exposure; ISO 6's other "
            "conditions were not tested, and H&D speeds do not convert to ISO"
        )
    return notes
