"""Was all of it written? Asked of the bytes of a picture, as they lie in its file."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from platebench.core.errors import CaptureError
from platebench.read import tiff_structure as tiff
from platebench.read.file_kind import COPY_AGAIN
from platebench.read.raster_runs import BLOCK, Codes, LostRun, lost_runs
from platebench.read.raster_seams import mixed_up, torn_blocks
from platebench.read.tiff_structure import TiffDirectory

Bytes = NDArray[np.uint8]

_PLAIN = 1
_PACKS_RUNS = (5, 50000, 34926)  # LZW; zstd, as registered and by an earlier number
_LOOKED_AT = 320  # byte of a block from which 16 tell its likes; of one line of the cache
_TURNS = 0.2  # of values at which a picture with noise turns up or down; noise alone: 0.67
_LEAST_STEPS = 24
_FILL_STEP = 128  # bytes from one word that is looked at to the next
_RICH = 128  # kinds of bytes in a block; 222 where all are equally likely
_MOST_STRETCHES = 16
_MOST_PAIRS = 500
_SHARP = 0.9
_LEAST_BORDER = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """How values lie in a file.

    Attributes
    ----------
    columns : int
        Values to a row of a strip or tile.
    colours : int
        Values, along a row, from one of a colour to the next.
    apart : int
        The same down a column.
    tile : (int, int)
        Rows of a tile, and tiles beside each other; (0, 1) for strips.
    """

    columns: int
    colours: int = 1
    apart: int = 1
    tile: tuple[int, int] = (0, 1)


def layout_of(directory: TiffDirectory) -> Layout:
    """Return how an uncompressed TIFF's values lie."""
    tiled = tiff.TILE_OFFSETS in directory.tags
    width = directory.first(tiff.TILE_WIDTH, 0) if tiled else directory.shape[1]
    samples = 1 if directory.first(tiff.PLANAR, 1) != 1 else directory.samples
    mosaic = directory.is_raw and directory.samples == 1
    repeat = directory.tags.get(tiff.CFA_REPEAT, (2, 2))  # 6 x 6 mixes other colours in every row
    across = -(-directory.shape[1] // max(1, width))
    return Layout(
        columns=width * samples,
        colours=int(repeat[1]) if mosaic else samples,
        apart=int(repeat[0]) if mosaic else 1,
        tile=(directory.first(tiff.TILE_HEIGHT, 0), across) if tiled else (0, 1),
    )


def refuse_unwritten(
    path: Path,
    directory: TiffDirectory,
    layout: Layout,
    order: str,
    white: float | None = None,
    decoded: NDArray[Any] | None = None,
) -> tuple[str, ...]:
    """Refuse an uncompressed picture of which a part was never written, or is in another's place.

    Parameters
    ----------
    path : Path
        A TIFF or one of its raw relatives.
    directory : TiffDirectory
        The picture's own.
    layout : Layout
        How its values lie.
    order : {"<", ">"}
        The file's byte order.
    white : float or None
        Level at which a raw's counts clip; None for a scan.
    decoded : ndarray or None
        The picture as it was read: looked at in place of the file where it holds the same, since
        that is in memory already.

    Returns
    -------
    tuple of str
        What may be a fault and may be none.

    Raises
    ------
    CaptureError
        If values are missing, or blocks repeated or mixed up.
    """
    bits, packing = directory.first(tiff.BITS, 1), directory.first(tiff.COMPRESSION, _PLAIN)
    data = np.memmap(path, np.uint8, "r")
    # Some have no checksum, and pack any run: none is left in their codes.
    packed = directory.pieces if packing in _PACKS_RUNS else []
    if any(_longest_fill(data[at : at + size]) for at, size in packed):
        raise CaptureError(path, "is damaged: a part of its picture was never written", COPY_AGAIN)
    if packing != _PLAIN or bits not in (8, 16):
        return ()
    dtype = np.dtype("u1" if bits == 8 else f"{order}u2")
    notes: list[str] = []
    pieces = _joined(directory.pieces)
    if decoded is not None and not layout.tile[0] and _holds(decoded, pieces, dtype):
        raster = decoded.reshape(-1, layout.columns)
        return tuple(_refuse_raster(path, raster, pieces[0][0], layout, white))
    for offset, size in pieces:
        rows = min(size, data.size - offset) // max(1, layout.columns * dtype.itemsize)
        stretch = data[offset : offset + rows * layout.columns * dtype.itemsize]
        if rows > 0:
            raster = stretch.view(dtype).reshape(rows, layout.columns)
            notes += _refuse_raster(path, raster, offset, layout, white)
    return tuple(dict.fromkeys(notes))


def refuse_unwritten_jpeg(
    path: Path,
    data: Bytes,
    coded: tuple[int, int],
    pixels: NDArray[Any],
    unit: tuple[int, int] | None,
    passes: int = 1,
) -> None:
    """Refuse a JPEG of which a part was never written, or is in another's place.

    Parameters
    ----------
    path : Path
        The file, for the error.
    data : ndarray of uint8
        All bytes of the file.
    coded : (int, int)
        Where its codes begin and end.
    pixels : ndarray of uint8, shape (M, N) or (M, N, 3)
        What they decode to.
    unit : (int, int) or None
        Rows and columns that are coded together; None for a part of a picture.
    passes : int
        Over the picture. One that refines it may hold the same bit for block after block, so
        codes of one value are no sign where there are several.

    Raises
    ------
    CaptureError
        If bytes are filled with one value though the picture is not flat, blocks of them are
        repeated, or the picture goes on at another level from some block on.
    """
    grey = pixels if pixels.ndim == 2 else pixels[..., min(1, pixels.shape[2] - 1)]
    start, end = coded
    filled = _longest_fill(data[start:end]) if passes == 1 else 0
    if filled and filled > _flat_blocks(grey):
        raise CaptureError(path, "is damaged: a part of its picture was never written", COPY_AGAIN)
    refuse_repeated_codes(path, data[-(-start // BLOCK) * BLOCK : end])
    if unit:
        refuse_torn(path, grey, unit)


def refuse_torn(path: Path, grey: NDArray[Any], unit: tuple[int, int]) -> None:
    """Refuse one channel of JPEGs whose level jumps from some block on.

    Raises
    ------
    CaptureError
        If it does.
    """
    if torn_blocks(grey, unit):
        what = "is damaged: its picture goes on at another level in the middle of a row"
        raise CaptureError(path, what, COPY_AGAIN)


def refuse_repeated_codes(path: Path, codes: Bytes) -> None:
    """Refuse packed data, from a whole block on, in which a block is there twice.

    Raises
    ------
    CaptureError
        If it is.
    """
    if any(_is_rich(codes[at * BLOCK :][:BLOCK]) for at, _ in _equal_blocks(codes)[0]):
        raise CaptureError(path, "is damaged: blocks of its data are repeated", COPY_AGAIN)


def _longest_fill(data: Bytes) -> int:
    """Return about how many bytes the longest run of one value has, 0 where no block is filled."""
    words = data[: data.size // 8 * 8].view(np.uint64)[:: _FILL_STEP // 8]
    low = words & np.uint64(0xFF)
    filled = words == low * np.uint64(0x0101010101010101)
    same = filled[1:] & (words[1:] == words[:-1])
    edges = np.flatnonzero(np.diff(np.concatenate(([False], same, [False])).astype(np.int8)))
    runs = edges[1::2] - edges[::2]
    longest = int(runs.max(initial=0))
    return longest * _FILL_STEP if longest >= BLOCK // _FILL_STEP - 1 else 0


def _flat_blocks(grey: NDArray[Any]) -> int:
    """Return how many blocks of 8 x 8 pixels are even, and like the one before them.

    Each takes a byte at most, and a run of them may make bytes that are all alike.
    """
    rows, columns = (side // 8 * 8 for side in grey.shape)
    blocks = grey[:rows, :columns].reshape(rows // 8, 8, columns // 8, 8)
    low, high = blocks.min(axis=(1, 3)), blocks.max(axis=(1, 3))
    even = low == high
    return int((even[:, 1:] & (low[:, 1:] == low[:, :-1])).sum())


def _is_rich(block: Bytes) -> bool:
    """Tell whether a block's bytes are of many kinds: the code of an even area is not."""
    return np.unique(block).size >= _RICH


def _holds(decoded: NDArray[Any], pieces: list[tuple[int, int]], dtype: np.dtype[Any]) -> bool:
    """Tell whether a picture in memory holds values as they follow each other in its file."""
    return (
        len(pieces) == 1
        and bool(decoded.flags.c_contiguous)
        and decoded.dtype.itemsize == dtype.itemsize
        and decoded.nbytes == pieces[0][1]
    )


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
    path: Path, raster: Codes, first_byte: int, layout: Layout, white: float | None
) -> list[str]:
    notes = refuse_lost_runs(path, raster, white=white, tile=layout.tile, first_byte=first_byte)
    if repeated_noise(raster, first_byte, layout.colours):
        raise CaptureError(path, "is damaged: blocks of its data are repeated", COPY_AGAIN)
    row = mixed_up(raster, first_byte, apart=layout.apart, tile_rows=layout.tile[0])
    if row is not None:
        what = "is damaged: blocks of its data are in each other's place"
        raise CaptureError(path, what, COPY_AGAIN)
    return notes


def refuse_lost_runs(
    path: Path,
    raster: Codes,
    *,
    white: float | None = None,
    tile: tuple[int, int] = (0, 1),
    first_byte: int | None = None,
) -> list[str]:
    """Refuse values that were never written; return what may be a margin.

    Parameters
    ----------
    path : Path
        The file, for the error.
    raster : ndarray of uint8 or uint16, shape (M, N)
        Codes or counts, in rows as they are stored.
    white : float or None
        Level at which a raw's counts clip: whole rows below it are no margin. None for a scan.
    tile : (int, int)
        As in `Layout`.
    first_byte : int or None
        Where in its file the raster begins. A stretch within a row of a scan may be a line that
        somebody drew, unless a block of the file begins or ends with it.

    Raises
    ------
    CaptureError
        If values were never written.
    """
    tolerance = 1 if raster.dtype.itemsize == 1 or white is not None else 16
    notes = []
    for run in lost_runs(raster, tolerance=tolerance, tile_rows=tile[0], noisy=white is not None):
        top, bottom = (place // raster.shape[1] for place in (run.start, run.stop - 1))
        if tile[0]:
            lost = _is_a_block(raster, run, first_byte, both=True) or _goes_on_in_next_tile(
                raster, run, tile
            )
        elif white is None and run.stop - run.start < raster.shape[1]:
            lost = _is_a_block(raster, run, first_byte)
            if not lost:
                continue
        else:
            lost = not run.whole_rows or (white is not None and run.value < white)
        if lost:
            raise CaptureError(
                path, "is damaged: a part of its picture was never written", COPY_AGAIN
            )
        if white is None and not tile[0]:
            notes.append(
                f"its rows {top} to {bottom} hold one value throughout ({run.value}): a margin, "
                "or a part that was never written; compare it with the original"
            )
    return notes


def _is_a_block(raster: Codes, run: LostRun, first_byte: int | None, *, both: bool = False) -> bool:
    """Tell whether a stretch is as long as a block, and begins or ends with one inside a row.

    ``both``: begins and ends so, or with the raster. Of the many runs that tiles cut out of a
    clipped picture, some begin or end with a block by chance.
    """
    item = raster.itemsize
    if first_byte is None or run.whole_rows or (run.stop - run.start + 2) * item < BLOCK:
        return False
    at_block = [
        (first_byte + place * item) % BLOCK < item and place % raster.shape[1] > 0
        for place in (run.start, run.stop)
    ]
    if both:
        return (at_block[0] or run.start == 0) and (at_block[1] or run.stop == raster.size)
    return any(at_block)


def _goes_on_in_next_tile(raster: Codes, run: LostRun, tile: tuple[int, int]) -> bool:
    """Tell whether a stretch that begins, or ends, inside a tile holds all of the one beside it.

    In a picture an edge that crosses a tile from left to right goes on in the tile beside it.
    """
    rows, across = tile
    columns = raster.shape[1]
    for row, forth in ((run.start // columns, True), (run.stop // columns, False)):
        number = row // rows
        beside = number + 1 if forth else number - 1
        if beside // across != number // across:
            continue
        covered = run.start <= beside * rows * columns and (beside + 1) * rows * columns <= run.stop
        top, bottom = (number * rows, row) if forth else (row + 1, (number + 1) * rows)
        border = raster[top:bottom, -1 if forth else 0]
        if covered and border.size >= _LEAST_BORDER and (border != run.value).mean() >= _SHARP:
            return True
    return False


def repeated_noise(raster: Codes, first_byte: int, colours: int = 1) -> bool:
    """Tell whether two blocks of a file hold the same noise: chance does not repeat itself."""
    data = raster.reshape(-1).view(np.uint8)
    lead = -first_byte % BLOCK
    row_bytes = raster.shape[1] * raster.itemsize
    pairs, stretches = _equal_blocks(data[lead:])
    if stretches > _MOST_STRETCHES:  # a picture that shows the same thing twice
        return False
    for one, other in pairs:
        at = lead + one * BLOCK
        item = raster.itemsize
        values = data[-(-at // item) * item :][: BLOCK - item].view(raster.dtype).astype(np.int64)
        in_column = (other - one) * BLOCK % row_bytes == 0
        if _is_noise(values, colours, thorough=in_column):
            return True
    return False


def _is_noise(values: NDArray[np.int64], colours: int, *, thorough: bool) -> bool:
    """Tell whether a row's values go up and down without a pattern.

    ``thorough``: at many of them. Rows of drawings, and of JPEGs that were saved again, are alike
    over several rows, and have steps at a few places only.
    """
    steps = values[colours:] - values[:-colours]
    if thorough:
        return bool((steps[:-colours] * steps[colours:] < 0).mean() >= _TURNS)
    at = np.flatnonzero(steps)
    if at.size < _LEAST_STEPS or (np.diff(at) % 8 == 0).mean() > 0.5:
        return False
    return bool((np.sign(steps[at[1:]]) != np.sign(steps[at[:-1]])).mean() >= _TURNS / 2)


def _equal_blocks(data: Bytes) -> tuple[list[tuple[int, int]], int]:
    """Return pairs of blocks that are equal byte for byte, and how many stretches they join to.

    Blocks of one value are left out, and pairs after the first hundreds.
    """
    count = data.size // BLOCK
    blocks = data[: count * BLOCK].reshape(count, BLOCK)
    one, other = np.ascontiguousarray(blocks[:, _LOOKED_AT : _LOOKED_AT + 16]).view(np.uint64).T
    filled = (one == other) & (one == (one & np.uint64(0xFF)) * np.uint64(0x0101010101010101))
    keys = ((one ^ (other >> np.uint64(7))) * np.uint64(0x9E3779B97F4A7C15)) >> np.uint64(32)
    if filled.any():
        place = np.flatnonzero(~filled)
        keys = keys[place]
    else:
        place = np.arange(count)
    small = keys.astype(np.uint32)
    in_order = np.sort(small)
    twice = np.unique(in_order[1:][in_order[1:] == in_order[:-1]])
    if not twice.size:  # as with all noisy pictures
        return [], 0
    at = np.minimum(np.searchsorted(twice, small), twice.size - 1)
    place = place[twice[at] == small]  # few of all, so now in full
    keys = one[place] * np.uint64(0x9E3779B97F4A7C15) + other[place]
    order = np.argsort(keys, kind="stable")
    alike = np.flatnonzero(keys[order[1:]] == keys[order[:-1]])
    first, second = place[order[alike]], place[order[alike + 1]]
    order = np.argsort(first)
    first, second = first[order], second[order]
    stretches = 1 + int(((np.diff(first) != 1) | (np.diff(second) != 1)).sum()) if first.size else 0
    pairs = zip(first[:_MOST_PAIRS].tolist(), second[:_MOST_PAIRS].tolist(), strict=True)
    return [(a, b) for a, b in pairs if (blocks[a] == blocks[b]).all()], stretches
