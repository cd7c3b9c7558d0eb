"""A session's report as a PDF, as its HTML says it: all plates in a table, then two a page."""

from __future__ import annotations

import io
from collections.abc import Iterator, Sequence
from functools import partial
from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape

from reportlab.graphics.shapes import Drawing, Line, Polygon, String
from reportlab.lib import colors
from reportlab.lib.pagesizes import A4
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import (
    CondPageBreak,
    Flowable,
    HRFlowable,
    Image,
    KeepTogether,
    Paragraph,
    SimpleDocTemplate,
    Spacer,
    Table,
)

from platebench.core.files import atomic_write
from platebench.write.page_pen import REGULAR, font_named, plain_line, shorten
from platebench.write.preview import smaller_preview
from platebench.write.report_page import (
    COLUMNS,
    MOST_DENSITY,
    Fact,
    Histogram,
    PlatePart,
    ReportFacts,
    by_urgency,
    outline_of,
)

SIDE_PIXELS = 700
BESIDE = 10  # facts beside a picture; more stand below it
_MARGIN, _GAP = 18 * mm, 7 * mm
_LEFT, _RIGHT = 98 * mm, 64 * mm  # columns of a plate
_HIGH = 62 * mm  # of a picture, so that a page has room for two plates
_SMALLEST = 8  # pt
_INK, _SOFT, _LOOK = (colors.HexColor(c) for c in ("#1b1b1b", "#545454", "#8a2400"))


def write_report_pdf(path: Path, facts: ReportFacts) -> None:
    """Write the report.

    Raises
    ------
    WriteError
        If it cannot be written.
    """
    font_named(REGULAR)
    with atomic_write(path) as stream:
        document = SimpleDocTemplate(
            stream,
            pagesize=A4,
            leftMargin=_MARGIN,
            rightMargin=_MARGIN,
            topMargin=_MARGIN,
            bottomMargin=_MARGIN,
            title=plain_line(facts.title),
            author="",
            creator="platebench",
            invariant=1,
        )
        number = partial(_number_page, title=plain_line(facts.title))
        document.build(list(_flow(facts)), onFirstPage=number, onLaterPages=number)


def _number_page(canvas: Canvas, document: SimpleDocTemplate, *, title: str) -> None:
    """Set title and page number at the foot of a page."""
    canvas.saveState()
    canvas.setFont(REGULAR, _SMALLEST)
    canvas.setFillColor(_SOFT)
    canvas.drawString(_MARGIN, 10 * mm, shorten(title, 120.0, REGULAR, _SMALLEST))
    canvas.drawRightString(A4[0] - _MARGIN, 10 * mm, str(document.page))
    canvas.restoreState()


def _flow(facts: ReportFacts) -> Iterator[Flowable]:
    yield _words(facts.title, size=20, leading=25)
    if facts.date:
        yield _words(facts.date, colour=_SOFT)
    for sentence in facts.summary:
        yield _words(sentence)
    for remark in facts.remarks:
        yield _words(remark, colour=_LOOK)
    yield Spacer(0, 6 * mm)
    if facts.index:
        yield _index(facts)
        yield Spacer(0, 6 * mm)
    for place, plate in enumerate(facts.plates, 1):
        yield KeepTogether(
            [HRFlowable(width="100%", color=_SOFT, thickness=0.3), *_plate(plate, place)]
        )
    yield HRFlowable(width="100%", color=_SOFT, thickness=0.3)
    if facts.light:
        yield _words("Light", size=13, leading=18)
        for part in facts.light:
            yield _words(part.name, colour=_SOFT)
            if part.verdicts is None:
                yield _words("not checked")
            urgent, calm = by_urgency(part.verdicts or ())
            yield from _urgent(urgent)
            yield from _calm(calm)
            yield Spacer(0, 2 * mm)
    if facts.terms:
        yield _words("Terms", colour=_SOFT)
        yield _table(facts.terms, _LEFT + _RIGHT, share=0.15)
    if facts.versions:
        yield Spacer(0, 3 * mm)
        yield _words("Made with", colour=_SOFT)
        yield _table(facts.versions, _LEFT + _RIGHT)


def _index(facts: ReportFacts) -> Table:
    """Return the table of all plates, each leading to its own place."""
    shares = (0.2, 0.22, 0.12, 0.1, 0.1, 0.1, 0.16)
    width = _LEFT + _GAP + _RIGHT
    rows = [
        [
            _words(name, size=_SMALLEST, leading=10)
            for name in ("plate", "title", *COLUMNS, "to look at")
        ]
    ]
    for line in facts.index:
        leads = f"{line.part}.pdf" if line.part else f"#plate-{line.place}"
        name = f'<a href="{escape(leads)}">{escape(plain_line(line.plate_id))}</a>'
        rows.append(
            [
                _set(name, size=_SMALLEST, leading=10),
                *(_words(text, size=_SMALLEST, leading=10) for text in (line.title, *line.figures)),
                _words(line.state, size=_SMALLEST, leading=10, colour=_LOOK),
            ]
        )
    return Table(
        rows,
        colWidths=[width * share for share in shares],
        repeatRows=1,
        hAlign="LEFT",
        style=[
            ("VALIGN", (0, 0), (-1, -1), "TOP"),
            ("LEFTPADDING", (0, 0), (-1, -1), 0),
            ("RIGHTPADDING", (0, 0), (-1, -1), 6),
            ("TOPPADDING", (0, 0), (-1, -1), 1.5),
            ("BOTTOMPADDING", (0, 0), (-1, -1), 1.5),
            ("LINEBELOW", (0, 0), (-1, 0), 0.6, _INK),
            ("LINEBELOW", (0, 1), (-1, -1), 0.2, _SOFT),
        ],
    )


