"""The test strip: clear windows on film, exposed longer and longer; written, drawn, read back."""

from __future__ import annotations

import csv
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from platebench.core.csv_table import read_numbers
from platebench.core.errors import ChartError, ReadingsError
from platebench.core.files import read_at_most
from platebench.core.progress import Progress
from platebench.printing.chart_sheet import InkSheet, draw_corners, draw_white_strip, write_sheet
from platebench.printing.printing_time import (
    HALF_STEP,
    LARGEST_TABLE,
    TOLERANCE,
    PrintingTime,
    find_printing_time,
    tested_scale,
    three_figures,
)
from platebench.printing.process import Process
from platebench.printing.process_file import load_process
from platebench.printing.process_write import write_profile
from platebench.printing.read_sheet import (
    check_black,
    check_white,
    find_sheet,
    patch_lights,
    read_print,
)
from platebench.printing.scan_gamma import KnownPatch, against_known, gamma_notes
from platebench.printing.step_chart import FIRST_STRIP, white_box
from platebench.printing.strip_plan import HALF, STEPS, WHOLE, StripPlan
from platebench.write.paper_page import Box


def write_strip(
    folder: Path, plan: StripPlan, ppi: float, progress: Progress | None = None
) -> tuple[Path, ...]:
    """Write the test strip's film as TIFF and PDF.

    Raises
    ------
    WriteError
        If a file could not be written.
    """
    name = f"test-strip-{plan.steps}" + ("" if plan.stops == HALF else "-whole")
    sheet = draw_strip(plan, ppi)
    return write_sheet(folder, name, sheet, ppi=ppi, title=_title(plan), progress=progress)


def read_printing_time(
    path: Path,
    first_s: float | None,
    *,
    tolerance: float,
    gamma: float,
    known: KnownPatch | None = None,
    process: Process | None = None,
) -> PrintingTime:
    """Return what a strip says: a scan, or a table that ends in ``.csv``.

    Raises
    ------
    CaptureError, ReadingsError
        If the file cannot be read.
    ChartError
        If it says nothing, or is a scan and the time of step 1 is not given.
    """
    if path.suffix.casefold() == ".csv":
        return read_strip_table(path, tolerance=tolerance, process=process)
    if first_s is None:
        what = "is a scan, which does not say how long step 1 was exposed"
        raise ChartError(path, what, "give its seconds", "first")
    return read_strip(path, first_s, tolerance=tolerance, gamma=gamma, known=known, process=process)


def keep_scale(
    found: PrintingTime, name: str, folders: Sequence[Path], into: Path
) -> tuple[Path, ...]:
    """Write a tested exposure scale, and the curve over it, into a process profile of one's own.

    Returns
    -------
    tuple of Path
        The profile; nothing where the strip gave no scale.

    Raises
    ------
    MissingProfileError, SettingsFileError, BadSettingError, BadSettingsError
        If the process cannot be read.
    WriteError
        If the profile cannot be written.
    """
    process = load_process(name, folders)
    if found.scale is None:
        return ()
    scale = tested_scale(found.scale, max(HALF_STEP, found.step / 2))
    path = into / f"{name}.toml"
    write_profile(path, replace(process, path=path), scale=scale, curve=found.curve())
    return (path,)


HEIGHT = 78.0
_WINDOW, _TALL, _TOP = 9.0, 28.0, 19.0
_SIDE = 7.0
_BAND = (16.5, 58.0)  # what the card covers: the corner squares are exposed to the end
_HOW = (
    "ink side on the paper: this line reads right",
    "cover step after step from 1 on, with a card no taller than the lines",
)
_FIRST_OF = {HALF: FIRST_STRIP, WHOLE: FIRST_STRIP + STEPS[1]}  # numbers, less the steps
_DENSEST = 10.0
_REMEDY = "write the columns time_s,density, a line for each step"


def strip_number(plan: StripPlan) -> int:
    """Return what the corner squares of a strip say: how many steps, and how far apart."""
    return _FIRST_OF[plan.stops] + plan.steps


def numbered(number: int, first_s: float) -> StripPlan | None:
    """Return the strip of a number; None if it is another sheet's."""
    for stops, first in _FIRST_OF.items():
        if STEPS[0] <= number - first <= STEPS[1]:
            return StripPlan(first_s=first_s, steps=number - first, stops=stops)
    return None


def strip_size(steps: int) -> tuple[float, float]:
    """Return width and height of a test strip, millimetres."""
    return 2 * _SIDE + _WINDOW * steps, HEIGHT


def _title(plan: StripPlan) -> str:
    return f"Test strip, {plan.steps} steps, each {'half' if plan.stops == HALF else 'one'} stop"


