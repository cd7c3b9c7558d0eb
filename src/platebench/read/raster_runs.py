"""Stretches of a picture that were never written, found in the order in which it was written.

Storage loses stretches of bytes, and knows nothing of pictures. So a lost stretch begins and ends
anywhere in a row, and goes on at the start of the next: its upper edge is a step from one row to
the next at some column, which no plate, mask or clipped lamp has. Whole rows of one value may be a
margin that a scanner's program added; those cannot be told from lost rows, and are named.

Rows are taken as the file holds them: a row of a strip or tile, all its values one after another.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import islice

import numpy as np
from numpy.lib.stride_tricks import as_strided
from numpy.typing import NDArray

BLOCK = 512  # bytes; storage loses no less
_LEAST_SHARE = 0.9  # of a block
_WORD = 8  # bytes looked at in each block
_AROUND = (-208, -104, 104, 208)  # bytes from it; a lost block fills two of them beside each other
_FAR_SHARE = 0.9
_NOISY_SHARE = 0.25
_NOISY_PARTS = 8  # of a row's length
_LEAST_PART = 16  # values; a step nearer than this to a row's end is a whole row's
_MOST_STRAYS = 2  # other values in a lost run; more in a picture's own, at its ragged edge
_MOST_LOOKED_AT = 2000
_SOFT, _SOFT_SHARE = 4, 0.25  # values beside a step; nearer to the run's than those after them
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


def lost_runs(
    raster: Codes, *, tolerance: int, tile_rows: int = 0, noisy: bool = False
) -> list[LostRun]:
    """Return the stretches of one value that were most likely never written.

    Parameters
    ----------
    raster : ndarray of uint8 or uint16, shape (M, N)
        Codes or counts in rows as they are stored.
    tolerance : int
        Codes this near to a run's value may be its soft edge.
    tile_rows : int
        Rows after which the next are another tile's, and no neighbours; 0 for none.
    noisy : bool
        True for a sensor's counts: a run of two rows is lost even if many of the values beside it
        are its own, as in shadows that are clipped to zero, as long as others lie among them
        everywhere. Noise does not stop at once.

    Returns
    -------
    list of LostRun
        A run longer than a row is lost if the row's length of values before it, or after it, are
        all other than its own: in a picture those lie just above or below it. A shorter one must
        differ from both. A few other values within a run are no end of it.
    """
    rows, columns = raster.shape
    if rows < 3 or columns < _LEAST_PART * 2:
        return []
    step, across = _spacing(columns, BLOCK // raster.itemsize)
    words = _words(raster, step, across).ravel()
    unit = np.uint64(0x0101010101010101 if raster.itemsize == 1 else 0x0001000100010001)
    filled = words == (words & np.uint64((1 << 8 * raster.itemsize) - 1)) * unit
    if not filled.any():
        return []
    found: list[LostRun] = []
    ends = _candidates(words, filled, across, _NOISY_SHARE if noisy else _FAR_SHARE)
    first, last = ((at // across) * columns + (at % across) * step for at in ends)
    wanted = (first < last) | _fills_a_block(raster, first)
    pairs = zip(first[wanted].tolist(), last[wanted].tolist(), strict=True)
    for start, stop in islice(pairs, _MOST_LOOKED_AT):
        for part in _without_strays(raster, start, stop + 1):
            run = _exact(raster, *part, tolerance, (tile_rows or rows) * columns, noisy)
            if run is not None and run not in found:
                found.append(run)
    return found


def _spacing(columns: int, most: int) -> tuple[int, int]:
    """Return how many values lie from one word to the next, and how many words are in a row.

    Over a row's end as well, no ``most`` values lie between two of them.
    """
    count = -(-columns // most)
    while columns // count + columns % count > most - 2 * _WORD:
        count += 1
    return columns // count, count


def _words(raster: Codes, step: int, across: int) -> NDArray[np.uint64]:
    """Return eight bytes from each ``step`` values on: one line of the cache in eight."""
    item = raster.itemsize
    apart = (raster.strides[0], step * raster.strides[1], raster.strides[1])
    shape = (raster.shape[0], across, _WORD // item)
    return np.ascontiguousarray(as_strided(raster, shape, apart).view(np.uint64)[..., 0])


def _without_strays(raster: Codes, start: int, stop: int) -> list[tuple[int, int]]:
    """Return first and last part of a run between values that differ; all of it if few do."""
    value = raster[start // raster.shape[1], start % raster.shape[1]]
    strays = np.flatnonzero(_stretch(raster, start, stop) != value)
    if strays.size <= _MOST_STRAYS:
        return [(start, stop)]
    return [(start, start + int(strays[0])), (start + int(strays[-1]) + 1, stop)]


def _candidates(
    words: NDArray[np.uint64], filled: NDArray[np.bool_], across: int, far: float
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return first and last of runs of equal words that differ from those above or below."""
    same = filled[1:] & (words[1:] == words[:-1])
    first = np.flatnonzero(filled & ~np.concatenate(([False], same)))
    last = np.flatnonzero(filled & ~np.concatenate((same, [False])))
    alike = np.zeros(words.size + 1, np.int64)
    np.cumsum(words[across:] == words[:-across], out=alike[across + 1 :])
    size = np.minimum(last - first + 1, across)
    above = (alike[first + size] - alike[first]) <= (1 - far) * size
    above &= first >= across
    stop = last + 1 + across
    inside = stop <= words.size
    stop = np.minimum(stop, words.size)
    below = (alike[stop] - alike[stop - size]) <= (1 - far) * size
    below &= inside
    wanted = np.where(last - first + 1 >= across, above | below, above & below)
    return first[wanted], last[wanted]


