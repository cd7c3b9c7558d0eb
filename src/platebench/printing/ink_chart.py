"""Which ink for print negatives: how much lies clean, and which colour holds back most for least.

Two sheets. The ladder shows the inks by rising amount, to the eye: the printer looks where ink
pools or comes off, and says up to where each is clean. The chart of inks shows hues by amounts,
none above its limit; it is contact printed and scanned. What prints white holds back the whole
exposure scale of the process, in the light that prints; no densitometer is needed.

Each amount of a colour lies on the straight line from white to the colour in red, green and blue,
as the tones of a negative will. Every patch of the chart is there twice, opposite one another
through the middle, so that a slope of coating or light cancels in their mean.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator
from scipy.optimize import isotonic_regression

from platebench.core.errors import ChartError
from platebench.core.installed import profiles_folder
from platebench.core.plain_json import read_json
from platebench.core.progress import Progress
from platebench.printing.chart_sheet import (
    READS_RIGHT,
    InkSheet,
    draw_corners,
    draw_white_strip,
    margin_names,
    write_sheet,
)
from platebench.printing.printing_time import FIRST_TINT
from platebench.printing.process import Colour, NegativeInk, Process, codes_of, coloured
from platebench.printing.process_file import load_process
from platebench.printing.process_write import write_profile
from platebench.printing.read_sheet import (
    check_black,
    check_white,
    find_sheet,
    patch_lights,
    read_print,
)
from platebench.printing.step_chart import (
    COLUMNS,
    HEIGHT,
    INK_CHART,
    PATCH,
    ROWS,
    WIDTH,
    inks_at,
    patch_box,
    place_of,
    white_box,
)
from platebench.write.paper_page import Box

HUES: dict[str, Colour] = {  # around the wheel in even steps; then plain black
    "red": (1, 0, 0), "orange": (1, 0.5, 0), "yellow": (1, 1, 0), "yellow-green": (0.5, 1, 0),
    "green": (0, 1, 0), "blue-green": (0, 1, 0.5), "cyan": (0, 1, 1), "azure": (0, 0.5, 1),
    "blue": (0, 0, 1), "violet": (0.5, 0, 1), "magenta": (1, 0, 1), "rose": (1, 0, 0.5),
    "black": (0, 0, 0),
}  # fmt: skip
NAMES = tuple(HUES)
LADDER = ("yellow", "magenta", "cyan", "red", "green", "blue", "black")  # whose limits are seen
_MARKS = ("R", "O", "Y", "YG", "G", "BG", "C", "A", "B", "V", "M", "Ro", "K")
_AMOUNTS = ROWS // 2
BLACK_INK = 2.0  # full areas of a colour that black takes, unless known; common practice, no source
_HELD = 0.015  # D above paper white that nobody sees, with something to spare for the next print
_FLOOR = 0.002  # D; lighter is noise
_TURNED = 0.05  # D that more ink may print darker before it counts as turning round
_BLACK_ENOUGH = 0.3  # D; less is no print
_VERSION = 1
_STEPS = 20  # of the ladder


@dataclass(frozen=True, slots=True, kw_only=True)
class InkChart:
    """A chart of hues by amounts.

    Attributes
    ----------
    limits : tuple of float
        Largest share of each of ``NAMES`` that lies clean.
    black_ink : float
        How much ink full black takes, in full areas of one of the printer's colours: 1 where black
        ink lies alone, 3 where it is made of three colours.
    """

    limits: tuple[float, ...] = (1.0,) * len(NAMES)
    black_ink: float = BLACK_INK

    @property
    def amounts(self) -> NDArray[np.float64]:
        """Share of each hue, shape (amounts, hues); finest near full ink, where dots close."""
        rising = np.arange(1, _AMOUNTS + 1) / _AMOUNTS
        return inks_at(rising[:, None] * place_of(self.limits))

    def full_ink(self, name: str) -> float:
        """Return how much ink a hue takes at its full amount, in areas of one colour."""
        return self.black_ink if name == "black" else float(3 - sum(HUES[name]))

    def to_json(self) -> dict[str, Any]:
        """Return the chart as JSON types."""
        limits = dict(zip(NAMES, self.limits, strict=True))
        return {"ink_chart": _VERSION, "limits": limits, "black_ink": self.black_ink}


@dataclass(frozen=True, slots=True, kw_only=True)
class InkReading:
    """What one hue does.

    Attributes
    ----------
    name : str
    density : tuple of float
        Of the print at each amount, above paper white, as read.
    amount : float or None
        Share of the hue that just holds the paper white, or, where all of it holds back the
        exposure scale and no more, all of it; None if none does.
    white : float or None
        What that prints at, D above paper white.
    ink : float or None
        How much ink that is, in full areas of one colour.
    turned : bool
        True where more of it prints darker again; amounts beyond do not count.
    """

    name: str
    density: tuple[float, ...]
    amount: float | None
    white: float | None
    ink: float | None
    turned: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class ChosenInk:
    """The ink that was chosen.

    Attributes
    ----------
    process : Process
        As its profile now has it.
    readings : tuple of InkReading
        Of all hues, the chosen one first.
    notes : tuple of str
    files : tuple of Path
    """

    process: Process
    readings: tuple[InkReading, ...]
    notes: tuple[str, ...]
    files: tuple[Path, ...] = ()

    def to_json(self) -> dict[str, Any]:
        """Return the choice as JSON types."""
        ink = self.process.ink
        assert ink is not None  # chosen
        return {
            "process": self.process.name,
            "ink": {
                "colour": list(ink.colour),
                "name": ink.name,
                "taken": ink.taken,
                "black_taken": ink.black_taken,
            },
            "hues": [
                {
                    "name": one.name,
                    "density": [round(d, 4) for d in one.density],
                    "amount": None if one.amount is None else round(one.amount, 4),
                    "white": None if one.white is None else round(one.white, 4),
                    "ink": None if one.ink is None else round(one.ink, 4),
                    "turned": one.turned,
                }
                for one in self.readings
            ],
            "notes": list(self.notes),
            "files": [str(path) for path in self.files],
        }


def ink_chart(limits: Mapping[str, float], black_ink: float = BLACK_INK) -> InkChart:
    """Return the chart for limits that were seen on the ladder.

    Parameters
    ----------
    limits : mapping of str to float
        Largest clean share of colours of ``LADDER``, 0 to 1; left out is 1. A hue between two of
        them gets the lower.
    black_ink : float

    Examples
    --------
    >>> chart = ink_chart({"red": 0.8, "yellow": 0.9})
    >>> chart.limits[:4]
    (0.8, 0.8, 0.9, 0.9)
    """
    known = [limits.get(name, 1.0) if name in LADDER else None for name in NAMES[:-1]]
    each = []
    for place, limit in enumerate(known):
        near = [known[place - 1], known[(place + 1) % len(known)]] if limit is None else [limit]
        each.append(min(one for one in near if one is not None))
    return InkChart(limits=(*each, limits.get("black", 1.0)), black_ink=black_ink)


def load_ink_chart(path: Path) -> InkChart | None:
    """Read the file that was written beside a chart of inks; None if it is no such file."""
    try:
        found = read_json(path.read_text("utf-8"))
        if found["ink_chart"] != _VERSION:
            return None
        limits = tuple(float(found["limits"][name]) for name in NAMES)
        chart = InkChart(limits=limits, black_ink=float(found["black_ink"]))
    except (OSError, ValueError, TypeError, KeyError, OverflowError):
        return None
    return chart if all(0 < one <= 1 for one in limits) and 0.5 <= chart.black_ink <= 4 else None


def write_ink_chart(
    folder: Path, chart: InkChart, ppi: float, progress: Progress | None = None
) -> tuple[Path, ...]:
    """Write a chart of inks as TIFF, PDF and the JSON file that says what is on it.

    Raises
    ------
    WriteError
        If a file could not be written, or one of that name is not from here.
    """
    return write_sheet(
        folder,
        "ink-chart",
        draw_ink_chart(chart, ppi),
        ppi=ppi,
        title="Chart of inks",
        facts=chart.to_json(),
        progress=progress,
    )


def write_ladder(folder: Path, ppi: float, progress: Progress | None = None) -> tuple[Path, ...]:
    """Write the ladder of inks as TIFF and PDF.

    Raises
    ------
    WriteError
        If a file could not be written, or one of that name is not from here.
    """
    sheet = draw_ladder(ppi)
    return write_sheet(
        folder, "ink-ladder", sheet, ppi=ppi, title="Ladder of inks", progress=progress
    )


class ColourSheet(InkSheet):
    """A sheet with places in colours of their own; all else is in one amount of black.

    Parameters
    ----------
    width, height, ppi : float
        As for ``InkSheet``.
    black : float
        Share of black that stands for full ink.
    clear : bool
        The ground is clear film, and words are in ink.
    """

    def __init__(
        self, width: float, height: float, ppi: float, black: float, *, clear: bool = False
    ) -> None:
        super().__init__(width, height, ppi)
        self._black, self._clear = black, clear
        self._places: list[tuple[Box, Colour]] = []

    def paint(self, box: Box, colour: Colour) -> None:
        """Fill a rectangle with a colour."""
        self._places.append((box, colour))

    def codes(self) -> NDArray[np.uint16]:
        """Return the 16-bit values of the film's file, RGB, mirrored."""
        drawn = coloured(
            codes_of(1 - self.ink if self._clear else self.ink), (1 - self._black,) * 3
        )
        for box, colour in self._places:
            drawn[self._slices(box)] = codes_of(1 - np.asarray(colour))
        return np.ascontiguousarray(drawn[:, ::-1])


