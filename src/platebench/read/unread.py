"""Counts that a reader never read, and did not say so."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from platebench.core.errors import CaptureError
from platebench.read.file_kind import COPY_AGAIN

_LEAST_EMPTY_ROWS = 16
_LEAST_EMPTY_SHARE = 0.01
_LEAST_REPEATED = 4  # rows; cameras fill a bad one in from its neighbour, one or two together
_KEY_VALUES = 32  # of a row, by which its likes are found
_MOST_PAIRS = 2000
_TURNS = 0.2  # of values at which a row turns up or down; noise alone: 0.67


def refuse_unread(path: Path, counts: NDArray[np.uint16], white: float) -> None:
    """Refuse counts that were never read: readers leave zeros, or repeat the last good row.

    A frame is refused if every count is zero, or if its last rows are all zero below rows that
    are not, or if its last rows (at least 4) repeat the row above exactly, with detail in them,
    below rows that do not, or if as many rows anywhere hold the noise of other rows. Noise makes
    two rows of a real sensor differ; rows of one value throughout (clipped light, a drawn test
    picture) are let pass, as is a picture that is the same from top to bottom.

    Raises
    ------
    CaptureError
        If they were not read.
    """
    rows = counts.shape[0]
    if not counts[-1].any():
        empty = _run_from_end(counts, lambda upper, _lower: not upper.any()) + 1
        if empty >= rows:
            raise CaptureError(path, "holds nothing but zeros", COPY_AGAIN)
        if empty >= _least_empty(rows):
            raise CaptureError(path, f"is cut off: its last {empty} rows are empty", COPY_AGAIN)
    for apart in (1, 2):
        last = counts[-apart:]
        plain = all(np.ptp(part) == 0 for part in (last[:, ::2], last[:, 1::2]) if part.size)
        if plain or last.min() >= white:
            continue
        run = _run_from_end(counts, np.array_equal, apart)
        if _LEAST_REPEATED <= run < rows - apart:
            raise CaptureError(
                path,
                f"is cut off or damaged: its last {run} rows repeat the row above them",
                COPY_AGAIN,
            )

    if _rows_with_equal_noise(counts.reshape(rows, -1), 2 if counts.ndim == 2 else 3):
        raise CaptureError(path, "is damaged: some of its rows repeat others", COPY_AGAIN)


def _least_empty(rows: int) -> int:
    return max(_LEAST_EMPTY_ROWS, math.ceil(_LEAST_EMPTY_SHARE * rows))


def _rows_with_equal_noise(counts: NDArray[np.uint16], colours: int) -> bool:
    """Tell whether rows repeat others, and are noisy: chance does not repeat itself."""
    if counts.shape[1] < _KEY_VALUES:
        return False
    step = counts.shape[1] // _KEY_VALUES
    values = counts[:, ::step].astype(np.uint64)
    weights = np.random.default_rng(0).integers(1, 2**63, values.shape[1], dtype=np.uint64)
    keys = values @ weights
    order = np.argsort(keys, kind="stable")
    repeated = 0
    for at in np.flatnonzero(keys[order[1:]] == keys[order[:-1]])[:_MOST_PAIRS].tolist():
        one, other = counts[order[at]], counts[order[at + 1]]
        if not np.array_equal(one, other):
            continue
        steps = one[colours:].astype(np.int64) - one[:-colours]
        repeated += bool((steps[:-colours] * steps[colours:] < 0).mean() >= _TURNS)
        if repeated >= _LEAST_REPEATED:
            return True
    return False


def _run_from_end(
    counts: NDArray[np.uint16],
    same: Callable[[NDArray[np.uint16], NDArray[np.uint16]], bool],
    apart: int = 1,
) -> int:
    """Return how many rows at the end are ``same`` as the row ``apart`` above them."""
    rows = int(counts.shape[0])
    for run in range(rows - apart):
        at = rows - 1 - run
        if not same(counts[at - apart], counts[at]):
            return run
    return rows
