"""Printing plates themselves by contact: times from their records, and a test strip's page."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from platebench.core.camera_time import camera_time, time_in_words
from platebench.core.cautions import FIRST, cautions_for
from platebench.core.progress import Progress
from platebench.core.rounding import rounded
from platebench.plate.plate_format import SET_CORNERS
from platebench.printing.advice import ProcessAdvice, advise_plate
from platebench.printing.direct_time import (
    BETWEEN_GLASSES,
    GLASS_IN_UV,
    DirectStrip,
    DirectTimes,
    added_times,
    direct_times,
    plan_strip,
)
from platebench.printing.plate_range import PlateRange, read_plate_ranges
from platebench.printing.process import LightOfProcess, Process
from platebench.session.run_plates import PlateOutcome, PlateRun, PlateWork
from platebench.session.session_report import OUTPUT_NAME
from platebench.session.settings_file import load_session
from platebench.write.direct_strip import StripSheet, write_strip_sheet
from platebench.write.paper_page import PaperName

FOLDER = "test-strips"
BARE = "nothing but paper"  # the reference where no plate is named
OF_THE_PLATE = (
    "Never press a cracked or warped plate in a printing frame; use one whose back is soft, and "
    "tighten it evenly (from memory, common practice).",
    "Paper must be bone dry: damp coats stick to gelatin and stain it for good. A clear polyester "
    "film of some hundredths of a millimetre between them protects the plate and costs little "
    "sharpness (from memory, common practice). An original that cannot be replaced is better "
    "printed from a print negative.",
    "Sun and lamps warm glass: heat breaks it and softens gelatin. Shade it between exposures.",
)
_BEFORE = (
    "Emulsion of the plate DOWN on the sensitised coat: the print then reads right, as the plate "
    "does through its glass.",
    "Lay the paper across the plate's thinnest and densest parts.",
    "Expose all of it first; then cover part 1 with an opaque card and expose again, then parts "
    "1 and 2, and so on. Times add up.",
)
_DRY = "Process and dry: prints darken or lighten as they dry. "
_CHOOSE = (
    "Choose the part whose shadows are just full black, or whose highlights just keep a tint, "
    "whichever matters more."
)
_CHOOSE_BETWEEN = (
    "The times for shadows and highlights lie beyond its ends, so no part shows them: choose by "
    "the middle tones, or expose another strip around the time that matters."
)
_STEPS = {
    0.5: "Between two parts lies half a stop, 0.15 in log exposure.",
    1.0: "Between two parts lies a whole stop, 0.30 in log exposure, to hold both times: then try "
    "a time between the two parts that come nearest.",
}
_ALIKE = 1.06  # times nearer to each other are one: a tenth of a stop
_BY_HAND_S = 2.0  # below it, times that a hand can give lie further apart than a strip's parts


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DirectPrint:
    """What a plate asks for, printed by itself.

    Attributes
    ----------
    plate : PlateRange
    times : DirectTimes
        As multiples of the reference's time.
    advice : ProcessAdvice
        What the process makes of the plate's range.
    reference : str
        What the times are relative to.
    time_s : float or None
        The reference's time, seconds; None where it is not known.
    sheet : Path
        The page written.
    light : {"ultraviolet", "blue"}
        What the process prints by.
    doubts : tuple of str
        What makes the times doubtful, and what to do.
    """

    plate: PlateRange
    times: DirectTimes
    advice: ProcessAdvice
    reference: str
    time_s: float | None
    sheet: Path
    light: LightOfProcess = "ultraviolet"
    doubts: tuple[str, ...] = ()

    @property
    def times_what(self) -> str:
        """What ``1 x`` stands for; "" where times are in seconds."""
        if self.time_s is not None:
            return ""
        through = (
            "with nothing between lamp and paper"
            if self.reference == BARE
            else f"through the base of {self.reference}"
        )
        return f"the shortest time that prints full black {through}"

    def said_times(self) -> tuple[tuple[str, str], ...]:
        """Say for what which time is: name and words."""
        times = self.times
        low, high = (times.spread[i] * times.scale_spread[i] for i in (0, 1))
        base, shadows = (
            self._within(factor, *times.spread) for factor in (times.for_base, times.for_shadows)
        )
        highlights = self._within(times.for_highlights, low, high)
        return (
            ("for the base", f"{base}: base plus fog just prints full black"),
            ("for the shadows", f"{shadows}: the thinnest tone just prints full black"),
            (
                "for the highlights",
                f"{highlights}: the densest tone just shows a tint, far less light than full black",
            ),
            *self._between(),
            *self._ultraviolet(),
        )

    def _within(self, factor: float | None, low: float, high: float) -> str:
        """Say a time and between what it lies."""
        said = self.said(factor)
        if factor is None or high / low < _ALIKE:
            return said
        return f"{said} ({self.said(factor * low)} to {self.said(factor * high)})"

    def _ultraviolet(self) -> tuple[tuple[str, str], ...]:
        """Say what ultraviolet finds in the plate that no camera sees."""
        if self.light != "ultraviolet":
            return ()
        seen = (
            "blue densities, stain included; ultraviolet may find up to as much stain again"
            if self.plate.stained
            else "densities as measured; ultraviolet may find stain that no camera sees"
        )
        glass = (
            f"old glass up to {GLASS_IN_UV:g} D"
            if self.reference == BARE
            else f"two old glasses up to {BETWEEN_GLASSES:g} D of difference"
        )
        return (("in ultraviolet", f"{seen}, and {glass} (from memory): a strip shows it"),)

    def _between(self) -> tuple[tuple[str, str], ...]:
        """Say what times keep all tones, where the highlights ask for less than the shadows."""
        shadows, highlights = self.times.for_shadows, self.times.for_highlights
        if shadows is None or highlights is None or highlights >= shadows:
            return ()
        ends = f"at any time from {self.said(highlights)} to {self.said(shadows)}"
        return (("all tones show", f"{ends}; the range is shorter than the scale"),)

    def said(self, factor: float | None) -> str:
        """Say a time, or a multiple of the reference's where that has none."""
        if factor is None:
            return "not measured"
        return said_time(factor, self.time_s)

    def to_json(self) -> dict[str, Any]:
        """Return JSON types."""
        times = self.times
        return {
            "plate": self.plate.plate_id,
            "process": self.advice.process,
            "base_fog": rounded(times.base, 3),
            "reference": self.reference,
            "reference_base": rounded(times.reference_base, 3),
            "reference_time_s": self.time_s,
            "time_factor": rounded(times.for_base, 4),
            "factor_for_shadows": rounded(times.for_shadows, 4),
            "factor_for_highlights": rounded(times.for_highlights, 4),
            "spread": [rounded(factor, 4) for factor in times.spread],
            "spread_of_scale": [rounded(factor, 4) for factor in times.scale_spread],
            "density_range": rounded(self.advice.density_range, 3),
            "density_used": self.advice.density_used,
            "exposure_scale": rounded(self.advice.scale.typical, 3),
            "overflow": rounded(self.advice.overflow, 3),
            "verdict": self.advice.verdict.name.lower(),
            "lost": self.advice.lost(),
            "strip_factors": [rounded(factor, 4) for factor in plan_strip(times).totals],
            "doubts": list(self.doubts),
            "sheet": str(self.sheet),
        }