def colour_of(name: str, amount: float) -> Colour:
    """Return what some amount of a hue asks of the printer."""
    red, green, blue = (round(1 - amount * (1 - channel), 4) for channel in HUES[name])
    return red, green, blue


def draw_ink_chart(chart: InkChart, ppi: float) -> ColourSheet:
    """Return a chart of inks, drawn."""
    sheet = ColourSheet(WIDTH, HEIGHT, ppi, chart.limits[-1])
    draw_corners(sheet, INK_CHART, WIDTH, HEIGHT)
    for (row, column), amount in np.ndenumerate(chart.amounts):
        colour = colour_of(NAMES[column], float(amount))
        for place in ((row, column), (ROWS - 1 - row, COLUMNS - 1 - column)):
            sheet.paint(patch_box(*place), colour)
    first, last = patch_box(0, 0), patch_box(ROWS - 1, COLUMNS - 1)
    for at, name in margin_names(first, last, _MARKS):
        sheet.text(at, name, 6.5, place="mm")
    for column, mark in enumerate(reversed(_MARKS)):
        sheet.text((first.left + (column + 0.5) * PATCH, last.bottom + 2.2), mark, 6.5, place="mm")
    sheet.text((WIDTH / 2, 6.2), "Chart of inks: hues by amounts, each twice", 9, place="mm")
    sheet.text((WIDTH / 2, 10.2), READS_RIGHT, 6, place="mm")
    draw_white_strip(sheet, white_box())
    return sheet


