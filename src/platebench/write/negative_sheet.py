"""A laid-out print negative as 16-bit rows, band by band, and the PDF that holds them."""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from itertools import islice
from math import prod
from pathlib import Path
from typing import IO

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from platebench.core.files import atomic_write
from platebench.core.formats import MM_PER_INCH
from platebench.core.memory import cores
from platebench.write.page_pen import font_file, read_back
from platebench.write.paper_page import Box

_POINTS = 72.0


def write_raster_pdf(
    path: Path,
    shape: tuple[int, ...],
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
    shape : (int, int) or (int, int, 3)
        Rows and columns; three values each for RGB.
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
    rows, columns = shape[:2]
    kept = "/DeviceGray" if len(shape) == 2 else "/DeviceRGB"
    width, height = columns * _POINTS / ppi, rows * _POINTS / ppi
    drawn = f"q {width:.5f} 0 0 {height:.5f} 0 0 cm /Sheet Do Q".encode()
    name = ("\ufeff" + title).encode("utf-16-be", "replace").hex().upper()
    picture = (
        f"<< /Type /XObject /Subtype /Image /Width {columns} /Height {rows} "
        f"/ColorSpace {kept} /BitsPerComponent 16 /Length {2 * prod(shape)} >>"
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


_FULL = 65535
_THREADS = max(1, min(2, cores() - 1))  # whoever writes the bands takes a core, too
_FINER = 4  # circles are drawn so many times larger and reduced, for smooth edges
BAND_ROWS = 96

PictureRows = Callable[[int, int, NDArray[np.uint16]], None]


@dataclass(frozen=True, slots=True, eq=False)
class Stamp:
    """A small picture in one ink: how much of it each pixel gets, 0 to 255."""

    top: int
    left: int
    cover: NDArray[np.uint8]
    ink: float


class NegativeSheet:
    """A sheet of film: margins in one ink, a picture, and stamps on the margins.

    Parameters
    ----------
    shape : (int, int)
        Rows and columns of the picture.
    place : (float, float)
        Left and top margin, mm; the sheet's right and lower margins follow from ``size``.
    size : (float, float)
        Width and height of the sheet, mm.
    ppi : float
        Pixels per inch.
    margin_ink : float
        Ink of the margins, 0 to 1.
    """

    def __init__(
        self,
        shape: tuple[int, int],
        *,
        place: tuple[float, float],
        size: tuple[float, float],
        ppi: float,
        margin_ink: float,
    ) -> None:
        self.per_mm = ppi / MM_PER_INCH
        self.picture = (self._px(place[1]), self._px(place[0]), *shape)  # top, left, rows, columns
        self.shape = (self._px(size[1]), self._px(size[0]))
        self.margin_ink = margin_ink
        self._stamps: list[Stamp] = []

    def patch(self, box: Box, ink: float) -> None:
        """Fill a rectangle, at least one pixel each way."""
        top, left = self._px(box.top), self._px(box.left)
        rows = max(1, self._px(box.bottom) - top)
        columns = max(1, self._px(box.right) - left)
        self._stamps.append(Stamp(top, left, np.full((rows, columns), 255, np.uint8), ink))

    def ring(self, across: float, down: float, radius: float, thick: float, ink: float) -> None:
        """Draw a circle's line."""
        reach = radius + thick
        top, left = self._px(down - reach), self._px(across - reach)
        side = self._px(2 * reach) + 2
        large = Image.new("L", (side * _FINER, side * _FINER))
        scale = self.per_mm * _FINER
        x, y = across * scale - left * _FINER, down * scale - top * _FINER
        outer = (radius + thick / 2) * scale
        ImageDraw.Draw(large).ellipse(
            (x - outer, y - outer, x + outer, y + outer),
            outline=255,
            width=max(_FINER, round(thick * scale)),
        )
        small = large.resize((side, side), Image.Resampling.BOX)
        self._stamps.append(Stamp(top, left, np.asarray(small), ink))

    def words(
        self, across: float, down: float, text: str, font: str, size_pt: float, ink: float
    ) -> None:
        """Set a line of words; ``down`` is its baseline."""
        if not text:
            return
        face = ImageFont.truetype(
            str(font_file(font)),
            size_pt * MM_PER_INCH / 72 * self.per_mm,
            layout_engine=ImageFont.Layout.BASIC,
        )
        left, top, right, bottom = (round(edge) for edge in face.getbbox(text, anchor="ls"))
        image = Image.new("L", (right - left + 2, bottom - top + 2))
        ImageDraw.Draw(image).text((1 - left, 1 - top), text, fill=255, font=face, anchor="ls")
        at = self._px(down) + top - 1, self._px(across) + left - 1
        self._stamps.append(Stamp(*at, np.asarray(image), ink))

    def bands(self, picture_rows: PictureRows, *, mirror: bool) -> Iterator[NDArray[np.uint16]]:
        """Yield the sheet's rows from the top, mirrored left to right or not.

        Parameters
        ----------
        picture_rows : callable
            Fills an array with rows ``top`` to ``bottom`` of the picture, as 16-bit values.
        mirror : bool
            Turn the whole sheet, margins and words included.
        """
        kept = threading.local()  # memory asked for anew takes longer than filling it

        def make(top: int) -> NDArray[np.uint16]:
            if not hasattr(kept, "band"):
                kept.band = np.empty((BAND_ROWS, self.shape[1]), np.uint16)
            band = kept.band[: min(BAND_ROWS, self.shape[0] - top)]
            self._fill(band, top, picture_rows)
            return np.asarray(cv2.flip(band, 1), np.uint16) if mirror else band.copy()

        tops = iter(range(0, self.shape[0], BAND_ROWS))
        with ThreadPoolExecutor(_THREADS) as ahead:  # bands are made while others are written
            coming = deque(ahead.submit(make, top) for top in islice(tops, 2 * _THREADS))
            while coming:
                band = coming.popleft().result()
                coming.extend(ahead.submit(make, top) for top in islice(tops, 1))
                yield band

    def _fill(self, band: NDArray[np.uint16], top: int, picture_rows: PictureRows) -> None:
        bottom = top + len(band)
        band[...] = _code(self.margin_ink)
        first, left, rows, columns = self.picture
        low, high = max(top, first), min(bottom, first + rows)
        if low < high:
            inside = band[low - top : high - top, left : left + columns]
            picture_rows(low - first, high - first, inside)
        for stamp in self._stamps:
            if stamp.top < bottom and stamp.top + len(stamp.cover) > top:
                _lay(band, top, stamp)

    def _px(self, mm: float) -> int:
        return round(mm * self.per_mm)


def _lay(band: NDArray[np.uint16], top: int, stamp: Stamp) -> None:
    """Lay what a band holds of a stamp over it."""
    rows, columns = stamp.cover.shape
    low, high = max(top, stamp.top), min(top + len(band), stamp.top + rows)
    left, right = max(0, stamp.left), min(band.shape[1], stamp.left + columns)
    if low >= high or left >= right:
        return
    cover = stamp.cover[low - stamp.top : high - stamp.top, left - stamp.left : right - stamp.left]
    under = band[low - top : high - top, left:right]
    share = cover / np.float64(255)
    under[...] = np.rint(under * (1 - share) + _code(stamp.ink) * share).astype(np.uint16)


def _code(ink: float) -> int:
    return int(_FULL * (1 - ink) + 0.5)
