"""Type and drawing on a PDF page, in millimetres from the top left, and the red pencil.

Fonts are measured here, so that lines are cut and wrapped before they are drawn. Only modules of
this package draw through reportlab.
"""

from __future__ import annotations

import io
import math
import unicodedata
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager
from functools import lru_cache
from itertools import pairwise
from pathlib import Path
from typing import IO, Any

import numpy as np
import pypdfium2
from reportlab import rl_config
from reportlab.lib.utils import ImageReader
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas

from platebench.core.errors import WriteError
from platebench.core.formats import MM_PER_INCH
from platebench.write.paper_page import Box, Paper

MM_PER_POINT = MM_PER_INCH / 72  # the PDF unit is 1/72 inch (ISO 32000-1, 8.3.2.3)
LIGHT = "platebench-light"
REGULAR = "platebench-regular"
ELLIPSIS = "…"
TIMES = "\N{MULTIPLICATION SIGN}"
_FILES = {LIGHT: "SourceSerifPro-Light.ttf", REGULAR: "SourceSerifPro-Regular.ttf"}


def font_file(name: str) -> Path:
    """Return the file of one of the two weights."""
    return Path(__file__).parent / "fonts" / _FILES[name]


@lru_cache
def font_named(name: str) -> TTFont:
    """Register one of the two weights with reportlab, once, and return it."""
    font = TTFont(name, str(font_file(name)))
    pdfmetrics.registerFont(font)
    return font


def plain_line(text: str) -> str:
    r"""Return ``text`` composed, on one line, without control or invisible characters.

    Examples
    --------
    >>> plain_line("  box 4,\n plate\u200b 7 ")
    'box 4, plate 7'
    """
    composed = unicodedata.normalize("NFC", " ".join(text.split()))
    return "".join(c for c in composed if unicodedata.category(c)[0] != "C")


def can_show(text: str) -> bool:
    """Tell whether the face has every letter of ``text``."""
    known = font_named(REGULAR).face.charToGlyph
    return all(ord(letter) in known for letter in text)


def width_mm(text: str, font: str, size_pt: float) -> float:
    """Return how wide ``text`` is set, in millimetres."""
    return float(font_named(font).stringWidth(text, size_pt)) * MM_PER_POINT


def shorten(text: str, width: float, font: str, size_pt: float) -> str:
    """Return ``text``, with its middle left out where it is wider than ``width``.

    Plate ids differ most often in their last figures, so both ends are kept.

    Parameters
    ----------
    text : str
        One line.
    width : float
        Room in millimetres.
    font : str
        ``LIGHT`` or ``REGULAR``.
    size_pt : float
        Size of type in points.

    Returns
    -------
    str
        Never wider than ``width``, unless the ellipsis alone is.
    """
    if width_mm(text, font, size_pt) <= width:
        return text
    low, high = 0, len(text)
    while low < high:  # the most letters that fit
        keep = (low + high + 1) // 2
        if width_mm(_middle_left_out(text, keep), font, size_pt) <= width:
            low = keep
        else:
            high = keep - 1
    return _middle_left_out(text, low)


def _middle_left_out(text: str, keep: int) -> str:
    head = (keep + 1) // 2
    tail = keep - head
    return text[:head].rstrip() + ELLIPSIS + (text[-tail:].lstrip() if tail else "")


def wrap(text: str, width: float, font: str, size_pt: float) -> list[str]:
    """Return ``text`` broken into lines no wider than ``width`` millimetres.

    Lines break at spaces; a word wider than the line is broken where it must be.
    """
    lines: list[str] = []
    line = ""
    for word in text.split():
        longer = f"{line} {word}" if line else word
        if width_mm(longer, font, size_pt) <= width:
            line = longer
            continue
        if line:
            lines.append(line)
        *full, line = _pieces(word, width, font, size_pt)
        lines += full
    return [*lines, line] if line else lines