def draw_ladder(ppi: float) -> ColourSheet:
    """Return the ladder of inks, drawn: a rung is a full area and one with fine clear lines."""
    wide, tall, left = 5.0, 19.0, 14.0
    sheet = ColourSheet(WIDTH, HEIGHT, ppi, 0.6, clear=True)
    sheet.text((WIDTH / 2, 6.0), "Ladder of inks: where does ink pool, or come off?", 9, place="mm")
    for down, said in (
        (10.5, "Look at the dry film. In a clean rung the lines are open and edges sharp, and a"),
        (13.5, "sheet of paper pressed on it for a minute lifts no ink. Note each row's last one."),
    ):
        sheet.text((WIDTH / 2, down), said, 6.5, place="mm")
    for step in range(1, _STEPS + 1):
        across = left + (step - 0.5) * wide
        sheet.text((across, 19.0), f"{100 * step // _STEPS}", 6, place="mm")
        for row, name in enumerate(LADDER):
            top, colour = 22.0 + row * (tall + 1.5), colour_of(name, step / _STEPS)
            box = Box(top, left + (step - 1) * wide, top + tall, left + step * wide - 0.4)
            sheet.paint(box, colour)
            for line in range(6):
                down = top + tall * 0.55 + line * 1.3
                sheet.paint(
                    replace(box, top=down, bottom=down + 0.15 + 0.1 * (line % 3)), (1, 1, 1)
                )
    for row, name in enumerate(LADDER):
        sheet.text((1.5, 22.0 + row * (tall + 1.5) + tall / 2), name, 7)
    return sheet


