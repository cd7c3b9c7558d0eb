"""Places where a picture goes on with another part of itself: blocks swapped, lost or put in twice.

Where storage mixes blocks up, the picture jumps at some column of a row and goes on, shifted or
from elsewhere, at the start of the next. So for the length of one row every value differs from the
one above it, and neither the row's length before nor the one after does. Edges of plates are
tilted or soft, and edges that lie exactly along rows begin where rows begin.

Stretches shorter than a row differ from what is above and below them alike, while those two agree.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from platebench.read.raster_runs import BLOCK, Codes

_CELLS = 64  # to a row
_WIDE = 4000  # values
_SAMPLES = 4  # to a cell
_SOME = 7  # cells; enough of them tell the usual step
_STRONGER = 4.0  # steps along a seam, as a multiple of those before and after it
_STRONGER_IN_JPEG = 16.0  # 9 was met in a real scan, at the sharp edge between two frames
_SHARE = 0.6
_EDGE = 8  # cells on each side of where it begins that must show it clearly
_LEAST_EDGES = 3
_CLOSE = (24, 96)  # values on each side of an edge
_EXACT = 2
_MOST_ALIKE = 0.2
_INSIDE = 16  # values from a row's end; edges nearer to it are a whole row's
_TORN = 2.5
_ROUNDING = 0.5
_OUTLIER = 8.0  # short stretches: multiple of the usual bend from row to row
_LEAST_CELLS = 3
_MOST_LOOKED_AT = 500

Floats = NDArray[np.float32]


def mixed_up(raster: Codes, first_byte: int, *, apart: int = 1, tile_rows: int = 0) -> int | None:
    """Return the row where blocks of bytes are in another's place, None if nowhere.

    Parameters
    ----------
    raster : ndarray of uint8 or uint16, shape (M, N)
        Codes or counts in rows, as they lie in the file.
    first_byte : int
        Where in the file it begins. Storage works in blocks, so only edges at whole blocks count,
        and only three or more of them: two were met in a real scan, by chance.
    apart : int
        Rows from one of a colour to the next.
    tile_rows : int
        Rows after which the next are another tile's, and no neighbours; 0 for none.
    """
    if BLOCK % (raster.shape[1] * raster.itemsize) == 0:  # then all edges are in one column
        return None
    edges: list[int] = []
    for phase in range(apart):
        cells = _cells(raster[phase::apart])
        if cells is None or _is_drawn(cells):
            return None
        size = _step(raster.shape[1]) * _SAMPLES
        steps, across = np.abs(cells[1:] - cells[:-1]), cells.shape[1]
        found = {
            at
            for calm in (across, min(_EDGE, across // 6))
            for at in _long_seams(steps, _STRONGER, calm, margin=2)
        }
        places = [(at, True) for at in sorted(found)]
        least = max(_LEAST_CELLS, int(0.9 * BLOCK / raster.itemsize / size) - 1)
        for at, count in _short_runs(cells, least):
            places += [(at, True), (at + count, False)]
        for at, begins in places:
            row, cell = divmod(at, cells.shape[1])
            place = (row * apart + phase) * raster.shape[1] + cell * size
            edge = _edge_of_block(raster, first_byte, place, 2 * size, apart, begins=begins)
            if edge is None or edge in edges:
                continue
            row, column = divmod(edge, raster.shape[1])
            crosses = tile_rows and (row % tile_rows < apart or row % tile_rows == tile_rows - 1)
            if not crosses and _INSIDE <= column <= raster.shape[1] - _INSIDE:
                edges.append(edge)
    upright = len({edge % raster.shape[1] for edge in edges}) < 2  # one edge of the picture's own
    enough = len(edges) >= _LEAST_EDGES and not upright
    return min(edges) // raster.shape[1] if enough else None


def torn_blocks(pixels: Codes, unit: tuple[int, int]) -> bool:
    """Tell whether the blocks of a JPEG go on at another level, or shifted.

    Parameters
    ----------
    pixels : ndarray of uint8, shape (M, N)
        One channel.
    unit : (int, int)
        Rows and columns of what is coded together (T.81, A.2.3): 8 or 16 each.
    """
    high, wide = unit
    rows, across = pixels.shape[0] // high, pixels.shape[1] // wide
    if rows < 8 or across < 4 * _LEAST_CELLS:
        return False
    below = pixels[high : rows * high : high, : across * wide : 4].astype(np.int16)
    above = pixels[high - 1 : rows * high - 1 : high, : across * wide : 4]
    steps = np.abs(below - above).reshape(rows - 1, across, wide // 4)
    means: Floats = steps.mean(axis=2, dtype=np.float32)
    return bool(_long_seams(means, _STRONGER_IN_JPEG, across, margin=across // 8))


def _is_drawn(cells: Floats) -> bool:
    """Tell whether rows repeat those above: enlarged by repeating, or drawn, without noise."""
    alike = (cells[1:] == cells[:-1]).all(axis=1) & (np.ptp(cells[1:], axis=1) > 0)
    return bool(alike.mean() > _MOST_ALIKE)


def _edge_of_block(
    raster: Codes, first_byte: int, place: int, reach: int, apart: int, *, begins: bool
) -> int | None:
    """Return the place of a block's edge within ``reach`` at which steps begin, or end."""
    item, columns = raster.itemsize, raster.shape[1]
    flat = raster.reshape(-1)
    start = first_byte + (place - reach) * item
    for byte in range(-(-start // BLOCK) * BLOCK, first_byte + (place + reach) * item, BLOCK):
        at = -(-(byte - first_byte) // item)
        if any(_changes_at(flat, at, apart * columns, close, begins=begins) for close in _CLOSE):
            return int(at)
    return None


def _changes_at(flat: Codes, at: int, row: int, close: int, *, begins: bool) -> bool:
    """Tell whether steps from the row above begin, or end, at one place of all near it."""
    low, high = at - 2 * close, at + 2 * close
    if low < row or high > flat.size:
        return False
    steps = np.abs(flat[low:high].astype(np.int64) - flat[low - row : high - row])
    sums = np.concatenate(([0], np.cumsum(steps)))
    means = (sums[close:] - sums[:-close]) / close + _ROUNDING
    before, after = means[:-close], means[close:]  # of low + close + i
    rises = after / before if begins else before / after
    return abs(int(rises.argmax()) - close) <= _EXACT and float(rises.max()) > _TORN


def _cells(raster: Codes) -> Floats | None:
    """Return means of a few values of each of some 64 parts of each row."""
    rows, columns = raster.shape
    step = _step(columns)
    across = columns // (step * _SAMPLES)
    if rows < 8 or across < 4 * _LEAST_CELLS:
        return None
    samples = raster[:, : step * across * _SAMPLES : step].astype(np.float32)
    means: Floats = samples.reshape(rows, across, _SAMPLES).mean(axis=2)
    return means


def _step(columns: int) -> int:
    """Return how many values lie from one that is looked at to the next."""
    cells = (
        _CELLS if columns < _WIDE else _CELLS // 2
    )  # every other line of the cache is left alone
    return max(2, columns // (cells * _SAMPLES))


def _long_seams(to_next: Floats, stronger: float, calm: int, margin: int) -> list[int]:
    """Return where steps as long as a row begin: cells from the second row of a picture on.

    They are ``stronger`` than in the ``calm`` cells before them, and after, and begin ``margin``
    cells or more from a row's ends.
    """
    across = to_next.shape[1]
    steps = to_next.ravel()
    total = np.concatenate(([0.0], np.cumsum(steps, dtype=np.float64)))
    floor = float(np.median(steps[::_SOME])) + 0.5
    if steps.size <= across + 2 * calm:
        return []
    here = (total[calm + across : -calm] - total[calm : -calm - across]) / across
    few = (total[calm:] - total[:-calm]) / calm
    beside = np.maximum(np.maximum(few[: here.size], few[-here.size :]), floor)
    strong = np.flatnonzero(here > stronger * beside)
    column = (strong + calm) % across
    strong = strong[(column >= margin) & (column < across - margin)]
    order = np.argsort(-(here[strong] / beside[strong]), kind="stable")[:_MOST_LOOKED_AT]
    found = []
    edge = min(_EDGE, across // 6)
    for at in strong[order].tolist():
        start = at + calm
        limit = stronger / 2 * beside[at]
        high = steps[start : start + across] > limit
        outside = (steps[start - edge : start], steps[start + across :][:edge])
        if (
            high.mean() >= _SHARE
            and min(part.mean() for part in (high[:edge], high[-edge:])) >= _SHARE
            and max((part > limit).mean() for part in outside) <= 0.3
        ):
            found.append(int(start + across))  # steps begin at the second row
    return found


def _short_runs(cells: Floats, least: int) -> list[tuple[int, int]]:
    """Return where stretches within a row begin, and their lengths, in cells."""
    across = cells.shape[1]
    bend = np.abs(cells[1:-1] - (cells[2:] + cells[:-2]) / 2).ravel()
    apart = np.abs(cells[2:] - cells[:-2]).ravel()
    floor = float(np.median(bend[::_SOME])) + 0.5
    high = (bend > _OUTLIER * floor) & (apart < bend / 2)
    if not high.any():
        return []
    edges = np.flatnonzero(np.diff(np.concatenate(([False], high, [False])).astype(np.int8)))
    first, last = edges[::2], edges[1::2]
    long_enough = (last - first >= least) & (last - first < across)
    first, last = first[long_enough][:_MOST_LOOKED_AT], last[long_enough][:_MOST_LOOKED_AT]
    return list(zip((first + across).tolist(), (last - first).tolist(), strict=True))
