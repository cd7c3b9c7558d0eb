"""Plates printed at their true size, cut into overlapping tiles where the paper is smaller."""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from platebench.core.errors import WriteError
from platebench.core.files import atomic_write
from platebench.core.progress import Progress, working
from platebench.plate.plate_format import size_doubt, unknown_size
from platebench.write.page_pen import (
    LIGHT,
    PENCIL,
    REGULAR,
    TIMES,
    Pen,
    plain_line,
    read_back,
    sheets,
    shorten,
    width_mm,
    wrap,
)
from platebench.write.paper_page import PAPERS, Box, Paper, PaperName
from platebench.write.proof_caption import ProofPrint, format_shown
from platebench.write.proof_picture import gray_jpeg, gray_pixels, picture_shape, size_fits
from platebench.write.true_size_page import MARGIN, OVERLAP, Tile, plan_tiles, room_on

RULER = 100.0
SENTENCE = "print at 100 %, no fitting; the ruler must measure 100 mm"
INK, SOFT_INK = 0.1, 0.4
_DOUBT = 15.0  # from the margin up to what is said of a size in doubt
_NAMED = 6  # plates of one cause in a message
_BETWEEN = "   ·   "


@dataclass(frozen=True, slots=True)
class TrueSizeResult:
    """What was written: pages, and the plates left out with the reason."""

    pages: int
    left_out: tuple[tuple[str, str], ...]


def write_true_size(
    pdf_path: Path,
    prints: Sequence[ProofPrint],
    *,
    title: str,
    date: str = "",
    paper: PaperName = "a4",
    lossless: bool = False,
    progress: Progress | None = None,
) -> TrueSizeResult:
    """Write each plate at its true size as PDF, a plate or a tile a page.

    Parameters
    ----------
    pdf_path : Path
        The file to write.
    prints : sequence of ProofPrint
        The plates in order. Those whose size is not known are left out and listed.
    title : str
        The session's name.
    date : str
        Date as it is to be read; "" leaves it out.
    paper : {"a4", "letter"}
        The sheet.
    lossless : bool
        Keep every pixel of the pictures, instead of a JPEG at 300 ppi.
    progress : Progress or None
        Told of each plate.

    Returns
    -------
    TrueSizeResult
        Pages written and plates left out.

    Raises
    ------
    WriteError
        If no plate's size is known, a picture cannot be read, or the file cannot be written.
    """
    reasons = [_why_left_out(pdf_path, shown) for shown in prints]
    left_out = tuple(
        (shown.plate_id, reason) for shown, reason in zip(prints, reasons, strict=True) if reason
    )
    if len(left_out) == len(prints):
        raise _nothing_to_show(pdf_path, prints)
    heading = _BETWEEN.join(text for text in (plain_line(title), plain_line(date)) if text)
    with atomic_write(pdf_path) as stream:
        with (
            working(progress, "true size", len(prints)) as told,
            sheets(stream, plain_line(title)) as pen,
        ):
            pen.keep_size()
            for shown, reason in zip(prints, reasons, strict=True):
                if not reason:
                    _draw_plate(pen, pdf_path, shown, heading, PAPERS[paper], lossless)
                told.advance(shown.plate_id)
            if left_out:
                _draw_left_out(pen, left_out, heading, PAPERS[paper])
        read_back(stream, pdf_path, pen.pages)
    return TrueSizeResult(pen.pages, left_out)


def _nothing_to_show(target: Path, prints: Sequence[ProofPrint]) -> WriteError:
    """Return the error for pages without a plate: each cause once, with its own way out."""
    if not prints:
        return WriteError(target, "there are no plates to show", "convert some first")
    causes: dict[tuple[str, str], list[str]] = {}
    for shown in prints:
        why = unknown_size(shown.format_name, doubtful=shown.doubtful)
        causes.setdefault(why, []).append(shown.plate_id)
    if len(causes) == 1:
        ((cause, remedy),) = causes
        return WriteError(target, f"no plate's size is known: of each, {cause}", remedy)
    parts = [f"of {_few(names)} {cause}" for (cause, _), names in causes.items()]
    remedies = [f"of {_few(names)}, {remedy}" for (_, remedy), names in causes.items()]
    return WriteError(target, f"no plate's size is known: {', '.join(parts)}", "; ".join(remedies))


def _few(names: Sequence[str]) -> str:
    rest = len(names) - _NAMED
    return ", ".join(names[:_NAMED]) + (f" and {rest} more" if rest > 0 else "")


def _why_left_out(target: Path, shown: ProofPrint) -> str:
    if shown.doubtful or shown.size_mm is None:
        cause, remedy = unknown_size(shown.format_name, doubtful=shown.doubtful)
        return f"{cause}, so its true size is not known; {remedy}"
    if not size_fits(picture_shape(target, shown.plate_id, shown.picture), shown.size_mm):
        width, height = shown.size_mm
        return f"its picture has not the shape of {width:.1f} {TIMES} {height:.1f} mm"
    return ""