def read_ink_chart(
    path: Path, chart: InkChart, *, gamma: float = 2.2
) -> tuple[tuple[InkReading, ...], tuple[str, ...]]:
    """Read a scan of a print of the chart of inks.

    Parameters
    ----------
    path : Path
        The scan.
    chart : InkChart
        As it was printed.
    gamma : float
        Coding of scans without a profile.

    Returns
    -------
    readings : tuple of InkReading
        In the order of ``NAMES``.
    notes : tuple of str

    Raises
    ------
    CaptureError
        If the scan cannot be read.
    ChartError
        If it shows no chart of inks, or one that is clipped, reversed or hardly printed.
    """
    scan = read_print(path, gamma)

    def size(number: int) -> tuple[float, float]:
        if number != INK_CHART:
            what = "shows another sheet than the chart of inks"
            raise ChartError(path, what, "name the .json file written with it", "chart")
        return WIDTH, HEIGHT

    found = find_sheet(path, scan.light, size=size, what="chart of inks")
    white = white_box()
    check_white(scan, found, white)
    boxes = [patch_box(row, column) for row in range(ROWS) for column in range(COLUMNS)]
    lights = patch_lights(scan, found, [white, *boxes])
    density = -np.log10(np.maximum(lights[1:], 1 / 65535) / max(float(lights[0]), 1 / 65535))
    for box in boxes[:COLUMNS]:
        check_black(scan, found, box)
    patches = density.reshape(ROWS, COLUMNS)
    if np.ptp(patches) < _BLACK_ENOUGH:
        what = f"shows hardly any tones: {np.ptp(patches):.2f} D between its patches"
        raise ChartError(
            path, what, "expose by the standard printing time, and print again", "printing_time"
        )
    pairs = (patches[:_AMOUNTS] + patches[::-1, ::-1][:_AMOUNTS]) / 2
    return tuple(
        _reading(name, pairs[:, column], chart, place=column) for column, name in enumerate(NAMES)
    ), scan.notes


def _reading(name: str, density: NDArray[np.float64], chart: InkChart, place: int) -> InkReading:
    """Return what a hue does, by a falling curve through the logarithms of its densities.

    In the toe of any paper density falls exponentially with what is held back, so logarithms run
    straight where white is looked for.
    """
    amounts = chart.amounts[:, place]
    risen = density - np.minimum.accumulate(density)
    turned = bool(risen.max() > _TURNED)
    last = int(np.argmax(risen > _TURNED)) if turned else len(density)
    amounts, kept = amounts[:last], density[:last]
    falling = isotonic_regression(np.log(np.maximum(kept, _FLOOR)), increasing=False).x
    amount = white = None
    if falling[-1] <= np.log(FIRST_TINT):
        amount, white = float(amounts[-1]), float(np.exp(falling[-1]))
    if falling[-1] <= np.log(_HELD):
        white = _HELD
        after = int(np.argmax(falling <= np.log(_HELD)))
        places = place_of(amounts)
        fine = np.linspace(places[max(after - 1, 0)], places[after], 401)
        drawn = PchipInterpolator(places, falling)(fine)
        amount = float(inks_at(fine[np.argmax(drawn <= np.log(_HELD))]))
    return InkReading(
        name=name,
        density=tuple(float(d) for d in density),
        amount=amount,
        white=white,
        ink=None if amount is None else amount * chart.full_ink(name),
        turned=turned,
    )


