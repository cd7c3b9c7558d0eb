"""Type for proof sheets: two weights of one embedded face, measured in millimetres.

The face is Source Serif (SIL Open Font License, ``fonts/OFL.txt``): Latin, Greek and Cyrillic.
A letter it lacks is drawn as a crossed box; the whole text stays in the file for copying.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Sequence
from functools import lru_cache
from pathlib import Path

from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont

from platebench.formats import MM_PER_INCH

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
