"""How far the camera or the plate moved between two exposures of one framing.

Phase correlation (C. D. Kuglin and D. C. Hines, "The phase correlation image alignment method",
Proc. IEEE Int. Conf. Cybernetics and Society, 1975; from memory) of small tiles at full resolution,
where the plate has detail. A neutral plate's mosaic, levelled colour by colour, has no colours
left, so tiles are used as they are.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from platebench.image import SensorFrame

Floats = NDArray[np.float32]
Tile = tuple[int, int]

TILE = 256  # sites
CELL = 16  # sites along a cell of a frame's rough picture, at least
_SECTIONS = 3  # tiles are taken from 3 x 3 parts of the frame
_LEAST_TILES = 3
_CLEAR = 0.15  # height of the correlation peak; noise alone stays below 0.05
_UNCLIPPED = 0.9  # of full scale
_AGREE = 0.5  # sites a tile may be off the common movement


@dataclass(frozen=True, slots=True, kw_only=True)
class Movement:
    """How the second frame lies against the first.

    Attributes
    ----------
    shift : (float, float)
        Rows and columns: what is at ``(r, c)`` in the first is at ``(r, c) + shift`` in the second.
    turned : float
        Largest movement within the frame that is left over when the shift is undone, in sites:
        the frame turned, or changed its size.
    tiles : int
        Tiles that agree; below 3 there was too little detail, and ``shift`` is (0, 0).
    """

    shift: tuple[float, float]
    turned: float
    tiles: int


def cell_means(frame: SensorFrame) -> Floats:
    """Return mean light, black off, of square cells of whole filter patterns.

    Returns
    -------
    ndarray of float32, shape (M // side, N // side), ``side`` from :func:`cell_side`
    """
    side = min(cell_side(frame), *frame.shape)
    rows, columns = frame.shape[0] // side, frame.shape[1] // side
    counts = frame.counts[: rows * side, : columns * side]
    half = 2 * max(frame.pattern.shape)
    if side % half == 0:  # in two steps, each of whole patterns, OpenCV is faster
        size = (columns * side // half, rows * side // half)
        counts = np.asarray(cv2.resize(counts, size, interpolation=cv2.INTER_AREA), np.uint16)
    means = cv2.resize(
        np.asarray(counts, np.float32), (columns, rows), interpolation=cv2.INTER_AREA
    )
    return np.asarray(
        np.asarray(means).reshape(rows, columns) - np.float32(frame.black.mean()), np.float32
    )


def cell_side(frame: SensorFrame) -> int:
    """Return the side of a cell in sites: whole patterns, at least ``CELL``."""
    period = 2 * int(max(frame.pattern.shape))
    return period * -(-CELL // period)


def measure_movement(one: SensorFrame, other: SensorFrame, ratio: float, cells: Floats) -> Movement:
    """Return how ``other`` lies against ``one``, to about a tenth of a site.

    Parameters
    ----------
    one, other : SensorFrame
        The longer and the shorter exposure.
    ratio : float
        Light of ``one`` over ``other``.
    cells : ndarray of float32
        Cell means of ``one``, to choose tiles by.
    """
    top = _UNCLIPPED * min(one.full_scale, ratio * other.full_scale)
    size = tile_size(one)
    if size < 32:
        return Movement(shift=(0.0, 0.0), turned=0.0, tiles=0)
    window = _window((size, size))
    places, shifts = [], []
    for row, column in _tiles_with_detail(np.minimum(cells, np.float32(top)), one, size):
        first = _level_tile(one, (row, column), size, top)
        second = _level_tile(other, (row, column), size, top / ratio)
        (x, y), height = cv2.phaseCorrelate(first, second, window)
        if height > _CLEAR:
            places.append((row + size / 2, column + size / 2))
            shifts.append((y, x))
    return _common_movement(np.array(places), np.array(shifts), one.shape)


def tile_size(frame: SensorFrame) -> int:
    """Return the side of a tile: whole patterns, at most a third of the frame.

    OpenCV's phase correlation is off by half a site where it pads to an odd size, so only sizes
    that it need not pad are used; 0 where the frame is too small.
    """
    period = 2 * max(frame.pattern.shape)
    largest = min(TILE, min(frame.shape) // _SECTIONS) // period * period
    sizes = range(largest, 0, -period)
    return next((n for n in sizes if cv2.getOptimalDFTSize(n) == n), 0)


def _common_movement(
    places: NDArray[np.float64], shifts: NDArray[np.float64], shape: tuple[int, int]
) -> Movement:
    """Return the movement most tiles agree on, and what turning or growth remains."""
    if len(shifts) < _LEAST_TILES:
        return Movement(shift=(0.0, 0.0), turned=0.0, tiles=0)
    centre = (np.array(shape) - 1) / 2
    away = (places - centre) / np.hypot(*shape) * 2  # 1 in the corners
    common = np.median(shifts, axis=0)
    turned = 0.0
    if len(shifts) >= 2 * _LEAST_TILES:
        # shift + turn (-x, y) + growth (y, x): four unknowns, two equations a tile
        unit, zero = np.ones(len(away)), np.zeros(len(away))
        rows = np.stack([unit, zero, -away[:, 1], away[:, 0]], axis=1)
        columns = np.stack([zero, unit, away[:, 0], away[:, 1]], axis=1)
        terms = np.concatenate([rows, columns])
        wanted = shifts.T.ravel()
        weight = np.ones(len(wanted))
        for _ in range(6):  # absolute deviations: a stray tile counts little
            root = np.sqrt(weight)
            fit = np.linalg.lstsq(terms * root[:, None], wanted * root, rcond=None)[0]
            weight = 1 / np.maximum(np.abs(wanted - terms @ fit), 0.05)
        turned = float(np.hypot(fit[2], fit[3]))
        shifts = shifts - (terms[:, 2:] @ fit[2:]).reshape(2, -1).T
        common = np.median(shifts, axis=0)
    agree = np.abs(shifts - common).max(axis=1) < _AGREE
    if np.count_nonzero(agree) < _LEAST_TILES:
        return Movement(shift=(0.0, 0.0), turned=0.0, tiles=0)
    mean = shifts[agree].mean(axis=0)
    return Movement(
        shift=(float(mean[0]), float(mean[1])),
        turned=turned,
        tiles=int(np.count_nonzero(agree)),
    )


def _tiles_with_detail(cells: Floats, frame: SensorFrame, size: int) -> list[Tile]:
    """Return the top left sites of the tile with most contrast in each part of the frame."""
    side = min(cell_side(frame), *frame.shape)
    reach = max(1, size // side)
    rough = np.sqrt(np.maximum(cells, 0))
    mean = cv2.blur(rough, (reach, reach))
    variance = cv2.blur(rough * rough, (reach, reach)) - mean * mean
    period = max(frame.pattern.shape)
    tiles = []
    for i in range(_SECTIONS):
        for j in range(_SECTIONS):
            r0, r1 = (k * cells.shape[0] // _SECTIONS for k in (i, i + 1))
            c0, c1 = (k * cells.shape[1] // _SECTIONS for k in (j, j + 1))
            part = variance[r0:r1, c0:c1]
            r, c = np.unravel_index(int(np.argmax(part)), part.shape)
            corner = [
                min(max((at + at0 + 1) * side - size // 2, 0), length - size) // period * period
                for at, at0, length in ((int(r), r0, frame.shape[0]), (int(c), c0, frame.shape[1]))
            ]
            tiles.append((corner[0], corner[1]))
    return sorted(set(tiles))


def _level_tile(frame: SensorFrame, place: Tile, size: int, top: float) -> NDArray[np.float64]:
    """Return a tile whose colours are levelled, on a scale where shot noise is even."""
    row, column = place
    tile = frame.counts[row : row + size, column : column + size].astype(np.float64)
    p, q = frame.pattern.shape
    for i in range(p):
        for j in range(q):
            plane = np.clip(tile[i::p, j::q] - float(frame.black[i, j]), 0, top)
            tile[i::p, j::q] = plane / max(float(plane.mean()), 1e-6)
    return np.asarray(cv2.sqrt(tile), np.float64)


def _window(shape: tuple[int, ...]) -> NDArray[np.float64]:
    return np.asarray(cv2.createHanningWindow((shape[1], shape[0]), cv2.CV_64F))
