"""A sheet to take to the printing frame: cautions, a plate's times, the steps of its test strip.

Cautions come before the work, in type that can be read. Where the work does not fit below them it
has a page of its own, which holds all of it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from platebench.core.files import atomic_write
from platebench.write.page_pen import (
    LIGHT,
    PENCIL,
    REGULAR,
    Pen,
    plain_line,
    read_back,
    sheets,
    shorten,
    wrap,
)
from platebench.write.paper_page import PAPERS, Box, PaperName

MARGIN = 18.0
_INK, _SOFT = 0.1, 0.42
_LINE = 4.6
_STRIP = 25.0  # how tall the strip is drawn
CAUTION_PT = 9.0  # smaller type is not read in a darkroom
_CAUTION_LINE, _CAUTION_GAP = 4.1, 1.0
_FOOT = 12.0
_BESIDE = 94.0  # from the table's left to the instructions beside it


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
    doubts : tuple of str
        What makes the times doubtful.
    """

    title: str
    under: str
    facts: tuple[tuple[str, str], ...]
    steps: tuple[tuple[str, str, str], ...]
    how_to: tuple[str, ...]
    cautions: tuple[str, ...]
    doubts: tuple[str, ...] = ()


def write_strip_sheet(path: Path, content: StripSheet, *, paper: PaperName = "a4") -> None:
    """Write one page as PDF, or two.

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
            down = _cautions(pen, content.cautions, left, right, down + 8)
            if down + _work_height(content, left, right) > sheet.height - _FOOT:
                foot = (left, sheet.height - _FOOT)
                pen.text(foot, "Times and strip: next page", LIGHT, 9, color=_SOFT)
                pen.end_page()
                pen.start_page(sheet)
                down = _heading(pen, content, left, right) + 4
            down = _facts(pen, content, left, right, down + 5)
            down = _drawing(pen, content, left, right, down + 4)
            _steps(pen, content, left, right, down + 8)
            pen.end_page()
        read_back(stream, path, pen.pages)


def _heading(pen: Pen, content: StripSheet, left: float, right: float) -> float:
    title = shorten(plain_line(content.title), right - left, REGULAR, 17)
    pen.text((left, 26), title, REGULAR, 17, color=_INK)
    under = shorten(plain_line(content.under), right - left, LIGHT, 10)
    pen.text((left, 32.5), under, LIGHT, 10, color=_SOFT)
    return 34.0


def _facts(pen: Pen, content: StripSheet, left: float, right: float, down: float) -> float:
    for name, value in (*(("in doubt", text) for text in content.doubts), *content.facts):
        doubt = name == "in doubt"
        color, face = (PENCIL, REGULAR) if doubt else (_INK, LIGHT)
        pen.text((left, down), name, face, 9.5, color=color if doubt else _SOFT)
        for line in wrap(plain_line(value), right - left - 46, face, 9.5):
            pen.text((left + 46, down), line, face, 9.5, color=color)
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
    side, beside = left + _BESIDE, top
    for line in content.how_to:
        for piece in wrap(line, right - side, LIGHT, 9):
            pen.text((side, beside), piece, LIGHT, 9, color=_INK)
            beside += 4.2
        beside += 1.4
    return max(down, beside)


def _work_height(content: StripSheet, left: float, right: float) -> float:
    """Return what facts, drawing, table and instructions take, in millimetres."""
    values = (*content.doubts, *(value for _, value in content.facts))
    wraps = (wrap(plain_line(value), right - left - 46, REGULAR, 9.5) for value in values)
    facts = sum(_LINE * len(lines) + 0.9 for lines in wraps)
    table = 6.2 + 5.4 * len(content.steps)
    pieces = [len(wrap(line, right - left - _BESIDE, LIGHT, 9)) for line in content.how_to]
    beside = sum(4.2 * count + 1.4 for count in pieces)
    return 5 + facts + 4 + _STRIP + 6 + 8 + max(table, beside)


def _cautions(pen: Pen, cautions: Sequence[str], left: float, right: float, down: float) -> float:
    """Set the cautions across the page, between two rules."""
    pen.line((left, down - 4.5), (right, down - 4.5), gray=_SOFT)
    pen.text((left, down), "Before you begin: cautions", REGULAR, 10, color=_INK)
    down += 5.2
    for text in cautions:
        for line in wrap(plain_line(text), right - left, LIGHT, CAUTION_PT):
            pen.text((left, down), line, LIGHT, CAUTION_PT, color=_INK)
            down += _CAUTION_LINE
        down += _CAUTION_GAP
    pen.line((left, down - 1.8), (right, down - 1.8), gray=_SOFT)
    return down
