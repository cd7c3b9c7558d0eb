"""Counts that a reader never read, and did not say so."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from platebench.errors import CaptureError
from platebench.stages.reading.remedies import COPY_AGAIN

_MIN_REPEATED_ROWS = 16
_MIN_REPEATED_SHARE = 0.01


def refuse_unread(path: Path, counts: NDArray[np.uint16], white: float) -> None:
    """Refuse counts that were never read: readers leave zeros, or repeat the last good row.

    A frame is refused if every count is zero, or if its last rows are all zero below rows that
    are not, or if its last rows (at least 16, and 1 % of all) repeat the row above exactly, with
    detail in them, below rows that do not. Noise makes two rows of a real sensor
    differ; rows of one value throughout (clipped light, a drawn test picture) are let pass, as
    is a picture that is the same from top to bottom.

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
        if empty >= _least_run(rows):
            raise CaptureError(path, f"is cut off: its last {empty} rows are empty", COPY_AGAIN)
    for apart in (1, 2):
        last = counts[-apart:]
        plain = all(np.ptp(part) == 0 for part in (last[:, ::2], last[:, 1::2]) if part.size)
        if plain or last.min() >= white:
            continue
        run = _run_from_end(counts, np.array_equal, apart)
        if _least_run(rows) <= run < rows - apart:
            raise CaptureError(
                path,
                f"is cut off or damaged: its last {run} rows repeat the row above them",
                COPY_AGAIN,
            )


def _least_run(rows: int) -> int:
    return max(_MIN_REPEATED_ROWS, math.ceil(_MIN_REPEATED_SHARE * rows))


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
