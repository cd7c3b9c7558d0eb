"""Proof sheets: the plates of a session as contact prints on black or on white.

Physics decides the black: paper laid under glass plates and exposed is bare outside them, so it
turns as black as paper can. A white margin is left, as under an easel, for the title. On white the
sheet takes less toner, and each print has a thin edge instead. No type is below 8 pt.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from statistics import median

from platebench.core.errors import WriteError
from platebench.core.files import atomic_write
from platebench.core.progress import Progress, working
from platebench.write.page_pen import (
    PENCIL,
    REGULAR,
    Pen,
    can_show,
    pencil_loop,
    plain_line,
    read_back,
    sheets,
    shorten,
    width_mm,
    wrap,
)
from platebench.write.paper_page import (
    PAPERS,
    Cell,
    GroundName,
    PaperName,
    Placement,
    Plan,
    field_of,
    plan_pages,
)
from platebench.write.proof_caption import (
    LEADING_MM,
    TYPE,
    Hand,
    ProofPrint,
    caption_height,
    caption_lines,
    not_converted_lines,
)
from platebench.write.proof_picture import gray_jpeg, picture_shape, size_fits

__all__ = ["ProofPrint", "write_proof_index", "write_proof_sheet"]

BARE_PAPER = 7 / 255  # blacker than any print on it: base plus fog prints at 10
ASSUMED_LONG_MM = 254.0  # plates of unknown size, where no plate's size is known
INK, SOFT_INK = 0.13, 0.36
Colour = float | tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class _Ground:
    """What prints lie on: its grey (None: the paper), their edge, and the colours of captions."""

    grey: float | None
    edge: float | None
    hands: Mapping[Hand, Colour]


_GROUNDS: dict[GroundName, _Ground] = {
    "black": _Ground(
        BARE_PAPER, None, {Hand.NAME: 0.95, Hand.DATA: 0.82, Hand.FLAG: (0.98, 0.62, 0.53)}
    ),
    "white": _Ground(
        None, SOFT_INK, {Hand.NAME: 0.0, Hand.DATA: 0.2, Hand.FLAG: (0.62, 0.13, 0.06)}
    ),
}
PENCIL_AWAY = 1.3
_FOOT = 6.2  # from the black down to the first line of the legend
_FAILED_LEADING = 3.4
_TITLE_LEADING = 5.0
_INDEX_TOP, _INDEX_LEADING, _INDEX_COLUMN = 10.0, 5.2, 62.0
_BETWEEN = "   ·   "


def write_proof_sheet(
    pdf_path: Path,
    prints: Sequence[ProofPrint],
    *,
    title: str,
    date: str = "",
    paper: PaperName = "a4",
    turn: bool | None = None,
    per_page: int = 12,
    ground: GroundName = "black",
    not_converted: Sequence[tuple[str, str]] = (),
    first: int = 1,
    span: str = "",
    progress: Progress | None = None,
) -> int:
    """Write a proof sheet as PDF.

    Parameters
    ----------
    pdf_path : Path
        The file to write.
    prints : sequence of ProofPrint
        The plates in the order they are shown.
    title : str
        Heading: the session's name.
    date : str
        Date as it is to be read; "" leaves it out. No clock is read here.
    paper : {"a4", "letter"}
        The sheet.
    turn : bool or None
        Lay the sheet on its side; None takes whichever gives the larger prints.
    per_page : int
        How many prints a page should hold on average at least.
    ground : {"black", "white"}
        What the prints lie on.
    not_converted : sequence of (str, str)
        Id and reason of each plate there is no print of; named at the foot of the first page.
    first : int
        Number of the first print.
    span : str
        Which plates of a large session these are; "" where they are all.
    progress : Progress or None
        Told of each print drawn.

    Returns
    -------
    int
        Number of pages.

    Raises
    ------
    WriteError
        If there are no plates, a picture cannot be read, or the file cannot be written.
    """
    if not prints:
        raise WriteError(pdf_path, "there are no plates to show", "convert the session first")
    scaled, cells = _cells(pdf_path, prints, first)
    plan = plan_pages(cells, PAPERS[paper], turn=turn, per_page=per_page)
    with atomic_write(pdf_path) as stream:
        with (
            working(progress, "proof sheet", len(prints)) as told,
            sheets(stream, plain_line(title)) as pen,
        ):
            for number, page in enumerate(plan.pages, 1):
                pen.start_page(plan.paper)
                if (grey := _GROUNDS[ground].grey) is not None:
                    pen.fill(plan.field, grey)
                _draw_title(pen, plan, number, title, date, span or _count(prints, not_converted))
                foot = _draw_failed(pen, plan, not_converted) if number == 1 else _FOOT
                _draw_legend(pen, plan, prints, scaled, foot)
                for placement in page:
                    shown = prints[placement.index]
                    _draw_print(
                        pen,
                        pdf_path,
                        shown,
                        placement,
                        scaled[placement.index],
                        _GROUNDS[ground],
                        number=first + placement.index,
                    )
                    told.advance(shown.plate_id)
                pen.end_page()
        read_back(stream, pdf_path, pen.pages)
    return pen.pages


def write_proof_index(
    pdf_path: Path,
    parts: Sequence[tuple[str, str, Sequence[str]]],
    *,
    title: str,
    date: str = "",
    paper: PaperName = "a4",
    not_converted: Sequence[tuple[str, str]] = (),
) -> int:
    """Write the sheet that leads to the parts of a large session's proof sheet, as PDF.

    Parameters
    ----------
    pdf_path : Path
        The file to write.
    parts : sequence of (str, str, sequence of str)
        Of each part its file, the plates it shows, and those of them to look at.
    title, date, paper, not_converted
        As for `write_proof_sheet`.

    Returns
    -------
    int
        Number of pages.

    Raises
    ------
    WriteError
        If it cannot be written.
    """
    field = field_of(PAPERS[paper])
    rows: list[tuple[str, str, Colour]] = []
    rows += [(name, plates, SOFT_INK) for name, plates, _ in parts]
    looked_at = [(name, plate) for name, _, doubtful in parts for plate in doubtful]
    rows += [(plate, f"look at this plate, {name}", PENCIL) for name, plate in looked_at]
    rows += [(plate, f"not converted: {why}", PENCIL) for plate, why in not_converted]
    each = int((field.height - _INDEX_TOP) / _INDEX_LEADING)
    pages = [rows[start : start + each] for start in range(0, len(rows), each)]
    with atomic_write(pdf_path) as stream, sheets(stream, plain_line(title)) as pen:
        for number, page in enumerate(pages, 1):
            pen.start_page(PAPERS[paper])
            facts = (plain_line(date), f"page {number} of {len(pages)}")
            right = _BETWEEN.join(fact for fact in facts if fact)
            name = plain_line(title)
            room = field.width - width_mm(right, REGULAR, 8.5) - 8
            _draw_name(pen, (field.left, field.top), name, room)
            pen.text((field.right, field.top), right, REGULAR, 8.5, color=SOFT_INK, right=True)
            for place, (left, beside, colour) in enumerate(page):
                down = field.top + _INDEX_TOP + place * _INDEX_LEADING
                for across, words, width in (
                    (0.0, left, _INDEX_COLUMN - 4),
                    (_INDEX_COLUMN, beside, field.width - _INDEX_COLUMN),
                ):
                    whole = plain_line(words)
                    line = shorten(whole, width, REGULAR, 9)
                    at = (field.left + across, down)
                    pen.text(at, line, REGULAR, 9, color=colour, full=whole)
            pen.end_page()
    return len(pages)


def _cells(target: Path, prints: Sequence[ProofPrint], first: int) -> tuple[list[bool], list[Cell]]:
    """Return which prints are at the sheet's scale, and all of them ready for the layout."""
    shapes = [picture_shape(target, shown.plate_id, shown.picture) for shown in prints]
    sizes = [
        size if (size := shown.trusted_size) and size_fits(shape, size) else None
        for shown, shape in zip(prints, shapes, strict=True)
    ]
    known = [max(size) for size in sizes if size]
    assumed = median(known) if known else ASSUMED_LONG_MM
    cells = []
    for i, (shape, size) in enumerate(zip(shapes, sizes, strict=True)):
        rows, columns = shape
        width, height = size or (
            assumed * columns / max(shape),
            assumed * rows / max(shape),
        )
        cells.append(Cell(width, height, _CaptionHeight(prints[i], first + i, size is not None)))
    return [size is not None for size in sizes], cells


