"""A smooth function of place, kept on a coarse grid and read out row by row.

Light falls off smoothly; structure finer than about a hundredth of the frame is dust on the lamp
or noise. A grid of cell means holds all there is to know, in kilobytes instead of a frame.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

import cv2
import numpy as np
from numpy.typing import NDArray

CELLS_ALONG_LONG_SIDE = 128
_BAND_VALUES = 1 << 18  # a megabyte of floats, which stays in the cache


def grid_shape(shape: tuple[int, int], cells: int = CELLS_ALONG_LONG_SIDE) -> tuple[int, int]:
    """Return rows and columns of the coarse grid for a frame of ``shape``.

    Cells are about square and never smaller than 8 sites.

    Examples
    --------
    >>> grid_shape((4000, 6000))
    (85, 128)
    """
    size = max(max(shape) / cells, 8.0)
    return max(1, round(shape[0] / size)), max(1, round(shape[1] / size))


def site_classes(pattern: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Return the kind of each site of a filter pattern, shape (p, q).

    Up to 2 x 2, every site is its own kind, so that two unequal greens stay apart; larger
    patterns (6 x 6) are kept by colour.
    """
    if pattern.size <= 4:
        return np.arange(pattern.size, dtype=np.uint8).reshape(pattern.shape)
    colours = np.unique(pattern)
    return np.searchsorted(colours, pattern).astype(np.uint8)


def class_means(
    pixels: NDArray[np.generic],
    classes: NDArray[np.uint8],
    grid: tuple[int, int],
    *,
    sampled: tuple[int, int] | None = None,
    curve: NDArray[np.float32] | None = None,
) -> NDArray[np.float32]:
    """Return the mean of each kind of site over the cells of a coarse grid.

    No float frame is made: see :func:`area_means`.

    Parameters
    ----------
    pixels : ndarray of uint16 or float32, shape (M, N) or (M, N, 3)
        A mosaic, a grey frame, or three channels (then the channels are the kinds).
    classes : ndarray of uint8, shape (p, q)
        Kind of each site, from :func:`site_classes`.
    grid : (int, int)
        Rows and columns of the grid.
    sampled : (int, int), optional
        For ``pixels`` that are only one period of the pattern's rows out of every so many rows of
        the frame, enough for a smooth picture: that number, and the rows of the frame.
    curve : ndarray of float32, shape (65536,), optional
        What each count stands for, where that is to be averaged; for ``pixels`` of uint16.

    Returns
    -------
    ndarray of float32, shape (kinds, rows, columns)
    """
    if pixels.ndim == 3:
        means = area_means(partial(_rows_of, pixels, curve), pixels.shape, grid)
        return np.ascontiguousarray(np.moveaxis(means, -1, 0))
    p, q = classes.shape
    period, height = (p, pixels.shape[0]) if sampled is None else sampled
    kinds = int(classes.max()) + 1
    sums = np.zeros((kinds, *grid), np.float32)
    counts = np.zeros(kinds, np.float32)
    for row in range(p):
        for column in range(q):
            plane = pixels[row::p, column::q]
            kind = classes[row, column]
            cells = area_means(partial(_rows_of, plane, curve), plane.shape, grid)
            down = _shift(row, period, plane.shape[0], height, grid[0])
            across = _shift(column, q, plane.shape[1], pixels.shape[1], grid[1])
            sums[kind] += cells - down[:, None] * _slope(cells, 0) - across * _slope(cells, 1)
            counts[kind] += 1
    return sums / counts[:, None, None]


