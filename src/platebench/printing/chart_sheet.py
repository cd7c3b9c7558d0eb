"""Sheets that are printed on film and read back from a print: the step chart, written and drawn.

A sheet is drawn as the print is to read. The file is its mirror image: laid with its ink side on
the paper, the film prints right.

Written are a picture of the ink, its PDF, and for a corrected chart a file that says what it is.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from platebench.core.errors import ChartError
from platebench.core.files import atomic_write, make_folder, refuse_foreign
from platebench.core.formats import MM_PER_INCH
from platebench.core.progress import Progress, working
from platebench.core.version import __version__
from platebench.printing import step_chart
from platebench.printing.process import Colour, Process, codes_of, coloured
from platebench.printing.step_chart import (
    StepChart,
    chart_to_json,
    corrected_chart,
    marker_boxes,
    patch_box,
    plain_chart,
    white_box,
)
from platebench.write.negative_sheet import write_raster_pdf
from platebench.write.page_pen import MM_PER_POINT, REGULAR, font_file
from platebench.write.paper_page import Box
from platebench.write.tiff import write_print_negative


def write_chart(
    folder: Path,
    process: Process | None,
    *,
    levels: int,
    ppi: float,
    progress: Progress | None = None,
) -> tuple[StepChart, tuple[Path, ...]]:
    """Write a step chart as TIFF, PDF and the JSON file that says what is on it.

    Parameters
    ----------
    folder : Path
        Made if need be.
    process : Process or None
        The process whose correction the steps go through, or whose ink they are printed in; None
        for a first pass in plain black.
    levels : {51, 101}
    ppi : float
        Of the printer.
    progress : Progress or None
        Told of each file.

    Raises
    ------
    ChartError
        If the process has neither calibration nor ink yet.
    WriteError
        If a file could not be written.
    """
    if process is None:
        chart = plain_chart(levels)
    elif process.calibration is not None:
        chart = corrected_chart(process.calibration.response, process.name, levels, process.colour)
    elif process.ink is not None:
        chart = plain_chart(levels, process.name, process.ink.colour)
    else:
        raise ChartError(
            f'process "{process.name}"',
            "is not calibrated, so there is no correction to go through",
            "write the first chart without a process",
            "process",
        )
    files = write_sheet(
        folder,
        f"step-chart-{chart.name}",
        draw_chart(chart, ppi),
        ppi=ppi,
        title=f"Step chart {chart.name}",
        facts=chart_to_json(chart),
        colour=chart.colour,
        progress=progress,
    )
    return chart, files


def write_sheet(
    folder: Path,
    name: str,
    sheet: InkSheet,
    *,
    ppi: float,
    title: str,
    facts: Mapping[str, Any] | None = None,
    colour: Colour | None = None,
    progress: Progress | None = None,
) -> tuple[Path, ...]:
    """Write a sheet as ``NAME.tif``, ``NAME.pdf`` and, with ``facts``, ``NAME.json``.

    In a colour of ink the pictures are RGB.

    Raises
    ------
    WriteError
        If a file could not be written, or reads back different, or one of that name is not from
        here.
    """
    make_folder(folder)
    codes = sheet.codes() if colour is None else coloured(sheet.codes(), colour)
    tif, pdf, known = (folder / f"{name}{end}" for end in (".tif", ".pdf", ".json"))
    refuse_foreign((tif, pdf) if facts is None else (tif, pdf, known), "chart")
    with working(progress, "sheet", 2) as told:
        write_print_negative(
            tif,
            codes.shape,
            [codes],
            ppi=ppi,
            description=title,
            software=f"platebench {__version__}",
        )
        told.advance(tif.name)
        write_raster_pdf(pdf, codes.shape, [codes], ppi=ppi, title=title)
        told.advance(pdf.name)
    if facts is None:
        return tif, pdf
    with atomic_write(known) as stream:
        stream.write((json.dumps(facts, indent=2, allow_nan=False) + "\n").encode())
    return tif, pdf, known


Ink = NDArray[np.float32]
READS_RIGHT = "This line reads right on a print made with the ink side on the paper."
MARKERS = cv2.aruco.DICT_5X5_1000
_CELLS = 7  # of a corner square, border included


class InkSheet:
    """A sheet of film to draw on; lengths in millimetres from the top left.

    Parameters
    ----------
    width, height : float
        Millimetres.
    ppi : float
        Of the printer.
    """

    def __init__(self, width: float, height: float, ppi: float) -> None:
        self.scale = ppi / MM_PER_INCH
        shape = (round(height * self.scale), round(width * self.scale))
        self._ink: Ink = np.ones(shape, np.float32)
        self._type = Image.new("L", (shape[1], shape[0]), 0)

    def fill(self, box: Box, ink: float) -> None:
        """Fill a rectangle."""
        rows, columns = self._slices(box)
        self._ink[rows, columns] = ink

    def square(self, box: Box, code: int) -> None:
        """Draw a corner square: dark on the print, in a light surround."""
        dictionary = cv2.aruco.getPredefinedDictionary(MARKERS)
        cells = cv2.aruco.generateImageMarker(dictionary, code, _CELLS) > 0
        side = box.width / _CELLS
        for row, column in np.argwhere(~cells):
            top, left = box.top + row * side, box.left + column * side
            self.fill(Box(top, left, top + side, left + side), 0.0)

    def text(
        self, at: tuple[float, float], said: str, size_pt: float, *, place: str = "lm"
    ) -> None:
        """Write a line that prints black; ``at`` is across, down; ``place`` Pillow's anchor."""
        size = size_pt * MM_PER_POINT * self.scale
        font = ImageFont.truetype(font_file(REGULAR), size)
        where = (at[0] * self.scale, at[1] * self.scale)
        ImageDraw.Draw(self._type).text(where, said, fill=255, font=font, anchor=place)

    @property
    def ink(self) -> Ink:
        """Share of full ink, as the print is to read; shape (M, N)."""
        return np.asarray(self._ink * (1 - np.asarray(self._type, np.float32) / 255), np.float32)

    def codes(self) -> NDArray[np.uint16]:
        """Return the 16-bit values of the film's file: mirrored, clear film 65535."""
        return np.ascontiguousarray(codes_of(self.ink)[:, ::-1])

    def _slices(self, box: Box) -> tuple[slice, slice]:
        top, bottom = round(box.top * self.scale), round(box.bottom * self.scale)
        left, right = round(box.left * self.scale), round(box.right * self.scale)
        return slice(top, bottom), slice(left, right)


