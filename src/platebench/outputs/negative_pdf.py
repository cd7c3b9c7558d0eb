"""A 16-bit grey picture as a PDF page of exactly its own size, pixel for pixel.

Written out by hand after ISO 32000-1: the drawing library in use reduces pictures to 8 bits and
holds them in memory. 16 bits a value since PDF 1.5 (8.9.5); the page's unit is 1/72 inch.
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import IO

import numpy as np
from numpy.typing import NDArray

from platebench.fsio import atomic_write
from platebench.outputs.proof_pen import read_back

_POINTS = 72.0


def write_raster_pdf(
    path: Path,
    shape: tuple[int, int],
    bands: Iterable[NDArray[np.uint16]],
    *,
    ppi: float,
    title: str,
) -> None:
    """Write one picture as one page, without loss and without margins, and read it back.

    Parameters
    ----------
    path : Path
        Replaced if it exists.
    shape : (int, int)
        Rows and columns.
    bands : iterable of ndarray of uint16
        Whole rows from the top; together they have ``shape``.
    ppi : float
        Pixels per inch; the page is ``columns / ppi`` by ``rows / ppi`` inches.
    title : str
        Title in the document's properties.

    Raises
    ------
    WriteError
        If it could not be written, or cannot be opened.
    """
    rows, columns = shape
    width, height = columns * _POINTS / ppi, rows * _POINTS / ppi
    drawn = f"q {width:.5f} 0 0 {height:.5f} 0 0 cm /Sheet Do Q".encode()
    name = ("\ufeff" + title).encode("utf-16-be", "replace").hex().upper()
    picture = (
        f"<< /Type /XObject /Subtype /Image /Width {columns} /Height {rows} "
        f"/ColorSpace /DeviceGray /BitsPerComponent 16 /Length {2 * rows * columns} >>"
    )
    objects = [
        "<< /Type /Catalog /Pages 2 0 R /ViewerPreferences << /PrintScaling /None >> >>",
        "<< /Type /Pages /Kids [3 0 R] /Count 1 >>",
        f"<< /Type /Page /Parent 2 0 R /MediaBox [0 0 {width:.5f} {height:.5f}] "
        "/Contents 5 0 R /Resources << /XObject << /Sheet 6 0 R >> >> >>",
        f"<< /Title <{name}> /Producer (platebench) >>",
    ]
    with atomic_write(path) as stream:
        offsets = [_begin(stream)]
        for number, text in enumerate(objects, start=1):
            offsets.append(_write_object(stream, number, text.encode()))
        content = b"<< /Length %d >>\nstream\n%s\nendstream" % (len(drawn), drawn)
        offsets.append(_write_object(stream, 5, content))
        offsets.append(stream.tell())
        stream.write(f"6 0 obj\n{picture}\nstream\n".encode())
        for band in bands:
            stream.write(band.astype(">u2").data)
        stream.write(b"\nendstream\nendobj\n")
        _finish(stream, offsets)
        read_back(stream, path, 1)


def _begin(stream: IO[bytes]) -> int:
    """Write the header; the four bytes tell programs that the file is no text."""
    stream.write(b"%PDF-1.5\n%\xe2\xe3\xcf\xd3\n")
    return 0


def _write_object(stream: IO[bytes], number: int, content: bytes) -> int:
    """Write an object and return where it begins."""
    at = stream.tell()
    stream.write(b"%d 0 obj\n%s\nendobj\n" % (number, content))
    return at


def _finish(stream: IO[bytes], offsets: list[int]) -> None:
    """Write the table of objects and the trailer (ISO 32000-1, 7.5.4 and 7.5.5)."""
    table = stream.tell()
    stream.write(b"xref\n0 %d\n0000000000 65535 f \n" % len(offsets))
    for offset in offsets[1:]:
        stream.write(b"%010d 00000 n \n" % offset)
    stream.write(b"trailer\n<< /Size %d /Root 1 0 R /Info 4 0 R >>\n" % len(offsets))
    stream.write(b"startxref\n%d\n%%%%EOF\n" % table)
