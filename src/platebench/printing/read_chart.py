"""A scan of a print of the step chart to the densities of its levels."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from platebench.core.errors import ChartError
from platebench.core.formats import MM_PER_INCH
from platebench.printing import step_chart
from platebench.printing.even_out import EvenedChart, even_out
from platebench.printing.process import ChartPrint, Process
from platebench.printing.read_sheet import (
    FoundSheet,
    PrintScan,
    check_black,
    check_white,
    find_sheet,
    patch_lights,
    read_print,
)
from platebench.printing.scan_gamma import KnownPatch, against_known, gamma_notes
from platebench.printing.step_chart import LEVELS, StepChart, patch_box, plain_chart, white_box

_LEAST_RANGE = 0.3  # D; less is no print of the chart
_MOST_DAMAGED = 0.15  # share of the patches
_MOST_NOISE = 0.05  # D among duplicates; four times what the simulated coating gives
_COARSE_PPI = 90.0  # below it a patch has too few pixels
_SHOWN = 12  # damaged patches named before the rest is counted
_HELD_BACK = 0.02  # D above paper white that nobody sees
_SIZE_OFF = 0.01  # of the print's length against the scan's resolution


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ChartReading:
    """What a scan of a printed chart says.

    Attributes
    ----------
    chart : StepChart
    printed : ChartPrint
        Density of each level; lost levels are left out.
    patches : ndarray of float64, shape (ROWS, COLUMNS)
        Density of each patch as read, above paper white.
    evened : EvenedChart
    covered : bool
        True where the strip for paper white is lighter than full ink.
    notes : tuple of str
        What a person should know.
    """

    chart: StepChart
    printed: ChartPrint
    patches: NDArray[np.float64]
    evened: EvenedChart
    covered: bool
    notes: tuple[str, ...]


def read_chart(
    path: Path,
    chart: StepChart | None = None,
    *,
    gamma: float = 2.2,
    known: KnownPatch | None = None,
    process: Process | None = None,
) -> ChartReading:
    """Read a scan of a print of the step chart.

    Parameters
    ----------
    path : Path
        The scan.
    chart : StepChart, optional
        The chart that was printed, where it went through a correction.
    gamma : float
        Coding of scans without a profile.
    known : KnownPatch, optional
        A patch as a densitometer reads it; shows whether gamma is right.
    process : Process, optional
        What it is a print by.

    Raises
    ------
    CaptureError
        If the scan cannot be read.
    ChartError
        If it shows no chart, another one, a reversed, clipped, inverted or ruined one, or a patch
        that contradicts the one known.
    """
    scan = read_print(path, gamma)
    if chart is None and process is not None and process.colour is not None:
        plain = [plain_chart(levels, process.name, process.colour) for levels in LEVELS]
        in_ink = {one.number: one for one in plain}
    else:
        in_ink = {}

    def size(number: int) -> tuple[float, float]:
        _that_chart(path, number, chart or in_ink.get(number))
        return step_chart.WIDTH, step_chart.HEIGHT

    found = find_sheet(path, scan.light, size=size, what="step chart")
    shown = _that_chart(path, found.number, chart or in_ink.get(found.number))
    boxes = [patch_box(r, c) for r in range(step_chart.ROWS) for c in range(step_chart.COLUMNS)]
    check_white(scan, found, white_box())
    lights = patch_lights(scan, found, [white_box(), *boxes])
    ends = shown.patch_inks.ravel()
    for box in (boxes[i] for i in np.flatnonzero(ends == 0)[:4]):
        check_black(scan, found, box)
    least = 1 / 65535
    density = -np.log10(np.maximum(lights[1:], least) / max(float(lights[0]), least))
    patches = density.reshape(step_chart.ROWS, step_chart.COLUMNS)
    _check_tones(path, shown, patches)
    evened = even_out(shown, patches)
    _check_damage(path, evened)
    white = float(evened.density[-1])
    if known is None:
        coding = gamma_notes(float(evened.density[0]), scan.assumed_gamma, process=process)
    else:
        coding = against_known(path, _patch(path, patches, known), scan.assumed_gamma, known)
    return ChartReading(
        chart=shown,
        printed=_printed(path, shown, evened),
        patches=patches,
        evened=evened,
        covered=white > _HELD_BACK,
        notes=(*coding, *_notes(scan, found, evened, white)),
    )


def _that_chart(path: Path, number: int, chart: StepChart | None) -> StepChart:
    """Return the chart that the corner squares name, or say that it is another."""
    if chart is not None:
        if chart.number != number:
            what = f"shows chart {number}, and the chart named is {chart.number}"
            raise ChartError(path, what, "name the .json file that was written with that chart")
        return chart
    if number < len(LEVELS):
        return plain_chart(LEVELS[number])
    if number == step_chart.INK_CHART:
        what = "shows the chart of inks, not a step chart"
        raise ChartError(path, what, "name the .json file written with it", "chart")
    if number >= step_chart.FIRST_STRIP:
        what = "shows a test strip, not a step chart"
        raise ChartError(path, what, "read it as a test strip", "printing_time")
    what = f"shows chart {number}, which was made through a correction"
    raise ChartError(path, what, "name the .json file written with it", "chart")


def _patch(path: Path, patches: NDArray[np.float64], known: KnownPatch) -> float:
    """Return a patch as it was read, uneven as it is: so does the densitometer see it."""
    for place, density in np.ndenumerate(patches):
        if step_chart.patch_name(*place) == known.name.upper():
            return float(density)
    last = step_chart.patch_name(step_chart.ROWS - 1, step_chart.COLUMNS - 1)
    what = f"has no patch {known.name}"
    raise ChartError(path, what, f"name one from {step_chart.patch_name(0, 0)} to {last}")


def _check_tones(path: Path, chart: StepChart, patches: NDArray[np.float64]) -> None:
    ink = chart.patch_inks
    black, white = np.median(patches[ink <= 0.02]), np.median(patches[ink >= 0.98])
    if white - black > _LEAST_RANGE:
        raise ChartError(
            path,
            "shows a print that is lighter where the film is clear",
            "print the film as the file has it, without inverting it",
        )
    if black - white < _LEAST_RANGE:
        what = f"shows hardly any tones: {black - white:z.2f} D from white to black"
        remedy = (
            "expose by the standard printing time, lay down more ink if that is not it, and print "
            "again"
        )
        raise ChartError(path, what, remedy, "printing_time")


def _check_damage(path: Path, evened: EvenedChart) -> None:
    patches = step_chart.ROWS * step_chart.COLUMNS
    lost = len(evened.damaged)
    ends = np.isfinite(evened.density[[0, -1]]).all()
    if lost > _MOST_DAMAGED * patches or evened.noise > _MOST_NOISE or not ends:
        what = (
            f"shows a print too uneven or damaged to read: {lost} of {patches} patches are off, "
            f"the others differ by {evened.noise:.2f} D"
        )
        raise ChartError(path, what, "coat and print the chart again")


def _printed(path: Path, chart: StepChart, evened: EvenedChart) -> ChartPrint:
    kept = np.isfinite(evened.density)
    return ChartPrint(
        scan=path.name,
        chart=chart.name,
        ink=tuple(np.asarray(chart.inks)[kept].tolist()),
        density=tuple(evened.density[kept].round(4).tolist()),
        error=tuple(evened.error[kept].round(4).tolist()),
    )


def _notes(
    scan: PrintScan, found: FoundSheet, evened: EvenedChart, white: float
) -> tuple[str, ...]:
    notes = list(scan.notes)
    if found.squares < 4:
        notes.append("one corner square was not seen; the others place the chart")
    ppi = found.pixels_a_mm * MM_PER_INCH
    if ppi < _COARSE_PPI:
        notes.append(f"scanned at {ppi:.0f} ppi; 200 or more would average the paper's grain")
    if scan.ppi is not None and abs(ppi / scan.ppi - 1) > _SIZE_OFF:
        notes.append(
            f"the print measures {100 * ppi / scan.ppi:.1f} % of its size by the scan's own "
            f"{scan.ppi:g} ppi; see that the film was printed at 100 %"
        )
    if evened.damaged:
        rest = len(evened.damaged) - _SHOWN
        more = f" and {rest} more" if rest > 0 else ""
        named = ", ".join(evened.damaged[:_SHOWN])
        notes.append(f"left out as damaged: {named}{more}")
    if white > _HELD_BACK:
        notes.append(
            f"full ink does not hold back the paper's white: it prints at {white:z.2f} D; use a "
            "setting that lays down more ink"
        )
    return tuple(notes)
