"""Tiles of a deep picture: which part of the plate each shows, and what it looks like.

A deep picture is numbered as viewers of such pictures expect: level 0 is one pixel, each level has
twice the size of the one before, the last is the full size. A tile is ``TILE`` pixels square but
for the last of a row or column.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil, log2

import cv2
import numpy as np
from numpy.typing import NDArray

from platebench.review.plate_pixels import Codes

TILE = 512
_LARGEST_SOURCE = 32_000  # cv2 keeps places of a picture in 16 bits

Doubles = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class DeepSize:
    """The levels of a picture of ``rows`` by ``columns``."""

    rows: int
    columns: int

    @property
    def last_level(self) -> int:
        """Number of the level at full size.

        Examples
        --------
        >>> DeepSize(rows=1024, columns=600).last_level
        10
        """
        return ceil(log2(max(self.rows, self.columns, 1)))

    def level_shape(self, level: int) -> tuple[int, int]:
        """Return rows and columns of a level."""
        share = 2.0 ** (level - self.last_level)
        return max(1, ceil(self.rows * share)), max(1, ceil(self.columns * share))

    def tile_box(self, level: int, column: int, row: int) -> tuple[int, int, int, int] | None:
        """Return top, left, bottom, right of a tile in its level; None where there is none."""
        if not 0 <= level <= self.last_level or column < 0 or row < 0:
            return None
        rows, columns = self.level_shape(level)
        top, left = row * TILE, column * TILE
        if top >= rows or left >= columns:
            return None
        return top, left, min(top + TILE, rows), min(left + TILE, columns)


def codes_of_tile(
    levels: tuple[Codes, ...], source: Doubles, size: DeepSize, level: int, box: tuple[int, ...]
) -> Codes:
    """Return the codes that a tile shows.

    Parameters
    ----------
    levels : tuple of ndarray of uint16
        The capture, full size first, and its half sizes.
    source : ndarray of float64, shape (3, 3)
        Homography from ``(x, y, 1)`` of the full-size picture to the capture.
    size : DeepSize
        Of the picture.
    level : int
        The picture's level.
    box : (top, left, bottom, right)
        Within the level.

    Returns
    -------
    ndarray of uint16, shape (bottom - top, right - left)
    """
    top, left, bottom, right = box
    scale = 2.0 ** (size.last_level - level)
    held = min(int(log2(scale)) if scale >= 1 else 0, len(levels) - 1)
    picture = levels[held]
    shrunk = np.array(picture.shape) / np.array(levels[0].shape)
    enlarge = _scaled(scale, scale) @ np.array([[1.0, 0, left], [0, 1, top], [0, 0, 1]])
    place = _scaled(shrunk[1], shrunk[0]) @ source @ enlarge
    corners = np.array([[0, 0], [right - left, 0], [right - left, bottom - top], [0, bottom - top]])
    low, high = _needed(place, corners, picture.shape)
    part = picture[low[1] : high[1], low[0] : high[0]]
    shift = np.array([[1.0, 0, -low[0]], [0, 1, -low[1]], [0, 0, 1]])
    tile = cv2.warpPerspective(
        part,
        shift @ place,
        (right - left, bottom - top),
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    )
    return np.asarray(tile, np.uint16)


def codes_of_preview(
    levels: tuple[Codes, ...], source: Doubles, size: DeepSize, long_side: int
) -> Codes:
    """Return the codes of the whole picture, at most ``long_side`` pixels long."""
    level = size.last_level
    while level > 0 and max(size.level_shape(level - 1)) >= long_side:
        level -= 1
    rows, columns = size.level_shape(level)
    picture = codes_of_tile(levels, source, size, level, (0, 0, rows, columns))
    share = min(1.0, long_side / max(rows, columns))
    shape = max(1, round(columns * share)), max(1, round(rows * share))
    return np.asarray(cv2.resize(picture, shape, interpolation=cv2.INTER_AREA), np.uint16)


def _scaled(x: float, y: float) -> Doubles:
    """Return the change between two scales of a picture, pixel centres at whole numbers."""
    return np.array([[x, 0, (x - 1) / 2], [0, y, (y - 1) / 2], [0, 0, 1.0]])


def _needed(
    place: Doubles, corners: NDArray[np.int_], shape: tuple[int, ...]
) -> tuple[tuple[int, int], tuple[int, int]]:
    """Return the part of a held picture that a tile reads: first and last x, y."""
    mapped = np.column_stack([corners, np.ones(4)]) @ place.T
    points = mapped[:, :2] / mapped[:, 2:]
    limit = np.array([shape[1], shape[0]])
    low = np.clip(np.floor(points.min(axis=0)).astype(int) - 2, 0, limit - 1)
    high = np.clip(np.ceil(points.max(axis=0)).astype(int) + 3, low + 1, limit)
    high = np.minimum(high, low + _LARGEST_SOURCE)
    return (int(low[0]), int(low[1])), (int(high[0]), int(high[1]))