def print_plates_directly(
    folder: Path,
    plates: Sequence[str],
    process: Process,
    *,
    reference: str | None = None,
    time_s: float | None = None,
    paper: PaperName = "a4",
    output: Path | None = None,
    progress: Progress | None = None,
) -> list[PlateOutcome[DirectPrint]]:
    """Work out times, and write a page for each plate; outcomes are in the order of ``plates``.

    Parameters
    ----------
    folder : Path
        The session folder, converted.
    plates : sequence of str
        Ids of plates.
    process : Process
        The printing process.
    reference : str or None
        A plate whose time is known to print its base just full black; None: the time was found
        through nothing.
    time_s : float or None
        That time, seconds; None gives multiples of it.
    paper : {"a4", "letter"}
        Of the page.
    output : Path or None
        Where pages go; None: ``test-strips`` in the session folder.
    progress : Progress or None
        Hears of each plate.

    Raises
    ------
    SessionFolderError
        If a plate has no record.
    WriteError
        If the folder cannot be written, or a page would replace another file.
    """
    settings = load_session(folder)
    converted = folder / OUTPUT_NAME
    ranges = read_plate_ranges(converted, plates)
    against = None if reference is None else read_plate_ranges(converted, (reference,))[0]
    target = folder / FOLDER if output is None else output
    files = {p.plate_id: target / f"{p.plate_id}-{process.name}.pdf" for p in ranges}
    run = PlateRun(folder, settings, target, workers=1, progress=progress)

    def print_one(plate: PlateRange) -> DirectPrint:
        (advice,) = advise_plate(plate, (process,))
        done = DirectPrint(
            plate=plate,
            times=direct_times(plate, advice.scale, reference=against, light=process.light),
            advice=advice,
            reference=BARE if reference is None else f"plate {reference}",
            time_s=time_s,
            sheet=files[plate.plate_id],
            light=process.light,
            doubts=_doubts(plate, against),
        )
        write_strip_sheet(done.sheet, _page(done, process, settings.title), paper=paper)
        return done

    with run.writing(files.values(), results=converted, owned=files.values()):
        return run.outcomes(PlateWork(what="test strips", task=print_one), ranges)


