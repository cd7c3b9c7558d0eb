"""Was all of it written? Asked of the bytes of a picture, as they lie in its file."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from platebench.errors import CaptureError
from platebench.stages.reading import tiff_structure as tiff
from platebench.stages.reading.raster_runs import lost_runs
from platebench.stages.reading.raster_seams import BLOCK, mixed_up
from platebench.stages.reading.remedies import COPY_AGAIN
from platebench.stages.reading.tiff_structure import TiffDirectory

Codes = NDArray[np.uint8] | NDArray[np.uint16]
Bytes = NDArray[np.uint8]

_PLAIN = 1
_WORDS = BLOCK // 8
_LOOKED_AT = (3, 41)  # words of a block by which its likes are found
_TURNS = 0.3  # of values at which a picture with noise turns up or down; noise alone: 0.67
_LEAST_STEPS = 24
_MOST_PAIRS = 5000


def refuse_unwritten_tiff(
    path: Path, directory: TiffDirectory, order: str, *, mosaic: bool
) -> tuple[str, ...]:
    """Refuse an uncompressed picture of which a part was never written, or is in another's place.

    Parameters
    ----------
    path : Path
        A TIFF or one of its raw relatives.
    directory : TiffDirectory
        The picture's own.
    order : {"<", ">"}
        Its byte order.
    mosaic : bool
        True for the counts of a sensor under colour filters.

    Returns
    -------
    tuple of str
        What may be a fault and may be none. Empty for compressed pictures, which are not looked at.

    Raises
    ------
    CaptureError
        If values are missing, or blocks repeated or mixed up.
    """
    bits = directory.first(tiff.BITS, 1)
    if directory.first(tiff.COMPRESSION, _PLAIN) != _PLAIN or bits not in (8, 16):
        return ()
    tiled = tiff.TILE_OFFSETS in directory.tags
    columns = directory.first(tiff.TILE_WIDTH, 0) if tiled else directory.shape[1]
    separate = directory.first(tiff.PLANAR, 1) != 1
    columns *= 1 if separate else directory.samples
    dtype = np.dtype("u1" if bits == 8 else f"{order}u2")
    apart = 2 if mosaic else 1
    notes: list[str] = []
    data = np.memmap(path, np.uint8, "r")
    for offset, size in _joined(directory.pieces):
        rows = min(size, data.size - offset) // (columns * dtype.itemsize)
        stretch = data[offset : offset + rows * columns * dtype.itemsize]
        if rows:
            raster = stretch.view(dtype).reshape(rows, columns)
            notes += _refuse_raster(path, raster, offset, apart, tiled=tiled)
    return tuple(dict.fromkeys(notes))


def _joined(pieces: list[tuple[int, int]]) -> list[tuple[int, int]]:
    """Join strips or tiles that follow each other without a gap."""
    joined: list[tuple[int, int]] = []
    for offset, size in pieces:
        if joined and sum(joined[-1]) == offset:
            joined[-1] = (joined[-1][0], joined[-1][1] + size)
        else:
            joined.append((offset, size))
    return joined


def _refuse_raster(
    path: Path, raster: Codes, first_byte: int, apart: int, *, tiled: bool
) -> list[str]:
    notes = refuse_lost_runs(path, raster, block=BLOCK // raster.itemsize, tiled=tiled)
    if repeated_noise(raster, first_byte):
        raise CaptureError(path, "is damaged: blocks of its data are repeated", COPY_AGAIN)
    row = mixed_up(raster, first_byte, apart=apart)
    if row is not None:
        what = "is damaged: blocks of its data are in each other's place"
        raise CaptureError(path, what, COPY_AGAIN)
    return notes


def refuse_lost_runs(
    path: Path, raster: Codes, *, block: int, white: float | None = None, tiled: bool = False
) -> list[str]:
    """Refuse values that were never written; return what may be a margin.

    Parameters
    ----------
    path : Path
        The file, for the error.
    raster : ndarray of uint8 or uint16, shape (M, N)
        Codes or counts, in rows as they are stored.
    block : int
        Values that a lost block holds at least.
    white : float or None
        Level at which a raw's counts clip: whole rows below it are no margin. None for a scan.
    tiled : bool
        Whole rows are a tile's then, and say nothing.

    Raises
    ------
    CaptureError
        If values were never written.
    """
    tolerance = 1 if raster.dtype.itemsize == 1 or white is not None else 16
    notes = []
    for run in lost_runs(raster, tolerance=tolerance):
        if run.stop - run.start < 0.9 * block:
            continue
        top, bottom = (place // raster.shape[1] for place in (run.start, run.stop - 1))
        if not run.whole_rows or (white is not None and run.value < white):
            what = f"is damaged: a part of its picture was never written (rows {top} to {bottom})"
            raise CaptureError(path, what, COPY_AGAIN)
        if white is None and not tiled:
            notes.append(
                f"its rows {top} to {bottom} hold one value throughout ({run.value}): a margin, "
                "or a part that was never written; compare it with the original"
            )
    return notes


def repeated_noise(raster: Codes, first_byte: int) -> bool:
    """Tell whether two blocks of a file hold the same noise: chance does not repeat itself."""
    data = raster.reshape(-1).view(np.uint8)
    lead = -first_byte % BLOCK
    row_bytes = raster.shape[1] * raster.itemsize
    for one, other in _equal_blocks(data[lead:]):
        at = lead + one * BLOCK
        item = raster.itemsize
        values = data[-(-at // item) * item :][: BLOCK - item].view(raster.dtype).astype(np.int64)
        in_column = (other - one) * BLOCK % row_bytes == 0
        if _is_noise(values, thorough=in_column):
            return True
    return False


def _is_noise(values: NDArray[np.int64], *, thorough: bool) -> bool:
    """Tell whether a row's values go up and down without a pattern, in each of its colours.

    ``thorough``: at nearly every value. Rows of drawings, and of JPEGs that were saved again, are
    alike over several rows, and have steps at a few places only.
    """
    for lag in (1, 2, 3):
        steps = values[lag:] - values[:-lag]
        if thorough:
            if (steps[:-lag] * steps[lag:] < 0).mean() < _TURNS:
                return False
            continue
        at = np.flatnonzero(steps)
        if at.size < _LEAST_STEPS or (np.diff(at) % 8 == 0).mean() > 0.5:
            return False
        signs = np.sign(steps[at])
        if (signs[1:] != signs[:-1]).mean() < _TURNS:
            return False
    return True


def _equal_blocks(data: Bytes) -> list[tuple[int, int]]:
    """Return pairs of blocks that are equal byte for byte, and not of one value throughout."""
    count = data.size // BLOCK
    blocks = data[: count * BLOCK].reshape(count, BLOCK)
    keys = np.zeros(count, np.uint64)
    for word in _LOOKED_AT:
        part = np.ascontiguousarray(blocks[:, 8 * word : 8 * word + 8]).view(np.uint64)[:, 0]
        keys = keys * np.uint64(0x9E3779B97F4A7C15) + part
    order = np.argsort(keys, kind="stable")
    alike = np.flatnonzero(keys[order[1:]] == keys[order[:-1]])[:_MOST_PAIRS]
    pairs = []
    for at in alike.tolist():
        one, other = int(order[at]), int(order[at + 1])
        if (blocks[one] == blocks[other]).all() and np.ptp(blocks[one]):
            pairs.append((one, other))
    return pairs
