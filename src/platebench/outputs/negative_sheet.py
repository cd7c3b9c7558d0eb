"""A laid-out print negative as 16-bit rows, band by band, at the printer's resolution."""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from itertools import islice

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from platebench.formats import MM_PER_INCH
from platebench.memory import cores
from platebench.outputs.proof_page import Box
from platebench.outputs.proof_type import font_file

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