def _doubts(plate: PlateRange, reference: PlateRange | None) -> tuple[str, ...]:
    """Say where what was measured may be no part of the plate."""
    doubts = []
    if plate.doubtful:
        doubts.append(
            "the plate's sides are in doubt, so its densities may be those of other things and "
            f"every time here may be wrong; {SET_CORNERS}"
        )
    if reference is not None and reference.doubtful:
        doubts.append(
            f"the sides of the reference, plate {reference.plate_id}, are in doubt, and with them "
            f"its base and every time here; {SET_CORNERS}"
        )
    return tuple(doubts)


def direct_cautions(process: Process) -> tuple[str, ...]:
    """Return what to mind when glass itself is printed by a process."""
    hazards = ("glass", "ultraviolet", *process.hazards)
    listed = (line for caution in cautions_for(hazards) for line in caution.lines())
    return (FIRST, *OF_THE_PLATE, *listed, *process.cautions)


def said_time(factor: float, time_s: float | None) -> str:
    """Say a time, or a multiple of one that is not known.

    Examples
    --------
    >>> said_time(1.5, 120.0), said_time(1.4142, None)
    ('3 min', '1.41 x')
    """
    return f"{factor:.3g} x" if time_s is None else time_in_words(factor * time_s)


def _page(done: DirectPrint, process: Process, session: str) -> StripSheet:
    times, advice = done.times, done.advice
    strip, unit = plan_strip(times), done.time_s
    totals = strip.totals
    if unit is not None:  # times that a hand can give; the steps between them follow
        totals, unit = tuple(_by_hand(total * unit) for total in totals), 1.0
    words = [said_time(total, unit) for total in totals]
    added = [said_time(total, unit) for total in added_times(totals)]
    covers = ["nothing", "part 1", *(f"parts 1 to {i}" for i in range(2, len(totals)))]
    tones = (
        "" if times.thinnest is None else f", from {times.thinnest:z.2f} to {times.densest:z.2f}"
    )
    reference = f"{done.reference}, D {times.reference_base:z.2f}"
    if done.time_s is not None:
        reference += f", {time_in_words(done.time_s)}"
    return StripSheet(
        title=f"{done.plate.plate_id}, the plate itself as negative",
        under="   ·   ".join(text for text in (process.title, session) if text),
        facts=(
            ("base plus fog", f"{times.base:z.2f} D"),
            ("range", f"{advice.density_range:.2f} D ({advice.density_used}){tones}"),
            ("exposure scale", f"{advice.scale.typical:.2f} ({advice.marks})"),
            ("reference", reference),
            (
                "time factor",
                f"10 ^ ({times.base:z.2f} - {times.reference_base:z.2f}) = {times.for_base:.3g}",
            ),
            *((("1 x is", done.times_what),) if done.times_what else ()),
            *done.said_times(),
            ("the range", f"{advice.verdict}; {advice.lost()}"),
        ),
        steps=tuple(zip(covers, added, words, strict=True)),
        how_to=_how_to(strip),
        cautions=direct_cautions(process),
        doubts=done.doubts,
    )


def _by_hand(seconds: float) -> float:
    return camera_time(seconds).seconds if seconds >= _BY_HAND_S else seconds


def _how_to(strip: DirectStrip) -> tuple[str, ...]:
    choose = _CHOOSE if strip.holds else _CHOOSE_BETWEEN
    return (*_BEFORE, _DRY + choose, _STEPS[strip.stops])