def _pieces(word: str, width: float, font: str, size_pt: float) -> list[str]:
    pieces = [""]
    for letter in word:
        if pieces[-1] and width_mm(pieces[-1] + letter, font, size_pt) > width:
            pieces.append("")
        pieces[-1] += letter
    return pieces


def pack(items: Sequence[str], width: float, font: str, size_pt: float) -> list[str]:
    """Return ``items`` side by side on as few lines as hold them, no item broken."""
    lines: list[str] = []
    for item in items:
        longer = f"{lines[-1]}   {item}" if lines else item
        if lines and width_mm(longer, font, size_pt) <= width:
            lines[-1] = longer
        else:
            lines.append(shorten(item, width, font, size_pt))
    return lines


PENCIL = (0.83, 0.24, 0.17)
_POINTS_A_SIDE = 12

Point = tuple[float, float]  # across, down; millimetres


class Pen:
    """A PDF page to draw on.

    Parameters
    ----------
    stream : binary file
        Receives the PDF when ``sheets`` is left.
    title : str
        Title in the document's properties.
    """

    def __init__(self, stream: IO[bytes], title: str) -> None:
        for name in (LIGHT, REGULAR):
            font_named(name)
        self.canvas: Any = Canvas(stream, invariant=1, pageCompression=1, initialFontName=LIGHT)
        self.canvas.setTitle(title)
        self.canvas.setCreator("platebench")
        self.canvas.setProducer("platebench")
        self.height = 0.0
        self.pages = 0

    def start_page(self, paper: Paper) -> None:
        """Begin a page of the given size."""
        self.height = paper.height
        self.pages += 1
        self.canvas.setPageSize((paper.width / MM_PER_POINT, paper.height / MM_PER_POINT))

    def end_page(self) -> None:
        """Finish the page."""
        self.canvas.showPage()

    def fill(self, box: Box, gray: float) -> None:
        """Fill a rectangle; gray 0 is black."""
        self.canvas.setFillGray(gray)
        self.canvas.rect(*self._rect(box), stroke=0, fill=1)

    def outline(self, box: Box, gray: float, thick_mm: float) -> None:
        """Draw a rectangle's edge."""
        self.canvas.setStrokeGray(gray)
        self.canvas.setLineWidth(thick_mm / MM_PER_POINT)
        self.canvas.rect(*self._rect(box), stroke=1, fill=0)

    def picture(self, box: Box, encoded: bytes) -> None:
        """Place an encoded picture edge to edge on a box."""
        self.canvas.drawImage(ImageReader(io.BytesIO(encoded)), *self._rect(box))

    def line(self, start: Point, end: Point, *, gray: float = 0.0, thick_mm: float = 0.1) -> None:
        """Draw a straight line."""
        self.canvas.setStrokeGray(gray)
        self.canvas.setLineWidth(thick_mm / MM_PER_POINT)
        self.canvas.line(*self._point(start), *self._point(end))

    def ring(self, middle: Point, radius: float, *, gray: float, thick_mm: float) -> None:
        """Draw a circle."""
        self.canvas.setStrokeGray(gray)
        self.canvas.setLineWidth(thick_mm / MM_PER_POINT)
        self.canvas.circle(*self._point(middle), radius / MM_PER_POINT, stroke=1, fill=0)

    def keep_size(self) -> None:
        """Ask the viewer to print without fitting to the paper (ISO 32000-1, 12.2)."""
        self.canvas.setViewerPreference("PrintScaling", "None")

    def text(
        self,
        at: Point,
        text: str,
        font: str,
        size_pt: float,
        *,
        color: float | tuple[float, float, float] = 0.0,
        right: bool = False,
        middle: bool = False,
        full: str = "",
    ) -> None:
        """Set one line; ``at`` is its baseline's left end, right end or middle.

        ``full`` is what is copied and searched instead, where ``text`` stands for a longer one or
        the face lacks its letters (ActualText; ISO 32000-1, 14.9.4).
        """
        across, down = at
        if right or middle:
            across -= width_mm(text, font, size_pt) * (1.0 if right else 0.5)
        red, green, blue = (color,) * 3 if isinstance(color, float) else color
        self.canvas.setFillColorRGB(red, green, blue)
        self.canvas.setFont(font, size_pt)
        full = full or text
        stands_for = full != text or not can_show(text)
        if stands_for:
            coded = ("\ufeff" + full).encode("utf-16-be", "replace").hex().upper()
            self.canvas.addLiteral(f"/Span <</ActualText <{coded}>>> BDC")
        self.canvas.drawString(*self._point((across, down)), text)
        if stands_for:
            self.canvas.addLiteral("EMC")

    def pencil(self, points: list[Point], thick_mm: float) -> None:
        """Draw a stroke of red pencil."""
        path = self.canvas.beginPath()
        path.moveTo(*self._point(points[0]))
        for point in points[1:]:
            path.lineTo(*self._point(point))
        self.canvas.setStrokeColorRGB(*PENCIL)
        self.canvas.setLineWidth(thick_mm / MM_PER_POINT)
        self.canvas.setLineCap(1)
        self.canvas.setLineJoin(1)
        self.canvas.drawPath(path, stroke=1, fill=0)
        self.canvas.setLineCap(0)
        self.canvas.setLineJoin(0)

    def _point(self, point: Point) -> Point:
        return point[0] / MM_PER_POINT, (self.height - point[1]) / MM_PER_POINT

    def _rect(self, box: Box) -> tuple[float, float, float, float]:
        across, up = self._point((box.left, box.bottom))
        return across, up, box.width / MM_PER_POINT, box.height / MM_PER_POINT


