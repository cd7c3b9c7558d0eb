"""A 16-bit picture at another number of pixels, band by band, without aliasing.

The kernel is Pillow's Lanczos of three lobes, widened where the picture gets smaller, so that what
the new grid cannot hold is taken out and not aliased. Its weights are had by resampling a picture
of single points; applied as products of small matrices they take a third of the time.
"""

from __future__ import annotations

import math
import threading
from collections.abc import Iterator

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

_REACH = 3  # of the kernel, in pixels of the coarser of the two grids
_BAND = 64  # rows or columns made at a time: the matrices hold little beside the kernel

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
        self._across = []
        for start, end in _spans(shape[1]):
            left, weights = _weights(picture.shape[1], shape[1], start, end)
            self._across.append((start, end, left, np.ascontiguousarray(weights.T)))
        self._kept = threading.local()  # memory asked for anew takes as long as the work itself

    def rows(self, top: int, bottom: int) -> NDArray[np.uint16]:
        """Return rows ``top`` to ``bottom`` of the result. Bands join without a seam.

        Returns
        -------
        ndarray of uint16, shape (bottom - top, shape[1])
        """
        if self.picture.shape == self.shape:
            return np.ascontiguousarray(self.picture[top:bottom])
        low, down = _weights(self.picture.shape[0], self.shape[0], top, bottom)
        part = self._room("part", down.shape[1], self.picture.shape[1])
        part[...] = self.picture[low : low + down.shape[1]]
        tall = self._room("tall", bottom - top, self.picture.shape[1])
        np.matmul(down, part, out=tall)
        band = self._room("band", bottom - top, self.shape[1])
        for start, end, left, across in self._across:
            np.matmul(tall[:, left : left + len(across)], across, out=band[:, start:end])
        rounded = cv2.addWeighted(band, 1.0, band, 0.0, 0.0, dtype=cv2.CV_16U)  # clipped to 16 bits
        return np.asarray(rounded, np.uint16)

    def _room(self, name: str, rows: int, columns: int) -> Weights:
        """Return memory of this thread's own, its contents those of whatever was there."""
        kept: Weights | None = getattr(self._kept, name, None)
        if kept is None or len(kept) < rows:
            kept = np.empty((rows, columns), np.float32)
            setattr(self._kept, name, kept)
        return kept[:rows]

    def whole(self) -> NDArray[np.uint16]:
        """Return all of the result."""
        return np.concatenate([self.rows(*span) for span in _spans(self.shape[0])])


def at_most(picture: NDArray[np.uint16], long_side: int) -> NDArray[np.uint16]:
    """Return a picture reduced until its long side is ``long_side``; a smaller one as it is."""
    rows, columns = picture.shape
    scale = min(1.0, long_side / max(rows, columns))
    return Resampler(picture, (max(1, round(rows * scale)), max(1, round(columns * scale)))).whole()


def _weights(old: int, new: int, start: int, end: int) -> tuple[int, Weights]:
    """Return the first old pixel that new pixels ``start`` to ``end`` need, and their weights.

    Returns
    -------
    first : int
    weights : ndarray of float32, shape (end - start, k)
        Of the ``k`` old pixels from ``first``.
    """
    scale = old / new
    reach = math.ceil(_REACH * max(scale, 1.0)) + 1
    low, high = max(0, math.floor(start * scale) - reach), min(old, math.ceil(end * scale) + reach)
    points = Image.fromarray(np.eye(high - low, dtype=np.float32))
    box = (0.0, start * scale - low, float(high - low), min(end * scale - low, high - low))
    made = points.resize((high - low, end - start), Image.Resampling.LANCZOS, box=box)
    return low, np.asarray(made, np.float32)


def _spans(length: int) -> Iterator[tuple[int, int]]:
    for start in range(0, length, _BAND):
        yield start, min(start + _BAND, length)