def _draw_plate(
    pen: Pen, target: Path, shown: ProofPrint, heading: str, paper: Paper, lossless: bool
) -> None:
    width, height = shown.size_mm or (0.0, 0.0)
    sheet, tiles = plan_tiles(width, height, paper)
    turned = plan_tiles(height, width, paper)
    if len(turned[1]) < len(tiles):
        sheet, tiles = turned
        pixels = np.asarray(gray_pixels(target, shown.plate_id, shown.picture))
        shown = replace(shown, picture=np.rot90(pixels), size_mm=(height, width))
        heading = _BETWEEN.join(text for text in ("turned to fit the sheet", heading) if text)
    room = room_on(sheet)
    for tile in tiles:
        pen.start_page(sheet)
        part, encoded = _encoded(target, shown, tile, len(tiles) == 1, lossless)
        left = room.left + (room.width - part.width) / 2
        top = room.top + (room.height - part.height) / 2
        box = Box(top, left, top + part.height, left + part.width)
        pen.picture(box, encoded)
        _draw_marks(pen, box, part, tile, tiles)
        _draw_heading(pen, sheet, shown, tile, tiles, heading)
        _draw_doubt(pen, sheet, shown)
        _draw_ruler(pen, sheet)
        pen.end_page()


def _encoded(
    target: Path, shown: ProofPrint, tile: Tile, alone: bool, lossless: bool
) -> tuple[Box, bytes]:
    """Return a tile's picture, and the exact part of the plate its whole pixels cover."""
    width, height = shown.size_mm or (0.0, 0.0)
    if alone and not lossless:
        return tile.part, gray_jpeg(target, shown.plate_id, shown.picture, (width, height))
    rows, columns = picture_shape(target, shown.plate_id, shown.picture)
    down, across = rows / height, columns / width  # pixels a millimetre
    cut = (
        round(tile.part.top * down),
        round(tile.part.left * across),
        max(round(tile.part.bottom * down), round(tile.part.top * down) + 1),
        max(round(tile.part.right * across), round(tile.part.left * across) + 1),
    )
    part = Box(cut[0] / down, cut[1] / across, cut[2] / down, cut[3] / across)
    image = gray_pixels(target, shown.plate_id, shown.picture, cut)
    if not lossless:
        size = (part.width, part.height)
        return part, gray_jpeg(target, shown.plate_id, np.asarray(image), size)
    stream = io.BytesIO()
    image.save(stream, "PNG", compress_level=1)
    return part, stream.getvalue()


def _draw_marks(pen: Pen, box: Box, part: Box, tile: Tile, tiles: Sequence[Tile]) -> None:
    """Draw crop marks where the plate ends, and crosses where two tiles are to be joined.

    A join runs through the middle of the overlap: cut there, or lay cross on cross.
    """
    last = tiles[-1]
    half = OVERLAP / 2
    corner_x = (
        (box.left, tile.column == 0, tile.part.left + half),
        (box.right, tile.column == last.column, tile.part.right - half),
    )
    for edge, ends, join in corner_x:
        across = edge if ends else box.left + join - part.left
        for outside, away in ((box.top, -1), (box.bottom, 1)):
            _draw_mark(pen, (across, outside + away * 1.0), (0.0, away), cross=not ends)
    corner_y = (
        (box.top, tile.row == 0, tile.part.top + half),
        (box.bottom, tile.row == last.row, tile.part.bottom - half),
    )
    for edge, ends, join in corner_y:
        down = edge if ends else box.top + join - part.top
        for outside, away in ((box.left, -1), (box.right, 1)):
            _draw_mark(pen, (outside + away * 1.0, down), (away, 0.0), cross=not ends)


def _draw_mark(
    pen: Pen, near: tuple[float, float], away: tuple[float, float], *, cross: bool
) -> None:
    far = (near[0] + 3.6 * away[0], near[1] + 3.6 * away[1])
    pen.line(near, far, gray=INK, thick_mm=0.08)
    if cross:
        middle = ((near[0] + far[0]) / 2, (near[1] + far[1]) / 2)
        one = (middle[0] - 1.5 * away[1], middle[1] - 1.5 * away[0])
        other = (middle[0] + 1.5 * away[1], middle[1] + 1.5 * away[0])
        pen.line(one, other, gray=INK, thick_mm=0.08)
        pen.ring(middle, 0.9, gray=INK, thick_mm=0.08)