class _CaptionHeight:
    """Height of one print's caption at a width; remembered, as the layout asks many times."""

    def __init__(self, shown: ProofPrint, number: int, scaled: bool) -> None:
        self._measured = lru_cache(maxsize=None)(
            lambda width: caption_height(caption_lines(shown, number, width, scaled=scaled))
        )

    def __call__(self, width: float) -> float:
        return self._measured(width)


def _count(prints: Sequence[ProofPrint], not_converted: Sequence[tuple[str, str]]) -> str:
    """Return how many plates the session has, and how many of them are not shown."""
    count = sum("/" not in shown.plate_id for shown in prints) + len(not_converted)
    plates = f"{count} plates" if count != 1 else "1 plate"
    return f"{plates}, {len(not_converted)} not converted" if not_converted else plates


def _draw_title(pen: Pen, plan: Plan, number: int, title: str, date: str, count: str) -> None:
    field = plan.field
    baseline = field.top - 5.4
    facts = [plain_line(date), count, f"page {number} of {len(plan.pages)}"]
    right = shorten(_BETWEEN.join(f for f in facts if f), field.width * 0.6, REGULAR, 8.5)
    room = field.width - width_mm(right, REGULAR, 8.5) - 8
    _draw_name(pen, (field.left, baseline), plain_line(title), room)
    pen.text((field.right, baseline), right, REGULAR, 8.5, color=SOFT_INK, right=True)