def area_means(
    rows_of: Callable[[slice], NDArray[np.float32]], shape: tuple[int, ...], grid: tuple[int, int]
) -> NDArray[np.float32]:
    """Return the means over the cells of a grid of a picture that is made some rows at a time.

    Means over areas are taken across first, then down, so that a band of rows is all there is.

    Parameters
    ----------
    rows_of : callable
        Gives rows, (m, N) or (m, N, 3).
    shape : tuple of int
        Of all of it; rows and columns first.
    grid : (int, int)
        Rows and columns of the grid.

    Returns
    -------
    ndarray of float32, shape ``grid``, with 3 channels (rows, columns, 3)
    """
    across = np.empty((shape[0], grid[1], *shape[2:]), np.float32)
    step = max(1, _BAND_VALUES // math.prod(shape[1:]))
    for start in range(0, shape[0], step):
        band = rows_of(slice(start, min(start + step, shape[0])))
        size = (grid[1], len(band))
        across[start : start + step] = cv2.resize(band, size, interpolation=cv2.INTER_AREA).reshape(
            len(band), *across.shape[1:]
        )
    cells = cv2.resize(across, (grid[1], grid[0]), interpolation=cv2.INTER_AREA)
    return np.asarray(cells, np.float32).reshape(*grid, *shape[2:])


def _shift(phase: int, period: int, sites: int, length: int, cells: int) -> NDArray[np.float32]:
    """How far, in cells, the sites of one phase lie beyond the centres of their cells.

    Cell j averages sites whose mean position is ``period * ((j + 1/2) * sites / cells - 1/2) +
    phase``; its centre is at ``(j + 1/2) * length / cells - 1/2``.
    """
    centres = (np.arange(cells) + 0.5) / cells
    excess = centres * (period * sites - length) + phase - (period - 1) / 2
    return (excess * cells / length).astype(np.float32)


def _slope(cells: NDArray[np.float32], axis: int) -> NDArray[np.float32]:
    if cells.shape[axis] < 2:
        return np.zeros_like(cells)
    return np.asarray(np.gradient(cells, axis=axis), np.float32)


def smooth_cells(means: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return cell means without specks: a 3 x 3 median, then a Gaussian of one cell.

    Borders are continued along their own slope, so that fall-off at the edge is kept.
    """
    reach = 4
    smooth = np.empty_like(means)
    for kind, plane in enumerate(means):
        wide = cv2.medianBlur(_continue_slope(plane, reach), 3)
        wide = cv2.GaussianBlur(wide, (0, 0), 1.0, borderType=cv2.BORDER_REPLICATE)
        smooth[kind] = wide[reach:-reach, reach:-reach]
    return smooth


def _continue_slope(plane: NDArray[np.float32], reach: int) -> NDArray[np.float32]:
    """Pad by point reflection about the edge value, which keeps a straight slope straight."""
    pad = [(reach, reach)] * 2
    near = np.pad(plane, pad, mode="edge")
    far = np.pad(plane, pad, mode="reflect" if min(plane.shape) > reach else "edge")
    return np.asarray(2 * near - far, np.float32)


def _rows_of(
    pixels: NDArray[np.generic], curve: NDArray[np.float32] | None, rows: slice
) -> NDArray[np.float32]:
    # OpenCV rounds the area mean of uint16 to whole counts; float keeps the fraction.
    band = pixels[rows]
    light = band if curve is None else cv2.LUT(np.ascontiguousarray(band), curve)
    return np.ascontiguousarray(light, dtype=np.float32)


@dataclass(frozen=True, slots=True, eq=False)
class RowField:
    """A grid field spread over the columns of a frame, ready to be read in rows.

    Attributes
    ----------
    tables : ndarray of float32, shape (p, rows, W)
        For each row of the filter pattern, the grid rows at full width; kinds interleaved as in
        the frame. W is N, or 3 N for three channels.
    height : int
        Rows of the frame.
    """

    tables: NDArray[np.float32]
    height: int

    def row_at(self, at: float, row: int) -> NDArray[np.float32]:
        """Return the field ``at`` rows from the top, for the sites of ``row``; shape (W,)."""
        phases, cells, _ = self.tables.shape
        place = at * cells / self.height - 0.5
        low = min(max(int(np.floor(place)), 0), max(cells - 2, 0))
        table, weight = self.tables[row % phases], np.float32(place - low)
        high = min(low + 1, cells - 1)
        return np.asarray(table[low] + weight * (table[high] - table[low]))

    def rows(self, start: int, stop: int) -> NDArray[np.float32]:
        """Return the field at frame rows ``start`` to ``stop``, shape (stop - start, W)."""
        phases, cells, width = self.tables.shape
        at = (np.arange(start, stop) + 0.5) * (cells / self.height) - 0.5
        low = np.clip(np.floor(at), 0, max(cells - 2, 0)).astype(np.intp)
        weight = (at - low).astype(np.float32)  # beyond 0..1 at the borders: slope continued
        out = np.empty((stop - start, width), np.float32)
        for i, row in enumerate(range(start, stop)):
            table = self.tables[row % phases]
            k = low[i]
            if cells == 1:
                out[i] = table[0]
            else:
                cv2.addWeighted(
                    table[k : k + 1], 1.0 - float(weight[i]), table[k + 1 : k + 2],
                    float(weight[i]), 0.0, dst=out[i : i + 1],
                )  # fmt: skip
        return out


def row_field(
    fields: NDArray[np.float32],
    classes: NDArray[np.uint8],
    shape: tuple[int, int],
    *,
    channels: int,
) -> RowField:
    """Spread grid fields over the columns of a frame.

    Parameters
    ----------
    fields : ndarray of float32, shape (kinds, rows, columns)
        One grid per kind of site, or per channel where ``channels`` is 3.
    classes : ndarray of uint8, shape (p, q)
        Kind of each site.
    shape : (int, int)
        Rows and columns of the frame.
    channels : {1, 3}
        Values a site.
    """
    height, width = shape
    cells = fields.shape[2]
    at = (np.arange(width) + 0.5) * (cells / width) - 0.5
    low = np.clip(np.floor(at), 0, max(cells - 2, 0)).astype(np.intp)
    high = np.minimum(low + 1, cells - 1)
    weight = (at - low).astype(np.float32)
    # A row of values as columns of kinds in turn: channels lie side by side like a pattern's sites.
    kinds = np.arange(3, dtype=np.uint8)[None] if channels == 3 else classes
    if channels == 3:
        low, high, weight = (np.repeat(values, 3) for values in (low, high, weight))
    p, q = kinds.shape
    tables = np.empty((p, fields.shape[1], channels * width), np.float32)
    for row in range(p):
        for column in range(q):
            grid, here = fields[kinds[row, column]], slice(column, None, q)
            part = grid[:, low[here]] * (1 - weight[here])
            part += grid[:, high[here]] * weight[here]
            tables[row, :, here] = part
    return RowField(tables, height)