def _plate(plate: PlatePart, place: int) -> Iterator[Flowable]:
    heading = f"{plate.plate_id}  {plate.title}" if plate.title else plate.plate_id
    anchored = f'<a name="plate-{place}"/>{escape(plain_line(heading))}'
    yield _set(anchored, size=13, leading=18)
    if plate.error:
        yield _words(plate.error, colour=_LOOK)
        yield Spacer(0, 4 * mm)
        return
    picture = None if plate.picture is None else _picture(plate.picture)
    beside: list[Flowable] = [] if plate.histogram is None else [_drawn(plate.histogram)]
    few = [(name, shorten(value, 90.0, REGULAR, 8.5)) for name, value in plate.measured[:BESIDE]]
    beside += [_table(few, _RIGHT)] if few else []
    yield Table(
        [[picture or "", beside]],
        colWidths=[_LEFT + _GAP, _RIGHT],
        style=[
            ("VALIGN", (0, 0), (-1, -1), "TOP"),
            ("LEFTPADDING", (0, 0), (-1, -1), 0),
            ("RIGHTPADDING", (0, 0), (0, 0), _GAP),
            ("RIGHTPADDING", (1, 0), (1, 0), 0),
            ("TOPPADDING", (0, 0), (-1, -1), 1),
            ("BOTTOMPADDING", (0, 0), (-1, -1), 1),
        ],
        hAlign="LEFT",
    )
    for flag in plate.flags:
        yield _words(f"To look at: {flag}", colour=_LOOK)
    urgent, calm = by_urgency(plate.verdicts)
    yield from _urgent(urgent)
    for note in plate.notes:
        yield _words(note, colour=_SOFT)
    for facts in (plate.measured[BESIDE:], plate.settings, plate.about):
        if facts:
            yield Spacer(0, 1 * mm)
            yield _in_a_row(facts)
    yield from _calm(calm)
    yield Spacer(0, 3 * mm)


def _in_a_row(facts: Sequence[Fact]) -> Paragraph:
    """Return facts one after the other, their names softer than they."""
    soft = f'<font color="{_SOFT.hexval().replace("0x", "#")}">'
    told = (
        f"{soft}{escape(plain_line(name))}</font> {escape(plain_line(value))}"
        for name, value in facts
    )
    return _set(" &nbsp;·&nbsp; ".join(told), size=_SMALLEST, leading=10.5)


def _urgent(found: Sequence[str]) -> Iterator[Flowable]:
    """Yield what ``check`` found that asks for action."""
    for text in found:
        yield _words(text, colour=_LOOK)


def _calm(found: Sequence[str]) -> Iterator[Flowable]:
    """Yield what else ``check`` found, small: nothing need be done about it."""
    if found:
        yield Spacer(0, 2 * mm)
        yield CondPageBreak(14 * mm)
        yield _words("Worth knowing", colour=_SOFT)
    for text in found:
        yield _words(text, size=_SMALLEST, leading=10, colour=_SOFT)


def _words(text: str, **how: Any) -> Paragraph:
    """Return plain words, set; see `_set`."""
    return _set(escape(plain_line(text)), **how)


def _set(
    marked: str, *, size: float = 8.5, leading: float = 11, colour: colors.Color = _INK
) -> Paragraph:
    """Return words with marks of reportlab's own, set in the one face."""
    style = ParagraphStyle(
        "words", fontName=REGULAR, fontSize=size, leading=leading, textColor=colour
    )
    return Paragraph(marked, style)


def _table(facts: Sequence[Fact], width: float, *, share: float = 0.42) -> Table:
    rows = [[_words(name, colour=_SOFT), _words(value)] for name, value in facts]
    return Table(
        rows or [["", ""]],
        colWidths=[width * share, width * (1 - share)],
        hAlign="LEFT",
        style=[
            ("VALIGN", (0, 0), (-1, -1), "TOP"),
            ("TOPPADDING", (0, 0), (-1, -1), 0.3),
            ("BOTTOMPADDING", (0, 0), (-1, -1), 0.3),
            ("LEFTPADDING", (0, 0), (-1, -1), 0),
        ],
    )


def _picture(preview: Path) -> Image | None:
    try:
        data = smaller_preview(preview, SIDE_PIXELS)
    except OSError:
        return None
    return Image(io.BytesIO(data), width=_LEFT, height=_HIGH, kind="proportional", hAlign="LEFT")


def _drawn(histogram: Histogram) -> Drawing:
    """Return a drawing of a plate's densities, with base plus fog and Dmax marked."""
    width, height, foot = _RIGHT, 24 * mm, 11.0
    drawing = Drawing(width, height)
    room = height - foot - 11
    points = [
        part
        for x, y in outline_of(histogram, MOST_DENSITY)
        for part in (x * width, foot + y * room)
    ]
    drawing.add(Polygon(points, fillColor=colors.HexColor("#b9b6ae"), strokeColor=None))
    for density, name in ((histogram.base_fog, "b+f"), (histogram.d_max, "Dmax")):
        x = min(max(density / MOST_DENSITY, 0), 1) * width
        drawing.add(Line(x, foot, x, height - 8, strokeColor=_LOOK, strokeWidth=0.5))
        anchor = "start" if x < 14 else "middle"
        drawing.add(_label(x, height - 6, name, anchor))
    drawing.add(Line(0, foot, width, foot, strokeColor=_INK, strokeWidth=0.5))
    for n in range(8):
        anchor = {0: "start", 7: "end"}.get(n, "middle")
        drawing.add(_label(n / 7 * width, 1, f"{n / 2:.1f}", anchor))
    return drawing


def _label(x: float, y: float, text: str, anchor: str) -> String:
    return String(
        x, y, text, fontName=REGULAR, fontSize=_SMALLEST, fillColor=_INK, textAnchor=anchor
    )