def _draw_name(pen: Pen, at: tuple[float, float], name: str, room: float) -> None:
    """Set a sheet's name, its last line at a place: two lines, the second shortened if it must."""
    lines = wrap(name, room, REGULAR, 12)
    if len(lines) > 2:
        lines = [lines[0], shorten(" ".join(lines[1:]), room, REGULAR, 12)]
    for place, line in enumerate(lines):
        down = at[1] - _TITLE_LEADING * (len(lines) - 1 - place)
        full = name if place == 0 else line
        pen.text((at[0], down), line, REGULAR, 12, color=INK, full=full)


def _draw_failed(pen: Pen, plan: Plan, not_converted: Sequence[tuple[str, str]]) -> float:
    """Name the plates that failed below the black; return how far down the legend begins."""
    field = plan.field
    lines = not_converted_lines(not_converted, field.width)
    down = _FAILED_LEADING
    for line in lines:
        pen.text((field.left, field.bottom + down), line, *TYPE[Hand.FLAG], color=PENCIL)
        down += _FAILED_LEADING
    return max(_FOOT, down)


def _draw_legend(
    pen: Pen, plan: Plan, prints: Sequence[ProofPrint], scaled: Sequence[bool], foot: float
) -> None:
    field = plan.field
    baseline = field.bottom + foot
    lines = ["Densities: range of the picture, b+f base plus fog, Dmax densest tone"]
    marks = []
    if any(shown.doubtful for shown in prints):
        marks.append("red pencil: look at this plate")
    if not all(can_show(plain_line(t)) for s in prints for t in (s.plate_id, *s.flags)):
        marks.append("crossed box: a letter this type lacks")
    lines += [_BETWEEN.join(marks)] if marks else []
    bar = _draw_scale(pen, plan, baseline) if any(scaled) else 0.0
    for i, line in enumerate(lines):
        text = shorten(line, field.width - bar - 8, REGULAR, 8)
        pen.text((field.left, baseline + 3.6 * i), text, REGULAR, 8, color=SOFT_INK)


def _draw_scale(pen: Pen, plan: Plan, baseline: float) -> float:
    """Draw a bar that is a round length on the plates; return the width taken."""
    right = plan.field.right
    on_plate = next((mm for mm in (50, 100, 200, 500) if mm / plan.reduction >= 12), 1000)
    length = min(on_plate / plan.reduction, 60.0)
    on_plate = round(length * plan.reduction)
    reduction = "life size" if plan.reduction == 1 else f"1 : {plan.reduction:g}"
    words = f"{reduction}     {on_plate} mm on the plate"
    middle = baseline - 0.75
    for across in (right - length, right):
        pen.line((across, middle - 0.8), (across, middle + 0.8), gray=SOFT_INK, thick_mm=0.12)
    pen.line((right - length, middle), (right, middle), gray=SOFT_INK, thick_mm=0.12)
    end = right - length - 2.2
    pen.text((end, baseline), words, REGULAR, 8, color=SOFT_INK, right=True)
    return right - end + width_mm(words, REGULAR, 8)


def _draw_print(
    pen: Pen,
    target: Path,
    shown: ProofPrint,
    placement: Placement,
    scaled: bool,
    ground: _Ground,
    *,
    number: int,
) -> None:
    box, caption = placement.picture, placement.caption
    encoded = gray_jpeg(target, shown.plate_id, shown.picture, (box.width, box.height))
    pen.picture(box, encoded)
    if ground.edge is not None:
        corners = [(box.left, box.top), (box.right, box.top)]
        corners += [(box.right, box.bottom), (box.left, box.bottom)]
        for start, end in zip(corners, [*corners[1:], corners[0]], strict=True):
            pen.line(start, end, gray=ground.edge, thick_mm=0.1)
    if shown.doubtful:
        pen.pencil(pencil_loop(box, PENCIL_AWAY, number), 0.42)
    down = caption.top
    for line in caption_lines(shown, number, placement.measure, scaled=scaled):
        down += LEADING_MM[line.hand]
        font, size = TYPE[line.hand]
        at = (caption.left, down - 0.55)
        pen.text(at, line.text, font, size, color=ground.hands[line.hand], full=line.full)
        if line.beside:
            at = (at[0] + line.beside_at, at[1])
            pen.text(at, line.beside, *TYPE[Hand.DATA], color=ground.hands[Hand.DATA])