def _draw_heading(
    pen: Pen, sheet: Paper, shown: ProofPrint, tile: Tile, tiles: Sequence[Tile], heading: str
) -> None:
    left, right = MARGIN, sheet.width - MARGIN
    width, height = shown.size_mm or (0.0, 0.0)
    if len(tiles) > 1:
        right -= _draw_index(pen, Box(MARGIN, left, MARGIN + 8.5, right), tile, tiles) + 4
    room = right - left
    name = plain_line(shown.plate_id)
    pen.text(
        (left, MARGIN + 3.6), shorten(name, room, REGULAR, 10), REGULAR, 10, color=INK, full=name
    )
    size = f"{width:.1f} {TIMES} {height:.1f} mm"
    facts = [format_shown(shown.format_name), " ".join(filter(None, (size, shown.size_error)))]
    if len(tiles) > 1:
        facts.append(
            f"tile {tile.name}, {tiles.index(tile) + 1} of {len(tiles)}, joined at the crosses"
        )
    line = shorten(_BETWEEN.join(fact for fact in facts if fact), room, LIGHT, 7.5)
    left_over = room - width_mm(_BETWEEN + line, LIGHT, 7.5)  # the session's name gives way
    if heading and left_over > 10:
        line = shorten(heading, left_over, LIGHT, 7.5) + _BETWEEN + line
    pen.text((left, MARGIN + 8), line, LIGHT, 7.5, color=SOFT_INK)


def _draw_index(pen: Pen, box: Box, tile: Tile, tiles: Sequence[Tile]) -> float:
    """Draw a small map of the tiles, this one filled, at the right of a box; return its width."""
    rows, columns = tiles[-1].row + 1, tiles[-1].column + 1
    width, height = tiles[-1].part.right, tiles[-1].part.bottom
    scale = min(box.height / height, 30.0 / width)
    cell_height, cell_width = height * scale / rows, width * scale / columns
    left = box.right - cell_width * columns
    for one in tiles:
        top, start = box.top + one.row * cell_height, left + one.column * cell_width
        cell = Box(top, start, top + cell_height, start + cell_width)
        if one == tile:
            pen.fill(cell, 0.35)
        pen.outline(cell, 0.35, 0.1)
    return cell_width * columns


def _draw_doubt(pen: Pen, sheet: Paper, shown: ProofPrint) -> None:
    """Say between picture and ruler that the size is in doubt, in as many words as fit a line."""
    if not shown.misfit:
        return
    short, _, _ = shown.misfit.partition(";")
    said = [format_shown(size_doubt(misfit)) for misfit in (shown.misfit, short)]
    room = sheet.width - 2 * MARGIN
    line = next((text for text in said if width_mm(text, REGULAR, 7.5) <= room), said[-1])
    middle = (sheet.width / 2, sheet.height - MARGIN - _DOUBT)
    pen.text(middle, shorten(line, room, REGULAR, 7.5), REGULAR, 7.5, color=PENCIL, middle=True,
             full=line)  # fmt: skip


def _draw_ruler(pen: Pen, sheet: Paper) -> None:
    left = (sheet.width - RULER) / 2
    line = sheet.height - MARGIN - 6.5
    pen.line((left, line), (left + RULER, line), gray=INK, thick_mm=0.12)
    for mm in range(0, int(RULER) + 1):
        tall = 3.2 if mm % 50 == 0 else 2.2 if mm % 10 == 0 else 1.5 if mm % 5 == 0 else 0.9
        pen.line((left + mm, line), (left + mm, line - tall), gray=INK, thick_mm=0.08)
    for mm in (0, 50, 100):
        words = str(mm) if mm else "0 mm"
        pen.text((left + mm, line - 4.2), words, LIGHT, 6.5, color=INK, middle=True)
    middle = (sheet.width / 2, sheet.height - MARGIN - 2)
    pen.text(middle, SENTENCE, REGULAR, 7.5, color=INK, middle=True)


def _draw_left_out(
    pen: Pen, left_out: Sequence[tuple[str, str]], heading: str, sheet: Paper
) -> None:
    """List the plates without a picture here, on as many pages as they take."""
    room = sheet.width - 2 * MARGIN
    lines = [
        line
        for plate_id, reason in left_out
        for line in wrap(f"{plain_line(plate_id)}: {reason}", room, LIGHT, 8)
    ]
    per_page = int((sheet.height - 2 * MARGIN - 20) / 4.2)
    for start in range(0, len(lines), per_page):
        pen.start_page(sheet)
        pen.text((MARGIN, MARGIN + 3.6), "Left out", REGULAR, 10, color=INK)
        under = shorten(heading, room, LIGHT, 7.5)
        pen.text((MARGIN, MARGIN + 8), under, LIGHT, 7.5, color=SOFT_INK)
        for i, line in enumerate(lines[start : start + per_page]):
            pen.text((MARGIN, MARGIN + 18 + 4.2 * i), line, LIGHT, 8, color=INK)
        pen.end_page()