def marker_codes(number: int) -> tuple[int, int, int, int]:
    """Return the codes of the corner squares of a sheet, clockwise from the top left."""
    first = 4 * number
    return first, first + 1, first + 2, first + 3


def draw_chart(chart: StepChart, ppi: float) -> InkSheet:
    """Return a step chart drawn as ink."""
    width, height = step_chart.WIDTH, step_chart.HEIGHT
    sheet = InkSheet(width, height, ppi)
    draw_corners(sheet, chart.number, width, height)
    for (row, column), ink in np.ndenumerate(chart.patch_inks):
        sheet.fill(patch_box(row, column), float(ink))
    first, last = patch_box(0, 0), patch_box(step_chart.ROWS - 1, step_chart.COLUMNS - 1)
    columns = [str(column + 1) for column in range(step_chart.COLUMNS)]
    for at, name in margin_names(first, last, columns):
        sheet.text(at, name, 6.5, place="mm")
    made = f" for {chart.made_for}" if chart.made_for else ""
    sheet.text((width / 2, 6.2), f"Step chart {chart.name}{made}", 9, place="mm")
    sheet.text((width / 2, 10.2), READS_RIGHT, 6, place="mm")
    draw_white_strip(sheet, white_box())
    return sheet


def draw_corners(sheet: InkSheet, number: int, width: float, height: float) -> None:
    """Draw the four corner squares."""
    for box, code in zip(marker_boxes(width, height), marker_codes(number), strict=True):
        sheet.square(box, code)


def draw_white_strip(sheet: InkSheet, box: Box) -> None:
    """Draw the outline of the strip that is to be covered, and say so above it."""
    thin = 0.25
    for edge in (
        Box(box.top - thin, box.left, box.top, box.right),
        Box(box.bottom, box.left, box.bottom + thin, box.right),
        Box(box.top - thin, box.left - thin, box.bottom + thin, box.left),
        Box(box.top - thin, box.right, box.bottom + thin, box.right + thin),
    ):
        sheet.fill(edge, 0.0)
    said = "cover with opaque tape: paper white"
    sheet.text(((box.left + box.right) / 2, box.bottom + 1.7), said, 5.5, place="mm")


def margin_names(
    first: Box, last: Box, columns: Sequence[str]
) -> Iterator[tuple[tuple[float, float], str]]:
    """Yield where each row's letter and each column's name stands, and what it is."""
    for row in range(step_chart.ROWS):
        middle = first.top + (row + 0.5) * step_chart.PATCH
        letter = step_chart.patch_name(row, 0)[0]
        yield (first.left - 3.0, middle), letter
        yield (last.right + 3.0, middle), letter
    for column, name in enumerate(columns):
        middle = first.left + (column + 0.5) * step_chart.PATCH
        yield (middle, first.top - 2.2), name
