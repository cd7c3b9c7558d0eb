"""Stretches of a picture that were never written, found in the order in which it was written.

Storage loses stretches of bytes, and knows nothing of pictures. So a lost stretch begins and ends
anywhere in a row, and goes on at the start of the next: its upper edge is a step from one row to
the next at some column, which no plate, mask or clipped lamp has. Whole rows of one value may be a
margin that a scanner's program added; those cannot be told from lost rows, and are named.

Rows are taken as the file holds them: a row of a strip or tile, all its values one after another.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

BLOCK = 512  # bytes; storage loses no less
_LEAST_SHARE = 0.9  # of a block
_SAMPLE = 60  # values from one looked at to the next: four to a lost block, the same of each colour
_FAR_SHARE = 0.9
_LEAST_PART = 16  # values; a step nearer than this to a row's end is a whole row's
_MOST_LOOKED_AT = 2000
_NEAR = 1 / 16  # of a row, on each side of a step

Codes = NDArray[np.uint8] | NDArray[np.uint16]


@dataclass(frozen=True, slots=True, kw_only=True)
class LostRun:
    """A stretch of one value whose edges no picture would draw.

    Attributes
    ----------
    start, stop : int
        Places in the raster, counted along rows.
    value : int
        The one value it holds.
    whole_rows : bool
        True if it begins and ends with rows: a margin looks the same.
    """

    start: int
    stop: int
    value: int
    whole_rows: bool


def lost_runs(raster: Codes, *, tolerance: int, tile_rows: int = 0) -> list[LostRun]:
    """Return the stretches of one value that were most likely never written.

    Parameters
    ----------
    raster : ndarray of uint8 or uint16, shape (M, N)
        Codes or counts in rows as they are stored.
    tolerance : int
        Codes this near to a run's value may be its soft edge.
    tile_rows : int
        Rows after which the next are another tile's, and no neighbours; 0 for none.

    Returns
    -------
    list of LostRun
        A run longer than a row is lost if the row's length of values before it, or after it, are
        all other than its own: in a picture those lie just above or below it. A shorter one must
        differ from both.
    """
    rows, columns = raster.shape
    if rows < 3 or columns < _LEAST_PART * 2:
        return []
    step = min(_SAMPLE, max(1, columns // 4))
    samples = raster[:, ::step]
    across = samples.shape[1]
    flat = samples.ravel()
    found = []
    least = int(_LEAST_SHARE * BLOCK / raster.itemsize)
    for first, last in _candidates(flat, across, max(2, least // step - 1)):
        start, stop = ((at // across) * columns + (at % across) * step for at in (first, last))
        for part in _without_strays(raster, start, stop + 1):
            run = _exact(raster, *part, tolerance, (tile_rows or rows) * columns)
            if run is not None:
                found.append(run)
    return found


def _without_strays(raster: Codes, start: int, stop: int) -> list[tuple[int, int]]:
    """Return first and last part of a run between values that differ; all of it if none does."""
    value = raster[start // raster.shape[1], start % raster.shape[1]]
    strays = np.flatnonzero(_stretch(raster, start, stop) != value)
    if not strays.size:
        return [(start, stop)]
    return [(start, start + int(strays[0])), (start + int(strays[-1]) + 1, stop)]


def _candidates(flat: Codes, across: int, least: int) -> list[tuple[int, int]]:
    """Return first and last of runs of equal samples that differ from those above or below."""
    same = flat[1:] == flat[:-1]
    if not same.any():
        return []
    edges = np.flatnonzero(np.diff(np.concatenate(([False], same, [False])).astype(np.int8)))
    first, last = edges[::2], edges[1::2]
    long_enough = last - first >= least
    first, last = first[long_enough], last[long_enough]
    if not first.size:
        return []
    alike = np.zeros(flat.size + 1, np.int64)
    np.cumsum(flat[across:] == flat[:-across], out=alike[across + 1 :])
    size = np.minimum(last - first + 1, across)
    above = (alike[first + size] - alike[first]) <= (1 - _FAR_SHARE) * size
    above &= first >= across
    stop = last + 1 + across
    inside = stop <= flat.size
    stop = np.minimum(stop, flat.size)
    below = (alike[stop] - alike[stop - size]) <= (1 - _FAR_SHARE) * size
    below &= inside
    wanted = np.where(last - first + 1 >= across, above | below, above & below)
    pairs = list(zip(first[wanted].tolist(), last[wanted].tolist(), strict=True))
    return pairs[:_MOST_LOOKED_AT]


def _exact(raster: Codes, start: int, stop: int, tolerance: int, tile: int) -> LostRun | None:
    """Return the run around what the samples showed, None if it is none or a picture's own.

    What lies above and below it counts within a ``tile``, of that many values.
    """
    columns, size = raster.shape[1], raster.size
    value = int(raster[start // columns, start % columns])
    before = _stretch(raster, max(0, start - columns), start)[::-1] != value
    start -= int(before.argmax()) if before.any() else before.size
    after = _stretch(raster, stop, min(size, stop + columns)) != value
    stop += int(after.argmax()) if after.any() else after.size
    if (stop - start) * raster.itemsize < _LEAST_SHARE * BLOCK:
        return None
    has_above = start % tile >= columns
    has_below = stop + columns <= size and (stop - 1) // tile == (stop + columns - 1) // tile
    if stop - start < columns:
        lost = (
            has_above
            and has_below
            and _differs(raster, start - columns, stop - columns, value, tolerance)
            and _differs(raster, start + columns, stop + columns, value, tolerance)
        )
        return LostRun(start=start, stop=stop, value=value, whole_rows=False) if lost else None
    steps = []
    if has_above:
        steps.append(_step(raster, start - columns, value, tolerance))
    if has_below:
        steps.append(_step(raster, stop, value, tolerance))
    if "row" not in steps and "inside" not in steps:
        return None
    return LostRun(start=start, stop=stop, value=value, whole_rows="inside" not in steps)


def _step(raster: Codes, start: int, value: int, tolerance: int) -> str:
    """Return what the row's length of values from ``start``, beside a run, makes of its edge.

    That is ``"inside"`` a row, between two as a whole ``"row"``, or ``"none"``: no sharp step.
    """
    columns = raster.shape[1]
    beside = _stretch(raster, start, start + columns)
    far = np.abs(beside.astype(np.int64) - value) > tolerance
    if far.mean() < _FAR_SHARE:
        return "none"
    column = start % columns
    if not _LEAST_PART <= column <= columns - _LEAST_PART:
        return "row"
    # Beside the step itself: a sharp edge that is tilted by a row in all fades there.
    near = max(_LEAST_PART, int(columns * _NEAR))
    parts = (far[:near], far[-near:], far[: columns - column], far[columns - column :])
    return "inside" if all(part.mean() >= _FAR_SHARE for part in parts) else "none"


def _differs(raster: Codes, start: int, stop: int, value: int, tolerance: int) -> bool:
    beside = _stretch(raster, start, stop).astype(np.int64)
    return bool((np.abs(beside - value) > tolerance).mean() >= _FAR_SHARE)


def _stretch(raster: Codes, start: int, stop: int) -> Codes:
    """Return the values from ``start`` to ``stop`` along the rows."""
    columns = raster.shape[1]
    if stop <= start:
        return raster[:0, 0]
    if raster.flags.c_contiguous:
        return raster.reshape(-1)[start:stop]
    top, bottom = start // columns, -(-stop // columns)
    return raster[top:bottom].reshape(-1)[start - top * columns : stop - top * columns]
