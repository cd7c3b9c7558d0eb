"""Paper for the darkroom: a sheet and a card for one plate, a label for a box of plates.

Large and black: under a red lamp everything red vanishes, and grey nearly so. Cautions come first.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import IO

from platebench.core.files import atomic_write
from platebench.write.page_pen import REGULAR, Pen, plain_line, read_back, sheets, shorten, wrap
from platebench.write.paper_page import Box, Paper

A5 = Paper("a5", 148.0, 210.0)  # ISO 216
CARD = Paper("a6", 105.0, 148.0)  # ISO 216
LABEL = Paper("label", 105.0, 74.0)  # A7 lying, ISO 216
_MARGIN = 9.0
_LINE = 0.43  # mm of height a point of type
_THICK = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class DarkroomPaper:
    """What stands on sheet and card.

    Attributes
    ----------
    title : str
        The plate.
    cautions : tuple of str
        A paragraph each; on a page of their own, before anything else.
    short_caution : str
        The same in a line, for the card.
    lines : tuple of (str, str)
        What it is, and its value, most needed first.
    remarks : tuple of str
        Smaller; on the sheet only.
    boxes : tuple of str
        What is to be filled in by hand.
    """

    title: str
    cautions: tuple[str, ...]
    short_caution: str
    lines: tuple[tuple[str, str], ...]
    remarks: tuple[str, ...]
    boxes: tuple[str, ...]


def write_darkroom_paper(paper: DarkroomPaper, sheet: Path, card: Path) -> None:
    """Write the sheet (A5, cautions on its first page) and the card (A6) as PDF.

    Raises
    ------
    WriteError
        If one cannot be written.
    """
    with atomic_write(sheet) as stream:
        _write(stream, paper.title, A5, [lambda p: _cautions(p, paper), lambda p: _plan(p, paper)])
        read_back(stream, sheet, 2)
    with atomic_write(card) as stream:
        _write(stream, paper.title, CARD, [lambda p: _card(p, paper)])
        read_back(stream, card, 1)


def write_box_label(
    target: Path, title: str, lines: Sequence[str], cautions: Sequence[str]
) -> None:
    """Write a label for a box of plates (105 x 74 mm) as PDF, cautions first.

    Raises
    ------
    WriteError
        If it cannot be written.
    """

    def label(pen: Pen) -> None:
        pen.outline(Box(2, 2, LABEL.height - 2, LABEL.width - 2), 0.0, _THICK)
        down = _fitted(pen, LABEL, cautions, 5.0, 0.42 * LABEL.height, 9.0)
        down = _text(pen, LABEL, title, 17.0, down + 1.5)
        _fitted(pen, LABEL, lines, down, LABEL.height - 4, 11.0)

    with atomic_write(target) as stream:
        _write(stream, title, LABEL, [label])
        read_back(stream, target, 1)


def _write(
    stream: IO[bytes], title: str, paper: Paper, pages: Sequence[Callable[[Pen], None]]
) -> None:
    with sheets(stream, plain_line(title)) as pen:
        pen.keep_size()
        for page in pages:
            pen.start_page(paper)
            page(pen)
            pen.end_page()


def _cautions(pen: Pen, paper: DarkroomPaper) -> None:
    down = _text(pen, A5, "Before you begin", 20.0, _MARGIN)
    _fitted(pen, A5, paper.cautions, down + 2, A5.height - _MARGIN, 12.0)


def _plan(pen: Pen, paper: DarkroomPaper) -> None:
    down = _text(pen, A5, paper.title, 22.0, _MARGIN)
    boxes_top = A5.height - _MARGIN - 11.0 * ((len(paper.boxes) + 1) // 2)
    share = 0.68 if paper.remarks else 1.0
    down = _lines(pen, A5, paper.lines, down + 1, down + share * (boxes_top - down), 17.0)
    _fitted(pen, A5, paper.remarks, down + 1, boxes_top - 2, 10.0)
    _boxes(pen, A5, paper.boxes, boxes_top)


def _card(pen: Pen, paper: DarkroomPaper) -> None:
    pen.outline(Box(2, 2, CARD.height - 2, CARD.width - 2), 0.0, _THICK)
    down = _fitted(pen, CARD, [paper.short_caution], 7.0, 32.0, 11.0)
    down = _text(pen, CARD, paper.title, 20.0, down + 2)
    boxes_top = CARD.height - 7 - 11.0 * ((len(paper.boxes) + 1) // 2)
    _lines(pen, CARD, paper.lines, down + 1, boxes_top - 2, 15.0)
    _boxes(pen, CARD, paper.boxes, boxes_top)


def _text(pen: Pen, paper: Paper, text: str, size: float, down: float) -> float:
    """Set one line and return where the next begins."""
    width = paper.width - 2 * _MARGIN
    down += size * _LINE
    line = shorten(plain_line(text), width, REGULAR, size)
    pen.text((_MARGIN, down), line, REGULAR, size, full=plain_line(text))
    return down + 0.3 * size * _LINE


def _fitted(
    pen: Pen, paper: Paper, paragraphs: Sequence[str], down: float, bottom: float, size: float
) -> float:
    """Set paragraphs as large as fits above ``bottom``; return where the next begins."""
    width = paper.width - 2 * _MARGIN
    while True:
        step = size * _LINE
        wrapped = [wrap(plain_line(text), width, REGULAR, size) for text in paragraphs]
        height = sum(len(lines) + 0.4 for lines in wrapped) * step
        if height <= bottom - down or size <= 5.0:
            break
        size -= 0.25
    for lines in wrapped:
        for line in lines:
            down += step
            pen.text((_MARGIN, down), line, REGULAR, size)
        down += 0.4 * step
    return down


def _lines(
    pen: Pen,
    paper: Paper,
    pairs: Sequence[tuple[str, str]],
    down: float,
    bottom: float,
    size: float,
) -> float:
    """Set names and values, the value large; as large as fits."""
    width, gap = paper.width - 2 * _MARGIN, 0.7
    while True:
        blocks = [
            (plain_line(name), wrap(plain_line(value), width, REGULAR, size))
            for name, value in pairs
        ]
        small = 0.6 * size
        height = sum((small + size * len(v)) * _LINE + gap for _, v in blocks)
        if height <= bottom - down or size <= 7.0:
            break
        size -= 0.5
    for name, lines in blocks:
        down += small * _LINE
        pen.text((_MARGIN, down), name, REGULAR, small)
        for line in lines:
            down += size * _LINE
            pen.text((_MARGIN, down), line, REGULAR, size)
        down += gap
    return down


def _boxes(pen: Pen, paper: Paper, names: Sequence[str], top: float) -> None:
    """Draw empty boxes, two a row, each with its name."""
    width = (paper.width - 2 * _MARGIN - 3) / 2
    for n, name in enumerate(names):
        left = _MARGIN + (n % 2) * (width + 3)
        upper = top + (n // 2) * 11.0
        pen.outline(Box(upper, left, upper + 10.0, left + width), 0.0, _THICK)
        pen.text((left + 1, upper + 3.4), name, REGULAR, 8.0)