def choose_ink(
    readings: Sequence[InkReading], chart: InkChart
) -> tuple[NegativeInk, tuple[str, ...]]:
    """Return the ink that holds back the whole scale with the least ink, and what to know of it.

    Where none does, the one that holds back most; of those that print alike, the one with least.

    Returns
    -------
    ink : NegativeInk
    notes : tuple of str
    """
    black = next(one for one in readings if one.name == "black")
    holding = [one for one in readings if one.ink is not None and one.amount is not None]
    if holding:
        best = min(holding, key=lambda one: one.ink or 0.0)
        amount, notes = best.amount or 0.0, []
        whiter = [one for one in holding if one.white == _HELD]
        if best.white is not None and best.white > _HELD:
            said = f"{best.name} holds back the exposure scale, its white prints at "
            said += f"{best.white:.2f} D"
            if whiter:
                other = min(whiter, key=lambda one: one.ink or 0.0)
                said += f"; {other.name} holds it back wholly, with {other.ink:.2f} areas of ink"
            notes.append(said)
    else:
        best = min(readings, key=lambda one: (round(min(one.density), 2), chart.full_ink(one.name)))
        amount = float(chart.amounts[int(np.argmin(best.density)), NAMES.index(best.name)])
        notes = [
            f"no ink holds back the exposure scale; {best.name} comes nearest, and prints at "
            f"{min(best.density):z.2f} D: try another film, ink or setting, or a process of a "
            "shorter scale"
        ]
    if black.ink is None and best is not black:
        notes.append("plain black does not hold back the exposure scale at all")
    if best.turned:
        notes.append(f"more {best.name} than that prints darker again and is not used")
    ink = NegativeInk(
        colour=colour_of(best.name, amount),
        name=best.name,
        taken=round(float(amount * chart.full_ink(best.name)), 3),
        black_taken=None if black.ink is None else round(float(black.ink), 3),
    )
    return ink, tuple(notes)


def choose_process_ink(
    scan: Path,
    name: str,
    folders: Sequence[Path],
    into: Path,
    chart: InkChart,
    *,
    save_as: str = "",
    gamma: float = 2.2,
) -> ChosenInk:
    """Choose the ink of a process's print negatives, and write it into its profile.

    Parameters
    ----------
    scan : Path
        Scan of the chart's print.
    name : str
        The process.
    folders : sequence of Path
        Where its profile is looked for.
    into : Path
        Folder of the profile that is written.
    chart : InkChart
        As it was printed.
    save_as : str
        Another name for the profile; "" keeps the process's own.
    gamma : float
        Coding of scans without a profile.

    Raises
    ------
    CaptureError, ChartError
        If the scan cannot be used.
    MissingProfileError, SettingsFileError, BadSettingError, BadSettingsError
        If the process cannot be read.
    WriteError
        If the profile cannot be written.
    """
    process = load_process(name, folders)
    readings, seen = read_ink_chart(scan, chart, gamma=gamma)
    ink, notes = choose_ink(readings, chart)
    target = save_as or name
    path = into / f"{target}.toml"
    whole = not (profiles_folder() / "process" / f"{target}.toml").is_file()
    process = replace(process, name=target, path=path, ink=ink, calibration=None)
    write_profile(path, process, ink=ink, whole=whole)
    ordered = sorted(
        readings, key=lambda one: (one.name != ink.name, one.ink is None, one.ink or 0)
    )
    return ChosenInk(process=process, readings=tuple(ordered), notes=(*seen, *notes), files=(path,))
