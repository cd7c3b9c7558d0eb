"""A page to take to the printing frame: a plate's times, and the steps of its test strip."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from platebench.fsio import atomic_write
from platebench.outputs.proof_page import PAPERS, Box, PaperName
from platebench.outputs.proof_pen import Pen, read_back, sheets
from platebench.outputs.proof_type import LIGHT, REGULAR, plain_line, shorten, wrap

MARGIN = 18.0
_INK, _SOFT = 0.1, 0.42
_LINE = 4.6
_STRIP = 25.0  # how tall the strip is drawn; the cautions below it need the room


@dataclass(frozen=True, slots=True, kw_only=True)
class StripSheet:
    """What a page says; all of it is words already.

    Attributes
    ----------
    title, under : str
        Heading, and the line below it.
    facts : tuple of (str, str)
        Name and value, line by line.
    steps : tuple of (str, str, str)
        Of each part of the strip: what the card covers, how long to expose, the part's total.
    how_to : tuple of str
        What to do, in order.
    cautions : tuple of str
    """

    title: str
    under: str
    facts: tuple[tuple[str, str], ...]
    steps: tuple[tuple[str, str, str], ...]
    how_to: tuple[str, ...]
    cautions: tuple[str, ...]


def write_strip_sheet(path: Path, content: StripSheet, *, paper: PaperName = "a4") -> None:
    """Write the page as PDF.

    Raises
    ------
    WriteError
        If it could not be written.
    """
    sheet = PAPERS[paper]
    left, right = MARGIN, sheet.width - MARGIN
    with atomic_write(path) as stream:
        with sheets(stream, plain_line(content.title)) as pen:
            pen.start_page(sheet)
            down = _heading(pen, content, left, right)
            down = _facts(pen, content.facts, left, right, down + 9)
            down = _drawing(pen, content, left, right, down + 4)
            down = _steps(pen, content, left, right, down + 8)
            _cautions(pen, content.cautions, left, right, down + 6, sheet.height - 12)
            pen.end_page()
        read_back(stream, path, pen.pages)


def _heading(pen: Pen, content: StripSheet, left: float, right: float) -> float:
    title = shorten(plain_line(content.title), right - left, REGULAR, 17)
    pen.text((left, 26), title, REGULAR, 17, color=_INK)
    under = shorten(plain_line(content.under), right - left, LIGHT, 10)
    pen.text((left, 32.5), under, LIGHT, 10, color=_SOFT)
    return 34.0


def _facts(
    pen: Pen, facts: Sequence[tuple[str, str]], left: float, right: float, down: float
) -> float:
    for name, value in facts:
        pen.text((left, down), name, LIGHT, 9.5, color=_SOFT)
        for line in wrap(plain_line(value), right - left - 46, LIGHT, 9.5):
            pen.text((left + 46, down), line, LIGHT, 9.5, color=_INK)
            down += _LINE
        down += 0.9
    return down


def _drawing(pen: Pen, content: StripSheet, left: float, right: float, down: float) -> float:
    """Draw the strip and its parts, each darker than the one before, as they will print."""
    box = Box(down, left, down + _STRIP, right)
    count = len(content.steps)
    each = box.width / count
    for i, (_, __, total) in enumerate(content.steps):
        part = Box(box.top, box.left + i * each, box.bottom, box.left + (i + 1) * each)
        pen.fill(part, 0.95 - 0.45 * i / max(1, count - 1))
        middle = (part.left + part.right) / 2
        pen.text((middle, box.top + 8), str(i + 1), REGULAR, 13, color=_INK, middle=True)
        pen.text((middle, box.bottom + 5), total, LIGHT, 9, color=_INK, middle=True)
        if i:
            pen.line((part.left, box.top - 2), (part.left, box.bottom + 1.5), gray=_INK)
    pen.outline(box, _INK, 0.15)
    return box.bottom + 6


def _steps(pen: Pen, content: StripSheet, left: float, right: float, down: float) -> float:
    """Set the table at the left and what to do at the right of it."""
    columns = (left, left + 30, left + 60)
    names = ("card covers", "expose", "in all")
    top = down
    for at, name in zip(columns, names, strict=True):
        pen.text((at, down), name, LIGHT, 8.5, color=_SOFT)
    pen.line((left, down + 1.6), (left + 84, down + 1.6), gray=_SOFT)
    down += 6.2
    for step in content.steps:
        for at, words in zip(columns, step, strict=True):
            pen.text((at, down), words, REGULAR if at == columns[1] else LIGHT, 10, color=_INK)
        down += 5.4
    side, beside = left + 94, top
    for line in content.how_to:
        for piece in wrap(line, right - side, LIGHT, 9):
            pen.text((side, beside), piece, LIGHT, 9, color=_INK)
            beside += 4.2
        beside += 1.4
    return max(down, beside)


def _cautions(
    pen: Pen, cautions: Sequence[str], left: float, right: float, down: float, bottom: float
) -> None:
    """Set the cautions, in type as large as the page has room for."""
    room = right - left
    for size in (8.0, 7.5, 7.0, 6.5, 6.0, 5.5):
        pitch = size * 0.46
        lines = [wrap(plain_line(text), room, LIGHT, size) for text in cautions]
        tall = sum(len(each) for each in lines) * pitch + 0.8 * len(lines) + 6
        if down + tall <= bottom:
            break
    pen.line((left, down - 4), (right, down - 4), gray=_SOFT)
    pen.text((left, down), "Cautions", REGULAR, 9, color=_INK)
    down += pitch + 1.2
    for each in lines:
        for line in each:
            pen.text((left, down), line, LIGHT, size, color=_INK)
            down += pitch
        down += 0.8
