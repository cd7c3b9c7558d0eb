"""Proof sheets: the plates of a session as contact prints on black, captions in a light hand.

Physics decides the black: paper laid under glass plates and exposed is bare outside them, so it
turns as black as paper can. A white margin is left, as under an easel, for the title.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from pathlib import Path
from statistics import median

from platebench.core.errors import WriteError
from platebench.core.files import atomic_write
from platebench.core.progress import Progress, working
from platebench.write.page_pen import (
    LIGHT,
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
)
from platebench.write.paper_page import (
    PAPERS,
    Cell,
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
INK, SOFT_INK, FAINT_INK = 0.13, 0.36, 0.46
_COLORS: dict[Hand, float | tuple[float, float, float]] = {
    Hand.NAME: 0.90,
    Hand.DATA: 0.74,
    Hand.FLAG: (0.95, 0.52, 0.43),
}
PENCIL_AWAY = 1.3
_FOOT = 6.2  # from the black down to the first line of the legend
_FAILED_LEADING = 2.75
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
                pen.fill(plan.field, BARE_PAPER)
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
    rows: list[tuple[str, str, float | tuple[float, float, float]]] = []
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
            room = field.width - width_mm(right, LIGHT, 8.2) - 8
            fitted = shorten(name, room, REGULAR, 11.5)
            pen.text((field.left, field.top), fitted, REGULAR, 11.5, color=INK, full=name)
            pen.text((field.right, field.top), right, LIGHT, 8.2, color=SOFT_INK, right=True)
            for place, (left, beside, colour) in enumerate(page):
                down = field.top + _INDEX_TOP + place * _INDEX_LEADING
                for across, words, width in (
                    (0.0, left, _INDEX_COLUMN - 4),
                    (_INDEX_COLUMN, beside, field.width - _INDEX_COLUMN),
                ):
                    whole = plain_line(words)
                    line = shorten(whole, width, LIGHT, 9)
                    at = (field.left + across, down)
                    pen.text(at, line, LIGHT, 9, color=colour, full=whole)
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
    right = shorten(_BETWEEN.join(f for f in facts if f), field.width * 0.6, LIGHT, 8.2)
    room = field.width - width_mm(right, LIGHT, 8.2) - 8
    name = plain_line(title)
    fitted = shorten(name, room, REGULAR, 11.5)
    pen.text((field.left, baseline), fitted, REGULAR, 11.5, color=INK, full=name)
    pen.text((field.right, baseline), right, LIGHT, 8.2, color=SOFT_INK, right=True)


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
        text = shorten(line, field.width - bar - 8, LIGHT, 6.4)
        pen.text((field.left, baseline + 3.1 * i), text, LIGHT, 6.4, color=FAINT_INK)


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
        pen.line((across, middle - 0.8), (across, middle + 0.8), gray=FAINT_INK, thick_mm=0.12)
    pen.line((right - length, middle), (right, middle), gray=FAINT_INK, thick_mm=0.12)
    end = right - length - 2.2
    pen.text((end, baseline), words, LIGHT, 6.4, color=FAINT_INK, right=True)
    return right - end + width_mm(words, LIGHT, 6.4)


def _draw_print(
    pen: Pen, target: Path, shown: ProofPrint, placement: Placement, scaled: bool, *, number: int
) -> None:
    box, caption = placement.picture, placement.caption
    encoded = gray_jpeg(target, shown.plate_id, shown.picture, (box.width, box.height))
    pen.picture(box, encoded)
    if shown.doubtful:
        pen.pencil(pencil_loop(box, PENCIL_AWAY, number), 0.42)
    down = caption.top
    for line in caption_lines(shown, number, placement.measure, scaled=scaled):
        down += LEADING_MM[line.hand]
        font, size = TYPE[line.hand]
        at = (caption.left, down - 0.55)
        pen.text(at, line.text, font, size, color=_COLORS[line.hand], full=line.full)
        if line.beside:
            at = (at[0] + line.beside_at, at[1])
            pen.text(at, line.beside, *TYPE[Hand.DATA], color=_COLORS[Hand.DATA])