def draw_strip(plan: StripPlan, ppi: float) -> InkSheet:
    """Return a test strip drawn as ink: windows of clear film, full ink around them."""
    width, height = strip_size(plan.steps)
    sheet = InkSheet(width, height, ppi)
    draw_corners(sheet, strip_number(plan), width, height)
    for step in range(plan.steps):
        box = window_box(step)
        sheet.fill(Box(box.top, box.left + 0.3, box.bottom, box.right - 0.3), 0.0)
        middle = (box.left + box.right) / 2
        sheet.text((middle, box.bottom + 2.6), str(step + 1), 7.5, place="mm")
        said = three_figures(2 ** (step * plan.stops))
        sheet.text((middle, box.bottom + 6.2), f"\N{MULTIPLICATION SIGN}{said}", 6, place="mm")
    for edge in _BAND:
        sheet.fill(Box(edge - 0.1, _SIDE, edge + 0.1, width - _SIDE), 0.0)
    sheet.text((width / 2, 5.4), _title(plan), 9, place="mm")
    for down, said in zip((9.4, 12.4), _HOW, strict=True):
        sheet.text((width / 2, down), said, 5.5, place="mm")
    draw_white_strip(sheet, white_box(width, height))
    return sheet


def window_box(step: int) -> Box:
    """Return where a window lies, millimetres, as the print reads."""
    left = _SIDE + step * _WINDOW
    return Box(_TOP, left, _TOP + _TALL, left + _WINDOW)


def read_strip(
    path: Path,
    first_s: float,
    *,
    tolerance: float = TOLERANCE,
    gamma: float = 2.2,
    known: KnownPatch | None = None,
    process: Process | None = None,
) -> PrintingTime:
    """Return the standard printing time from a scan of a printed test strip.

    Parameters
    ----------
    path : Path
        The scan.
    first_s : float
        Exposure of step 1, seconds.
    tolerance : float
        D below full black that counts as full black.
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
        If it shows no strip, one that says nothing, or a step that contradicts the one known.
    """
    scan = read_print(path, gamma)

    def size(number: int) -> tuple[float, float]:
        if (plan := numbered(number, first_s)) is None:
            what = "shows a step chart, not a test strip"
            raise ChartError(path, what, "read it as a step chart", "calibrate_process")
        return strip_size(plan.steps)

    found = find_sheet(path, scan.light, size=size, what="test strip")
    plan = numbered(found.number, first_s)
    assert plan is not None  # its size was asked for
    boxes = [window_box(step) for step in range(plan.steps)]
    white = white_box(*strip_size(plan.steps))
    check_white(scan, found, white)
    check_black(scan, found, boxes[-1])
    lights = patch_lights(scan, found, [white, *boxes])
    density = -np.log10(np.maximum(lights[1:], 1 / 65535) / max(float(lights[0]), 1 / 65535))
    found_time = find_printing_time(
        path, plan.times_s, density.tolist(), tolerance=tolerance, process=process
    )
    if known is None:
        coding = gamma_notes(found_time.d_max, scan.assumed_gamma, process=process)
    elif known.name.isdecimal() and 1 <= int(known.name) <= plan.steps:
        step = float(density[int(known.name) - 1])
        coding = against_known(path, step, scan.assumed_gamma, known)
    else:
        raise ChartError(path, f"has no step {known.name}", f"name one from 1 to {plan.steps}")
    return replace(found_time, notes=(*scan.notes, *coding, *found_time.notes))


def read_strip_table(
    path: Path, *, tolerance: float = TOLERANCE, process: Process | None = None
) -> PrintingTime:
    """Return the standard printing time from readings of one's own: columns time_s, density.

    Raises
    ------
    ReadingsError
        If the table cannot be read.
    ChartError
        If the readings say nothing.
    """
    try:
        content = read_at_most(path, LARGEST_TABLE)
        if content is None:
            raise ReadingsError(path, "is too large for a strip", "check that it is the right file")
        rows = read_numbers(content.decode("utf-8-sig"), ("time_s", "density"))
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise ReadingsError(path, "cannot be read as a CSV table", _REMEDY) from error
    except ValueError as error:
        raise ReadingsError(path, "is no table of times and densities", _REMEDY) from error
    times, density = [row[0] for row in rows], [row[1] for row in rows]
    if not all(abs(value) <= _DENSEST for value in density):
        what = f"holds a density beyond {_DENSEST:g}"
        raise ReadingsError(path, what, "densities are logarithms, such as 1.25")
    if not np.isfinite(times).all() or not (np.diff(times) > 0).all() or min(times, default=1) <= 0:
        raise ReadingsError(path, "has times that do not rise from step to step", _REMEDY)
    return find_printing_time(path, times, density, tolerance=tolerance, process=process)