def read_back(stream: IO[bytes], target: Path, pages: int) -> None:
    """Open a PDF just written, before it takes its name.

    Raises
    ------
    WriteError
        If it cannot be read or has not the pages it should.
    """
    stream.flush()
    try:
        with closing(pypdfium2.PdfDocument(stream.name)) as pdf:
            found = len(pdf)
    except pypdfium2.PdfiumError:
        found = 0
    if found != pages:
        what = f"read back, it has {found} of {pages} pages"
        raise WriteError(target, what, "look at the disk and run again")


@contextmanager
def sheets(stream: IO[bytes], title: str) -> Iterator[Pen]:
    """Yield a pen; the PDF is written to ``stream`` when the block ends without an error."""
    as_text = rl_config.useA85
    rl_config.useA85 = 0  # streams as bytes, a fifth smaller than as text
    try:
        pen = Pen(stream, title)
        yield pen
        pen.canvas.save()
    finally:
        rl_config.useA85 = as_text


def pencil_loop(box: Box, away: float, seed: int) -> list[Point]:
    """Return a stroke once around a box, as a hand draws it: nearly straight, ends crossing.

    Parameters
    ----------
    box : Box
        What is marked.
    away : float
        Distance from the box in millimetres; the stroke stays within 0.6 mm of it.
    seed : int
        The same seed draws the same stroke.
    """
    rng = np.random.default_rng(seed)
    top, left, bottom, right = (
        box.top - away,
        box.left - away,
        box.bottom + away,
        box.right + away,
    )
    slips = rng.uniform(-0.35, 0.35, (5, 2))
    corners = np.array(
        [(left, top), (right, top), (right, bottom), (left, bottom), (left, top)]
    ) + np.clip(slips, -0.35, 0.35)
    corners[4, 1] -= 0.2
    points: list[Point] = []
    for start, end in pairwise(corners):
        bow = rng.uniform(-0.22, 0.22)
        along = np.linspace(0, 1, _POINTS_A_SIDE)
        across = (end - start)[::-1] * (1, -1) / max(math.hypot(*(end - start)), 1e-9)
        side = start + np.outer(along, end - start)
        side += np.outer(bow * np.sin(math.pi * along), across)
        points += [(float(x), float(y)) for x, y in side]
    return points