def _fills_a_block(raster: Codes, places: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Tell of each place in the raster whether values around it are its own, as in a lost block."""
    columns = raster.shape[1]
    around = places + np.array([[0], *([at // raster.itemsize] for at in _AROUND)])
    around = np.clip(around, 0, raster.size - 1)
    values = raster[around // columns, around % columns]
    before2, before, after, after2 = values[1:] == values[0]
    filled: NDArray[np.bool_] = (before2 & before) | (before & after) | (after & after2)
    return filled


def _exact(
    raster: Codes, start: int, stop: int, tolerance: int, tile: int, noisy: bool
) -> LostRun | None:
    """Return the run around what the samples showed, None if it is none or a picture's own.

    What lies above and below it counts within a ``tile``, of that many values.
    """
    columns, size = raster.shape[1], raster.size
    value = int(raster[start // columns, start % columns])
    start -= _goes_on(_stretch(raster, max(0, start - 2 * BLOCK), start)[::-1] != value)
    stop += _goes_on(_stretch(raster, stop, min(size, stop + 2 * BLOCK)) != value)
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
    noisy &= stop - start >= 2 * columns
    if has_above:
        steps.append(_step(raster, start - columns, value, tolerance, noisy, False))
    if has_below:
        steps.append(_step(raster, stop, value, tolerance, noisy, True))
    if "row" not in steps and "inside" not in steps:
        return None
    return LostRun(start=start, stop=stop, value=value, whole_rows="inside" not in steps)


def _goes_on(other: NDArray[np.bool_]) -> int:
    """Return how far a run goes on into values of which some are ``other``: strays, or its end."""
    for strays, at in enumerate(np.flatnonzero(other).tolist()):
        beyond = other[at + _MOST_STRAYS :][: 2 * _LEAST_PART]
        if strays >= _MOST_STRAYS or beyond.size < 2 * _LEAST_PART or beyond.any():
            return int(at)
    return other.size


def _step(raster: Codes, start: int, value: int, tolerance: int, noisy: bool, below: bool) -> str:
    """Return what the row's length of values from ``start``, beside a run, makes of its edge.

    That is ``"inside"`` a row, between two as a whole ``"row"``, or ``"none"``: no sharp step.
    """
    columns = raster.shape[1]
    beside = _stretch(raster, start, start + columns)
    far = np.abs(beside.astype(np.int64) - value) > tolerance
    column = start % columns
    among = np.array_split(beside != value, _NOISY_PARTS)
    if noisy and all(part.mean() >= _NOISY_SHARE for part in among):
        return "inside" if _LEAST_PART <= column <= columns - _LEAST_PART else "row"
    if far.mean() < _FAR_SHARE:
        return "none"
    if not _LEAST_PART <= column <= columns - _LEAST_PART:
        return "row"
    # Beside the step itself: a sharp edge that is tilted by a row in all fades there.
    near = max(_LEAST_PART, int(columns * _NEAR))
    parts = (far[:near], far[-near:], far[: columns - column], far[columns - column :])
    if any(part.mean() < _FAR_SHARE for part in parts):
        return "none"
    from_edge = np.abs(beside[:: 1 if below else -1][: 5 * _SOFT].astype(np.int64) - value)
    soft = from_edge[:_SOFT].mean() < _SOFT_SHARE * from_edge[_SOFT:].mean()
    return "none" if soft else "inside"


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
