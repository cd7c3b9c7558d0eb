"""Layout of a proof sheet: which print goes where. Pure; lengths are millimetres from top left.

Prints flow in rows, in order, all at one scale. The scale is the largest that needs no more pages
than ``per_page`` asks for, and never above life size: a contact print is not an enlargement.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Literal, get_args

MARGIN_TOP, MARGIN_SIDE, MARGIN_BOTTOM = 19.0, 10.0, 20.0  # paper left white
PADDING = 8.0  # from the edge of the black to the first print
GAP_ACROSS, GAP_DOWN = 6.5, 7.0
CAPTION_GAP = 2.6  # from a print to its caption; room for the pencil
MIN_CELL = 34.0  # the narrowest caption
WIDEST_GAP = 2.5  # as a multiple of the gaps above
ALIKE = 1.35  # prints whose widths differ by no more than this share columns


@dataclass(frozen=True, slots=True)
class Paper:
    """A sheet of paper, in millimetres."""

    name: str
    width: float
    height: float

    def turned(self) -> Paper:
        """Return the same sheet lying the other way."""
        return Paper(self.name, self.height, self.width)


PaperName = Literal["a4", "letter"]
PAPERS: dict[PaperName, Paper] = {
    "a4": Paper("a4", 210.0, 297.0),  # ISO 216
    "letter": Paper("letter", 215.9, 279.4),  # 8.5 x 11 in, ANSI/ASME Y14.1 size A
}
GroundName = Literal["black", "white"]  # what prints lie on
GROUNDS: tuple[GroundName, ...] = get_args(GroundName)


@dataclass(frozen=True, slots=True)
class Box:
    """A rectangle on the page, half-open, millimetres from the top left corner."""

    top: float
    left: float
    bottom: float
    right: float

    @property
    def width(self) -> float:
        """Extent across."""
        return self.right - self.left

    @property
    def height(self) -> float:
        """Extent down."""
        return self.bottom - self.top


@dataclass(frozen=True, slots=True)
class Cell:
    """One print to be laid.

    Attributes
    ----------
    width, height : float
        The plate's true size, or an assumed one, in millimetres.
    caption_height : callable
        Height of the caption when it is this wide; both in millimetres.
    """

    width: float
    height: float
    caption_height: Callable[[float], float]


@dataclass(frozen=True, slots=True)
class Placement:
    """Where one print and its caption lie.

    Attributes
    ----------
    index : int
        Counts the prints as given, from 0.
    picture, caption : Box
        On the page.
    measure : float
        The width the caption was set to: the caption's, before any rounding, so that words break
        when drawn where they broke when measured.
    """

    index: int
    picture: Box
    caption: Box
    measure: float


@dataclass(frozen=True, slots=True)
class Plan:
    """A laid-out proof sheet.

    Attributes
    ----------
    paper : Paper
        The sheet, as it lies.
    field : Box
        The black.
    reduction : float
        Plate size over print size; 1 is life size.
    pages : tuple of tuple of Placement
        In order.
    """

    paper: Paper
    field: Box
    reduction: float
    pages: tuple[tuple[Placement, ...], ...]


@dataclass(frozen=True, slots=True)
class _Row:
    first: int
    widths: tuple[float, ...]  # of cells
    prints: tuple[tuple[float, float], ...]  # width, height
    captions: tuple[float, ...]  # heights

    @property
    def print_height(self) -> float:
        return max(height for _, height in self.prints)

    @property
    def height(self) -> float:
        return self.print_height + CAPTION_GAP + max(self.captions)

    @property
    def width(self) -> float:
        return sum(self.widths) + GAP_ACROSS * (len(self.widths) - 1)


def field_of(paper: Paper) -> Box:
    """Return the black part of a sheet."""
    return Box(MARGIN_TOP, MARGIN_SIDE, paper.height - MARGIN_BOTTOM, paper.width - MARGIN_SIDE)


def plan_pages(
    cells: Sequence[Cell], paper: Paper, *, turn: bool | None = None, per_page: int = 12
) -> Plan:
    """Lay out prints in order at one common scale.

    Parameters
    ----------
    cells : sequence of Cell
        The prints, at least one.
    paper : Paper
        The sheet, upright.
    turn : bool or None
        Lay the sheet on its side; None takes whichever gives the larger prints.
    per_page : int
        How many prints a page should hold on average at least.

    Returns
    -------
    Plan
        Nothing overlaps and everything lies within the field.

    Raises
    ------
    ValueError
        If there are no cells, or a caption is too tall for any page.
    """
    if not cells:
        raise ValueError("no prints to lay out")
    sheets = [paper.turned() if turn else paper] if turn is not None else [paper, paper.turned()]
    most = -(-len(cells) // per_page)
    for allowed in (most, len(cells)):  # tall captions may need more pages than asked for
        for reduction in _reductions():
            for sheet in sheets:
                room = _room(sheet)
                # measuring type is slow: see first whether the prints alone would fit
                bare = _flow(cells, reduction, room, captioned=False)
                if bare is None or len(bare) > allowed:
                    continue
                pages = _flow(cells, reduction, room, captioned=True)
                if pages is not None and len(pages) <= allowed:
                    return _placed(pages, sheet, reduction)
    raise ValueError("a caption is taller than the page")


def _reductions() -> Iterator[float]:
    """Yield 1.0, 1.1 ... 10.0, then coarser: figures a person can read on the sheet."""
    yield from (step / 10 for step in range(10, 100))
    yield from (float(step) for step in range(10, 40))
    yield from (40.0 * 1.25**step for step in range(30))


def _room(sheet: Paper) -> Box:
    field = field_of(sheet)
    return Box(
        field.top + PADDING, field.left + PADDING, field.bottom - PADDING, field.right - PADDING
    )


def _flow(
    cells: Sequence[Cell], reduction: float, room: Box, *, captioned: bool
) -> list[list[_Row]] | None:
    """Break cells into rows and rows into pages; None where one does not fit at all."""
    pages: list[list[_Row]] = []
    used = 0.0
    for row in _rows(cells, reduction, room.width, captioned):
        if row.width > room.width or row.height > room.height:
            return None
        if not pages or used + GAP_DOWN + row.height > room.height:
            pages.append([])
            used = -GAP_DOWN
        pages[-1].append(row)
        used += GAP_DOWN + row.height
    return pages


def _rows(cells: Sequence[Cell], reduction: float, width: float, captioned: bool) -> Iterator[_Row]:
    start, used = 0, 0.0
    sizes = [(cell.width / reduction, cell.height / reduction) for cell in cells]
    widths = [max(print_width, MIN_CELL) for print_width, _ in sizes]
    if max(widths) <= ALIKE * min(widths):
        widths = [max(widths)] * len(widths)
    for i, cell_width in enumerate([*widths, width]):
        if i > start and (i == len(cells) or used + GAP_ACROSS + cell_width > width):
            part = slice(start, i)
            captions = tuple(
                cell.caption_height(w) if captioned else 0.0
                for cell, w in zip(cells[part], widths[part], strict=True)
            )
            yield _Row(start, tuple(widths[part]), tuple(sizes[part]), captions)
            start, used = i, cell_width
        else:
            used += cell_width + (GAP_ACROSS if i > start else 0.0)


def _placed(pages: list[list[_Row]], sheet: Paper, reduction: float) -> Plan:
    room = _room(sheet)
    gaps = {id(row): _gap_across(row, room.width) for page in pages for row in page}
    rows = [row for page in pages for row in page]
    # the last row keeps the rhythm of the rows above it rather than spreading out
    if len(rows) > 1:
        gaps[id(rows[-1])] = min(gaps[id(rows[-1])], gaps[id(rows[-2])])
    block = max(sum(row.widths) + gaps[id(row)] * (len(row.widths) - 1) for row in rows)
    left = room.left + (room.width - block) / 2
    placed = []
    extra = first_top = float("inf")
    for number, page in enumerate(pages):
        last = 0 < number == len(pages) - 1  # keeps the rhythm of the page before it
        extra, first_top = _spread(page, room, *((extra, first_top) if last else ()))
        top = first_top
        laid: list[Placement] = []
        for row in page:
            laid += _placed_row(row, top, left, gaps[id(row)])
            top += row.height + GAP_DOWN + extra
        placed.append(tuple(laid))
    return Plan(sheet, field_of(sheet), reduction, tuple(placed))


def _spread(
    page: list[_Row], room: Box, most_extra: float = float("inf"), lowest: float = float("inf")
) -> tuple[float, float]:
    """Return what to add to the gaps between a page's rows, and where its first row begins."""
    spare = room.height - sum(row.height + GAP_DOWN for row in page) + GAP_DOWN
    extra = min(spare / len(page), GAP_DOWN * (WIDEST_GAP - 1), most_extra)
    spare -= extra * (len(page) - 1)
    return extra, min(room.top + spare * 0.45, lowest)  # the optical middle is above the middle


def _gap_across(row: _Row, width: float) -> float:
    if len(row.widths) == 1:
        return GAP_ACROSS
    spread = (width - sum(row.widths)) / (len(row.widths) - 1)
    return min(spread, GAP_ACROSS * WIDEST_GAP)


def _placed_row(row: _Row, top: float, left: float, gap: float) -> Iterator[Placement]:
    """Yield the prints of a row, standing on one line, captions below it."""
    foot = top + row.print_height
    for i, (cell_width, (width, height), caption) in enumerate(
        zip(row.widths, row.prints, row.captions, strict=True)
    ):
        yield Placement(
            row.first + i,
            Box(foot - height, left, foot, left + width),
            Box(foot + CAPTION_GAP, left, foot + CAPTION_GAP + caption, left + cell_width),
            cell_width,
        )
        left += cell_width + gap
