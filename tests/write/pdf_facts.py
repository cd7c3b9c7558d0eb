"""What an independent library (pypdf) reads in a PDF: where pictures and lines lie."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pypdf
import pypdfium2

MM = 25.4 / 72  # a PDF unit is 1/72 inch: ISO 32000-1, 8.3.2.3


@dataclass
class Drawn:
    """Millimetres from the page's lower left corner."""

    left: float
    bottom: float
    width: float
    height: float


def page_size(page: pypdf.PageObject) -> tuple[float, float]:
    return float(page.mediabox.width) * MM, float(page.mediabox.height) * MM


def pictures_on(page: pypdf.PageObject) -> list[Drawn]:
    """Placements of the pictures, from the transformation matrix in force at each ``Do``."""
    found = []

    def look(operator, operands, matrix, _text_matrix):
        if operator == b"Do":
            a, b, c, d, e, f = matrix
            assert b == c == 0, "a picture is turned"
            found.append(Drawn(e * MM, f * MM, a * MM, d * MM))

    page.extract_text(visitor_operand_before=look)
    return found


def pixels_of(page: pypdf.PageObject) -> list[np.ndarray]:
    return [np.asarray(image.image) for image in page.images]


def paths_on(page: pypdf.PageObject) -> list[list[tuple[float, float]]]:
    """Every path's points in millimetres; only the ends of curves."""
    content = page.get_contents()
    assert content is not None
    paths: list[list[tuple[float, float]]] = []
    for operands, operator in content.operations:
        if operator == b"m":
            paths.append([])
        if operator in (b"m", b"l", b"c"):
            x, y = (float(value) * MM for value in operands[-2:])
            paths[-1].append((x, y))
    return paths


def words_on(path: Path, number: int = 0) -> tuple[str, list[Drawn]]:
    """All text of a page and the rectangles its letters cover, as pdfium sees them."""
    with pypdfium2.PdfDocument(path) as pdf:
        text = pdf[number].get_textpage()
        boxes = [
            Drawn(left * MM, bottom * MM, (right - left) * MM, (top - bottom) * MM)
            for left, bottom, right, top in map(text.get_rect, range(text.count_rects()))
        ]
        return text.get_text_range(), boxes
