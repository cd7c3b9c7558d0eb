"""From files of step readings to curves, figures, drawings and a report."""

from __future__ import annotations

import json
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from platebench.core.errors import ReadingsError
from platebench.core.files import atomic_write, make_folder
from platebench.core.shown import shown
from platebench.sensitometry.curve_report import report_to_json
from platebench.sensitometry.family import (
    BatchDifference,
    DevelopmentLaw,
    check_times,
    compare_batches,
    fit_development,
)
from platebench.sensitometry.figures import figures_of
from platebench.sensitometry.plate_curve import PlateCurve, notes_on, speeds_of
from platebench.sensitometry.step_files import DOUBTFUL, Tablet, load_readings

OUTPUT_NAME = "curves"
_SEED = 1890  # of the trials for the errors: the same readings give the same errors


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CurveReport:
    """Curves of one or several plates.

    Attributes
    ----------
    plates : tuple of PlateCurve
        In the order given.
    tablet : str or None
        The step tablet, where one was named.
    law : DevelopmentLaw or None
        Where times of development were given and gamma bends over with them.
    wanted : tuple of float
        Gammas to give the time of development for.
    differences : tuple of BatchDifference
        Of each plate but the first, against the first.
    notes : tuple of str
        On the family.
    batch : str
        What the plates were coated from; "" where that is not said.
    """

    plates: tuple[PlateCurve, ...]
    tablet: str | None
    law: DevelopmentLaw | None
    wanted: tuple[float, ...]
    differences: tuple[BatchDifference, ...]
    notes: tuple[str, ...]
    batch: str = ""

    def as_json(self) -> dict[str, Any]:
        """Return the report as JSON types."""
        return report_to_json(
            self.plates,
            tablet=self.tablet,
            law=self.law,
            wanted=self.wanted,
            differences=self.differences,
            notes=self.notes,
            batch=self.batch,
        )


def curves_of(
    paths: Sequence[Path],
    *,
    exposures_lxs: Sequence[float] | None = None,
    tablet: Tablet | None = None,
    base_fogs: Sequence[float] | None = None,
    minutes: Sequence[float] | None = None,
    wanted_gammas: Sequence[float] = (),
    set_aside: Collection[str] = (),
    batch: str = "",
) -> CurveReport:
    """Read files of step readings and take the figures of their curves.

    Parameters
    ----------
    paths : sequence of Path
        One file a plate; see `load_readings`.
    exposures_lxs : sequence of float or None
        Exposure without the tablet, lux seconds: one for all plates, or one each. None: relative.
    tablet : Tablet or None
        What the plates were exposed through, where the files do not say.
    base_fogs : sequence of float or None
        Density of an unexposed part: one for all plates, or one each.
    minutes : sequence of float or None
        Time of development of each plate.
    wanted_gammas : sequence of float
        Gammas to give the time of development for; needs ``minutes``.
    set_aside : collection of str
        Steps to leave out of every plate; see `load_readings`.
    batch : str
        What they were coated from: later commands find the curve by it.

    Raises
    ------
    ReadingsError
        For the first file that gives no curve, or numbers that do not match the files.
    """
    exposures = _for_each(paths, exposures_lxs, "exposure")
    fogs = _for_each(paths, base_fogs, "base_fog")
    if minutes is not None and len(minutes) != len(paths):
        what = f"has {len(minutes)} times for {len(paths)} plates"
        raise ReadingsError("times", what, "give one for each plate, in their order", "times")
    if wanted_gammas and minutes is None:
        what = "asks for times of development, of which none is known"
        raise ReadingsError("gamma", what, "give the minutes of each plate", "times")
    plates = []
    for number, (path, label) in enumerate(zip(paths, _labels(paths), strict=True)):
        readings = load_readings(
            path,
            exposure_lxs=exposures[number],
            tablet=tablet,
            base_fog=fogs[number],
            set_aside=set_aside,
        )
        figures = figures_of(readings, rng=np.random.default_rng(_SEED))
        speeds = speeds_of(figures)
        nominal = tablet is not None and tablet.nominal
        plates.append(
            PlateCurve(
                name=label,
                figures=figures,
                speeds=speeds,
                minutes=None if minutes is None else minutes[number],
                notes=notes_on(figures, speeds, nominal_tablet=nominal),
            )
        )
    left = {step for plate in plates for step in plate.figures.readings.set_aside}
    unknown = [step for step in set_aside if shown(step, 40) not in left and step != DOUBTFUL]
    if unknown:
        what = f"name {shown(unknown[0], 40)}, which no file has"
        raise ReadingsError("the steps to set aside", what, "name steps as the files do")
    return replace(_report(tuple(plates), tablet, minutes, tuple(wanted_gammas)), batch=batch)


