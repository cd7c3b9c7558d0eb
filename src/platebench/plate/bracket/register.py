"""How far the camera or the plate moved between two exposures of one framing.

Small tiles are compared at full resolution, where the plate has detail. Phase correlation (C. D.
Kuglin and D. C. Hines, Proc. IEEE Int. Conf. Cybernetics and Society, 1975) finds whole sites,
least squares on the slopes (B. D. Lucas and T. Kanade, Proc. IJCAI, 1981; both from memory) the
rest, with its uncertainty: the edges of a step tablet say nothing of movement along them. A neutral
plate's mosaic, levelled colour by colour, has no colours left, so tiles are used as they are.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from platebench.core.image import SensorFrame

Floats = NDArray[np.float32]
Doubles = NDArray[np.float64]
Tile = tuple[int, int]

TILE = 256  # sites
CELL = 16  # sites along a cell of a frame's rough picture, at least
_SECTIONS = 3  # tiles are taken from 3 x 3 parts of the frame
_REACH = 4  # sites that tiles stay off the border, and that slopes are followed
_CLEAR = 0.15  # height of the correlation peak; noise alone stays below 0.05
_AGREE = 0.5  # sites
_LEAST_TILES = 3
_UNCLIPPED = 0.9  # of full scale
_BLUR = 1.5  # sites; slopes of what is finer are noise
_FLOOR = 0.05  # sites; no tile is trusted more than this
_UNKNOWN = 3.0  # sites; what a movement may be that nothing shows
_SHOWN = 0.25  # sites; standard error up to which a movement counts as measured


@dataclass(frozen=True, slots=True, kw_only=True)
class Movement:
    """How the second frame lies against the first.

    Attributes
    ----------
    shift : (float, float)
        Rows and columns: what is at ``(r, c)`` in the first is at ``(r, c) + shift`` in the second.
        0 along an axis for which ``error`` is too large to tell.
    error : (float, float)
        Standard errors of the shift, sites.
    turned, turned_error : float
        Largest movement within the frame that is left over when the shift is undone, in sites:
        the frame turned, or changed its size; and its standard error.
    alike : bool
        Tiles of both frames match clearly, at a common shift: they show one picture.
    """

    shift: tuple[float, float]
    error: tuple[float, float]
    turned: float
    turned_error: float
    alike: bool = False

    @property
    def shown(self) -> bool:
        """Whether there was detail enough to see a shift both ways."""
        return max(self.error) <= _SHOWN


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
    if side % half == 0 and side >= half:  # in two steps, each of whole patterns, OpenCV is faster
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


def overlap(
    one: SensorFrame, other: SensorFrame, shift: tuple[int, int]
) -> tuple[SensorFrame, SensorFrame]:
    """Return the parts of two frames that show the same, site for site; views, not copies.

    Their filter patterns may begin at different sites.

    Parameters
    ----------
    shift : (int, int)
        What is at ``(r, c)`` in ``one`` is at ``(r, c) + shift`` in ``other``.
    """
    rows, columns = (n - abs(by) for n, by in zip(one.shape, shift, strict=True))
    parts = []
    for frame, sign in ((one, -1), (other, 1)):
        top, left = (max(0, sign * by) for by in shift)
        parts.append(
            replace(
                frame,
                counts=frame.counts[top : top + rows, left : left + columns],
                pattern=np.roll(frame.pattern, (-top, -left), axis=(0, 1)),
                black=np.roll(frame.black, (-top, -left), axis=(0, 1)),
            )
        )
    return parts[0], parts[1]


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
    nothing = Movement(
        shift=(0.0, 0.0), error=(_UNKNOWN, _UNKNOWN), turned=0.0, turned_error=_UNKNOWN
    )
    top = _UNCLIPPED * min(one.full_scale, ratio * other.full_scale)
    size = tile_size(one)
    if size < 32:
        return nothing
    window = np.asarray(cv2.createHanningWindow((size, size), cv2.CV_64F))
    places, rough = _tiles_with_detail(np.minimum(cells, np.float32(top)), one, size), []
    firsts = []
    for place in places:
        firsts.append(_level_tile(one, place, size, top))
        second = _level_tile(other, place, size, top / ratio)
        # OpenCV may put its window on the very pictures it is given.
        (x, y), height = cv2.phaseCorrelate(firsts[-1].copy(), second, window)
        rough.append((y, x, height))
    far = _far_movement(np.array(rough))
    if far is not None:
        return replace(nothing, shift=far, error=(_FLOOR, _FLOOR), alike=True)
    shifts, weights = [], []
    for place, first, (y, x, height) in zip(places, firsts, rough, strict=True):
        start = np.clip(np.rint((y, x)), -_REACH, _REACH) if height > _CLEAR else np.zeros(2)
        shift, weight = _follow_slopes(first, other, place, start.astype(int), top / ratio)
        shifts.append(shift)
        weights.append(weight)
    middles = np.array(places) + size / 2
    movement = _common_movement(middles, np.array(shifts), np.array(weights), one.shape)
    return replace(movement, alike=_match(np.array(rough), np.array(weights), movement))


def _match(rough: Doubles, weights: Doubles, movement: Movement) -> bool:
    """Tell whether enough tiles with detail match clearly at the common shift."""
    near = np.abs(rough[:, :2] - movement.shift).max(axis=1) < 2 * _AGREE
    detail = np.trace(weights, axis1=1, axis2=2) > 1 / _SHOWN**2
    return bool(np.count_nonzero(near & detail & (rough[:, 2] > _CLEAR)) >= _LEAST_TILES)


def tile_size(frame: SensorFrame) -> int:
    """Return the side of a tile: whole patterns, at most a third of the frame.

    OpenCV's phase correlation is off by half a site where it pads to an odd size, so only sizes
    that it need not pad are used; 0 where the frame is too small.
    """
    period = 2 * max(frame.pattern.shape)
    largest = min(TILE, min(frame.shape) // _SECTIONS) // period * period
    sizes = range(largest, 0, -period)
    return next((n for n in sizes if cv2.getOptimalDFTSize(n) == n), 0)


def _far_movement(rough: Doubles) -> tuple[float, float] | None:
    """Return a movement farther than slopes can follow, if clear tiles agree on one."""
    clear = rough[rough[:, 2] > _CLEAR, :2]
    if len(clear) < _LEAST_TILES:
        return None
    common = np.median(clear, axis=0)
    agree = np.abs(clear - common).max(axis=1) < _AGREE
    if np.abs(common).max() < _REACH or np.count_nonzero(agree) < _LEAST_TILES:
        return None
    return float(common[0]), float(common[1])


def _follow_slopes(
    first: Doubles, other: SensorFrame, place: Tile, start: NDArray[np.int_], top: float
) -> tuple[Doubles, Doubles]:
    """Return a tile's shift and the inverse of its covariance, shapes (2,) and (2, 2).

    Slopes of the one frame times slopes of the other: their noise is independent and averages out,
    so that a tile without detail has no weight.
    """
    size = len(first)
    a = cv2.GaussianBlur(first, (0, 0), _BLUR)
    inner = (slice(_REACH, size - _REACH),) * 2
    at, shift, weight = start, start.astype(np.float64), np.zeros((2, 2))
    for _ in range(3):
        b = cv2.GaussianBlur(
            _level_tile(other, (place[0] + at[0], place[1] + at[1]), size, top), (0, 0), _BLUR
        )
        slopes_a, slopes_b = (np.stack(np.gradient(t))[:, *inner].reshape(2, -1) for t in (a, b))
        difference = np.asarray(a - b)[inner].ravel()
        cross = slopes_a @ slopes_b.T
        values, axes = np.linalg.eigh((cross + cross.T) / 2)
        values = np.maximum(values, 0)
        against = axes.T @ ((slopes_a + slopes_b) / 2 @ difference)
        # Blurred noise is alike over 4 pi s^2 sites: so many fewer count.
        noise = float(difference.var()) * 4 * np.pi * _BLUR**2 + 1e-12
        sure = values > noise / _UNKNOWN**2
        step = axes @ np.where(sure, against / np.maximum(values, 1e-12), 0)
        shift = at + step
        strength = values / noise
        strength = strength / (1 + strength * _FLOOR**2)
        weight = axes @ np.diag(np.where(sure, strength, 0)) @ axes.T
        nearer = np.clip(np.rint(shift), -_REACH, _REACH).astype(int)
        if (nearer == at).all():
            break
        at = nearer
    return np.asarray(shift, np.float64), np.asarray(weight, np.float64)


def _common_movement(
    places: Doubles, shifts: Doubles, weights: Doubles, shape: tuple[int, int]
) -> Movement:
    """Return shift, turn and growth that suit the tiles best; a stray tile counts little.

    Turning moves a place ``(y, x)`` by ``(-x, y)``, growth by ``(y, x)``: four unknowns.
    """
    away = (places - (np.array(shape) - 1) / 2) / np.hypot(*shape) * 2  # 1 in the corners
    terms = np.zeros((len(places), 2, 4))
    terms[:, 0, 0] = terms[:, 1, 1] = 1
    terms[:, 0, 2], terms[:, 1, 2] = -away[:, 1], away[:, 0]
    terms[:, 0, 3], terms[:, 1, 3] = away[:, 0], away[:, 1]
    trust = np.ones(len(places))
    for _ in range(8):
        normal = np.einsum("tij,tik,tkl,t->jl", terms, weights, terms, trust)
        normal += np.eye(4) / _UNKNOWN**2
        fit = np.linalg.solve(normal, np.einsum("tij,tik,tk,t->j", terms, weights, shifts, trust))
        off = shifts - terms @ fit
        misfit = np.sqrt(np.einsum("ti,tij,tj->t", off, weights, off))
        trust = 1 / np.maximum(misfit / 3, 1) ** 2
    error = np.sqrt(np.diag(np.linalg.inv(normal)))
    seen = [float(v) if e <= _SHOWN else 0.0 for v, e in zip(fit[:2], error[:2], strict=True)]
    return Movement(
        shift=(seen[0], seen[1]),
        error=(float(error[0]), float(error[1])),
        turned=float(np.hypot(fit[2], fit[3])),
        turned_error=float(max(error[2:])),
    )


def _tiles_with_detail(cells: Floats, frame: SensorFrame, size: int) -> list[Tile]:
    """Return the top left sites of the tile with most contrast in each part of the frame."""
    side = min(cell_side(frame), *frame.shape)
    reach = max(1, size // side)
    rough = np.sqrt(np.maximum(cells, 0))
    mean = cv2.blur(rough, (reach, reach))
    variance = cv2.blur(rough * rough, (reach, reach)) - mean * mean
    period = int(max(frame.pattern.shape))
    tiles = []
    for i in range(_SECTIONS):
        for j in range(_SECTIONS):
            r0, r1 = (k * cells.shape[0] // _SECTIONS for k in (i, i + 1))
            c0, c1 = (k * cells.shape[1] // _SECTIONS for k in (j, j + 1))
            part = variance[r0:r1, c0:c1]
            r, c = np.unravel_index(int(np.argmax(part)), part.shape)
            corner = [
                max(min((at + at0 + 1) * side - size // 2, length - size - _REACH), _REACH + period)
                // period
                * period
                for at, at0, length in ((int(r), r0, frame.shape[0]), (int(c), c0, frame.shape[1]))
            ]
            tiles.append((corner[0], corner[1]))
    return sorted(set(tiles))


def _level_tile(frame: SensorFrame, place: Tile, size: int, top: float) -> Doubles:
    """Return a tile whose colours are levelled, on a scale where shot noise is even."""
    row, column = place
    tile = frame.counts[row : row + size, column : column + size].astype(np.float64)
    p, q = frame.pattern.shape
    for i in range(p):
        for j in range(q):
            black = float(frame.black[(row + i) % p, (column + j) % q])
            plane = np.clip(tile[i::p, j::q] - black, 0, top)
            tile[i::p, j::q] = plane / max(float(plane.mean()), 1e-6)
    return np.asarray(cv2.sqrt(tile), np.float64)
