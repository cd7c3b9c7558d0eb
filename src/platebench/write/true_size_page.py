"""Where a plate lies at true size: sheets, tiles, overlaps. Pure; lengths are millimetres."""

from __future__ import annotations

from dataclasses import dataclass

from platebench.write.paper_page import Box, Paper

MARGIN = 8.0  # most printers cannot reach the outer 5 mm
HEAD, FOOT = 11.0, 17.0  # heading above the picture, ruler below it
MARKS = 5.0  # room for the marks on every side of the picture
OVERLAP = 10.0  # shared by neighbouring tiles, at least


@dataclass(frozen=True, slots=True)
class Tile:
    """One part of a plate on one page.

    Attributes
    ----------
    row, column : int
        Place among the plate's tiles, from 0.
    part : Box
        What it shows, millimetres from the plate's top left corner.
    """

    row: int
    column: int
    part: Box

    @property
    def name(self) -> str:
        """Letter of the row and number of the column, such as ``B3``."""
        return f"{_letters(self.row)}{self.column + 1}"


def room_on(sheet: Paper) -> Box:
    """Return where a picture may lie, its marks lying outside it."""
    return Box(
        MARGIN + HEAD + MARKS,
        MARGIN + MARKS,
        sheet.height - MARGIN - FOOT - MARKS,
        sheet.width - MARGIN - MARKS,
    )


def plan_tiles(width: float, height: float, paper: Paper) -> tuple[Paper, list[Tile]]:
    """Cut a plate into tiles that fit a sheet, upright or turned, whichever needs fewer.

    Parameters
    ----------
    width, height : float
        The plate in millimetres.
    paper : Paper
        The sheet, upright.

    Returns
    -------
    paper : Paper
        The sheet as it lies.
    tiles : list of Tile
        Row by row; all the same size, neighbours sharing at least ``OVERLAP`` millimetres.
    """
    plans = []
    for sheet in (paper, paper.turned()):
        room = room_on(sheet)
        columns = _spans(width, room.width)
        rows = _spans(height, room.height)
        tiles = [
            Tile(r, c, Box(top, left, bottom, right))
            for r, (top, bottom) in enumerate(rows)
            for c, (left, right) in enumerate(columns)
        ]
        plans.append((sheet, tiles))
    return min(plans, key=lambda plan: len(plan[1]))


def _spans(length: float, room: float) -> list[tuple[float, float]]:
    """Cut a length into equal spans no longer than ``room``, sharing ``OVERLAP``."""
    count = 1
    while (length + (count - 1) * OVERLAP) / count > room + 1e-9:
        count += 1
    span = (length + (count - 1) * OVERLAP) / count
    step = span - OVERLAP
    return [(i * step, length if i == count - 1 else i * step + span) for i in range(count)]


def _letters(index: int) -> str:
    letters = ""
    while index >= 0:
        letters = chr(ord("A") + index % 26) + letters
        index = index // 26 - 1
    return letters