def _report(
    plates: tuple[PlateCurve, ...],
    tablet: Tablet | None,
    minutes: Sequence[float] | None,
    wanted: tuple[float, ...],
) -> CurveReport:
    law, notes = None, []
    if minutes is not None and len(set(minutes)) == 1 and not wanted:
        check_times("times", np.asarray(minutes, np.float64))
        notes.append("one time of development: plates of another would tell gamma infinity")
    elif minutes is not None:
        gammas = [plate.figures.gamma for plate in plates]
        law = fit_development(minutes, gammas, name="times")
        if law is None:
            notes.append(
                "gamma does not bend over with the time of development as the law has it, so gamma "
                "infinity stays unknown: develop plates for times further apart"
            )
        elif law.times.size == 2:
            notes.append("two times fix gamma infinity and k exactly; a third would test them")
    first = plates[0].figures
    return CurveReport(
        plates=plates,
        tablet=None if tablet is None else tablet.name,
        law=law,
        wanted=wanted,
        differences=tuple(compare_batches(first, plate.figures) for plate in plates[1:]),
        notes=tuple(notes),
    )


def write_curves(report: CurveReport, folder: Path) -> tuple[Path, ...]:
    """Write each curve as PNG and SVG, the family and its time-gamma curve, and the report as JSON.

    Returns
    -------
    tuple of Path
        What was written, in order.

    Raises
    ------
    WriteError
        If the folder or a file cannot be written.
    """
    from platebench.sensitometry.curve_plot import draw_curve, draw_family, draw_time_gamma
    from platebench.sensitometry.plot_paper import png_of, svg_of

    plates = [draw_curve(plate) for plate in report.plates]
    drawings = [*plates, *([draw_family(report.plates)] if len(report.plates) > 1 else [])]
    if report.law is not None:
        drawings.append(draw_time_gamma(report.law, report.wanted))
    contents = [picture for drawing in drawings for picture in (png_of(drawing), svg_of(drawing))]
    text = json.dumps(report.as_json(), indent=2, allow_nan=False) + "\n"
    contents.append(text.encode())
    make_folder(folder)
    paths = curve_files(report, folder)
    for path, content in zip(paths, contents, strict=True):
        with atomic_write(path) as stream:
            stream.write(content)
    return paths


def curve_files(report: CurveReport, folder: Path) -> tuple[Path, ...]:
    """Return the files that a report is written to, in order."""
    names = [f"{plate.name}-curve" for plate in report.plates]
    if len(report.plates) > 1:
        names.append("family")
    if report.law is not None:
        names.append("time-gamma")
    drawings = [f"{name}.{kind}" for name in names for kind in ("png", "svg")]
    return tuple(folder / name for name in (*drawings, "curves.json"))


def _for_each(
    paths: Sequence[Path], values: Sequence[float] | None, name: str
) -> Sequence[float | None]:
    if values is None:
        return [None] * len(paths)
    if len(values) == 1:
        return list(values) * len(paths)
    if len(values) != len(paths):
        what = f"has {len(values)} numbers for {len(paths)} plates"
        raise ReadingsError(name, what, "give one for all plates, or one for each in order", name)
    return list(values)


def _labels(paths: Sequence[Path]) -> list[str]:
    """Return the files' names without suffix; those that are alike are numbered."""
    labels: list[str] = []
    for path in paths:
        label, number = path.stem, 2
        while label.casefold() in (other.casefold() for other in labels):
            label, number = f"{path.stem} ({number})", number + 1
        labels.append(label)
    return labels
