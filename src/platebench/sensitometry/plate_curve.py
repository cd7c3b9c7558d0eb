"""One plate's curve with its figures and speeds, and what a reader of them has to know."""

from __future__ import annotations

from dataclasses import dataclass

from platebench.sensitometry.figures import CurveFigures
from platebench.sensitometry.speeds import Speeds


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
            "dense end: have yours measured, and give its own densities with --tablet"
        )
    if basis.fog_source == "thinnest step":
        notes.append(
            "base plus fog was not read and the toe is not reached: the thinnest step stands for "
            "it, so speeds by it are doubtful; read an unexposed part and give --base-fog"
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
