"""A positive as it is read for printing, and resampled band by band, without aliasing.

The kernel is Pillow's Lanczos of three lobes, widened where the picture gets smaller, so that what
the new grid cannot hold is taken out and not aliased. Its weights are had by resampling a picture
of single points; applied as products of small matrices they take a third of the time.
"""

from __future__ import annotations

import math
import threading
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from platebench.core.errors import PrintNegativeError
from platebench.core.image import CaptureKind
from platebench.read import tiff_structure as tiff
from platebench.read.capture import read_capture
from platebench.read.file_kind import FileKind, find_kind

_REMEDY = "save it as a grey TIFF of 16 bits, not merged to 8"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PositivePicture:
    """A toned picture and what its codes mean.

    Attributes
    ----------
    codes : ndarray of uint16, shape (M, N)
    luminance : ndarray of float64, shape (65536,)
        Linear light of each code, 0 to 1, by the file's own colour profile.
    ppi : float or None
        Pixels per inch of the plate, as the file says.
    notes : tuple of str
        How the file was read.
    """

    codes: NDArray[np.uint16]
    luminance: NDArray[np.float64]
    ppi: float | None
    notes: tuple[str, ...]


def read_positive(path: Path) -> PositivePicture:
    """Read a positive for printing.

    Raises
    ------
    CaptureError
        If it is missing, damaged or cut off.
    PrintNegativeError
        If it is not a grey TIFF of 16 bits.
    """
    found = find_kind(path)
    if found.kind is not FileKind.TIFF or found.structure is None:
        raise PrintNegativeError(path, "is no TIFF", _REMEDY)
    pages = found.structure.directories  # without any it is damaged, which reading it will say
    bits = max((max(page.tags.get(tiff.BITS, (1,))) for page in pages), default=16)
    if bits < 16:
        what = f"has {bits:g} bits a pixel, too few steps of tone for a negative"
        raise PrintNegativeError(path, what, _REMEDY)
    frame = read_capture(path)
    if frame.channels != 1 or frame.info.kind is not CaptureKind.SCAN or frame.curve is None:
        raise PrintNegativeError(path, "is in colour", _REMEDY)
    curve = np.asarray(frame.curve, np.float64)
    return PositivePicture(
        codes=frame.counts,
        luminance=np.clip(curve / curve[-1], 0.0, 1.0),
        ppi=frame.info.ppi,
        notes=frame.info.notes,
    )


_REACH = 3  # of the kernel, in pixels of the coarser of the two grids
_BAND = 96  # rows made at a time
_ROWS, _COLUMNS = 16, 32  # made by one product: its matrix holds little beside the kernel
# Of one product. Above 2 ** 18 the usual matrix library starts threads of its own, which fight with
# the threads that make bands: on two busy cores that took seven times the work.
_MOST_PRODUCTS = 1 << 18

Weights = NDArray[np.float32]


class Resampler:
    """A picture on another grid.

    Parameters
    ----------
    picture : ndarray of uint16, shape (M, N)
        Code values; interpolated as they are, in the gamma they are coded with.
    shape : (int, int)
        Rows and columns of the result.
    """

    def __init__(self, picture: NDArray[np.uint16], shape: tuple[int, int]) -> None:
        self.picture, self.shape = picture, shape
        self._across = [
            (start, end, left, np.ascontiguousarray(weights.T))
            for start, end in _spans(0, shape[1], _COLUMNS)
            for left, weights in [_weights(picture.shape[1], shape[1], start, end)]
        ]
        widest = max(across.size for *_, across in self._across)
        self._band = max(1, min(_BAND, _MOST_PRODUCTS // widest))
        self._kept = threading.local()  # memory asked for anew takes as long as the work itself

    def rows(
        self, top: int, bottom: int, out: NDArray[np.uint16] | None = None
    ) -> NDArray[np.uint16]:
        """Return rows ``top`` to ``bottom`` of the result. Bands join without a seam.

        Parameters
        ----------
        top, bottom : int
            Half-open.
        out : ndarray of uint16 or None, shape (bottom - top, shape[1])
            Where they go; None: memory of their own.

        Returns
        -------
        ndarray of uint16, shape (bottom - top, shape[1])
        """
        made = np.empty((bottom - top, self.shape[1]), np.uint16) if out is None else out
        if self.picture.shape == self.shape:
            made[...] = self.picture[top:bottom]
            return made
        for start, end in _spans(top, bottom, self._band):
            tall = self._down(start, end)
            band = self._room("band", end - start, self.shape[1])
            for left, right, place, across in self._across:
                np.matmul(tall[:, place : place + len(across)], across, out=band[:, left:right])
            part = made[start - top : end - top]
            cv2.addWeighted(band, 1.0, band, 0.0, 0.0, dst=part, dtype=cv2.CV_16U)  # clipped
        return made

    def _down(self, top: int, bottom: int) -> Weights:
        """Return rows of the result that are still as wide as the picture."""
        old, new = self.picture.shape[0], self.shape[0]
        low, weights = _weights(old, new, top, bottom)
        part = self._room("part", weights.shape[1], self.picture.shape[1])
        part[...] = self.picture[low : low + weights.shape[1]]
        tall = self._room("tall", bottom - top, self.picture.shape[1])
        for start, end in _spans(top, bottom, _ROWS):
            first, last = (at - low for at in _needed(old, new, start, end))
            down = weights[start - top : end - top, first:last]
            below, above = part[first:last], tall[start - top : end - top]
            for left, right in _spans(0, part.shape[1], max(1, _MOST_PRODUCTS // down.size)):
                np.matmul(down, below[:, left:right], out=above[:, left:right])
        return tall

    def _room(self, name: str, rows: int, columns: int) -> Weights:
        """Return memory of this thread's own, its contents those of whatever was there."""
        kept: Weights | None = getattr(self._kept, name, None)
        if kept is None or len(kept) < rows:
            kept = np.empty((rows, columns), np.float32)
            setattr(self._kept, name, kept)
        return kept[:rows]

    def whole(self) -> NDArray[np.uint16]:
        """Return all of the result."""
        return self.rows(0, self.shape[0])


def _weights(old: int, new: int, start: int, end: int) -> tuple[int, Weights]:
    """Return the first old pixel that new pixels ``start`` to ``end`` need, and their weights.

    Returns
    -------
    first : int
    weights : ndarray of float32, shape (end - start, k)
        Of the ``k`` old pixels from ``first``.
    """
    scale = old / new
    low, high = _needed(old, new, start, end)
    points = Image.fromarray(np.eye(high - low, dtype=np.float32))
    box = (0.0, start * scale - low, float(high - low), min(end * scale - low, high - low))
    made = points.resize((high - low, end - start), Image.Resampling.LANCZOS, box=box)
    return low, np.asarray(made, np.float32)


def _needed(old: int, new: int, start: int, end: int) -> tuple[int, int]:
    """Return the span of old pixels that new pixels ``start`` to ``end`` are made from."""
    scale = old / new
    reach = math.ceil(_REACH * max(scale, 1.0)) + 1
    return max(0, math.floor(start * scale) - reach), min(old, math.ceil(end * scale) + reach)


def _spans(start: int, end: int, length: int) -> Iterator[tuple[int, int]]:
    for at in range(start, end, length):
        yield at, min(at + length, end)
