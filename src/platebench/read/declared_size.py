"""How large a capture is, by what its file declares, and the memory that reading it takes.

Bytes on disk say little: four megabytes of PNG may unfold to four gigabytes. So what is planned,
and what is refused for want of memory, goes by the header, before anything is decoded.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO, Final

from platebench.core.errors import CaptureError
from platebench.read import tiff_structure as tiff
from platebench.read.file_kind import FileKind, FoundKind, find_kind, refuse_absurd_size
from platebench.read.jpeg_damage import FRAMES, MOST_STRICT_PIXELS, START_OF_SCAN
from platebench.read.raw import stored_shape
from platebench.read.tiff_picture import picture_directory
from platebench.read.tiff_structure import TiffDirectory, TiffStructure

# Bytes, measured (tests/test_plate_memory.py holds them).
_STRICT_PER_PIXEL: Final = 22  # of the stricter reader of JPEGs
_LOOSE_PER_VALUE: Final = 6  # of libjpeg: a progressive JPEG's coefficients, pixels, counts
_MOSAIC_PER_SITE, _PLANES_PER_VALUE = 3, 5  # of raws
_MARGIN: Final = 1.1
_COUNT: Final = 2
_WIDEST_RATIO: Final = 4  # values in a byte of a raw that says nothing of its size


@dataclass(frozen=True, slots=True)
class DeclaredSize:
    """What a file declares.

    Attributes
    ----------
    values : int
        Photosites of the frame, or pixels times channels; 0 where the file cannot be read at all.
    reading_bytes : int
        Memory that reading it takes at its peak, the frame included.
    """

    values: int
    reading_bytes: int


def declared_size(path: Path, found: FoundKind | None = None) -> DeclaredSize:
    """Return what a capture declares of its size, without decoding it. Never raises.

    Nothing is declared by what readers refuse for its header: they say better what is wrong.

    Parameters
    ----------
    path : Path
        Any file.
    found : FoundKind or None
        What it is, where that is known.
    """
    try:
        found = found or find_kind(path)
        if found.kind is FileKind.RAW:
            return _of_raw(path, found.structure)
        if found.kind is FileKind.TIFF and found.structure is not None:
            return _of_tiff(picture_directory(path, found.structure), found.structure)
        with path.open("rb") as stream:
            of = _of_png if found.kind is FileKind.PNG else _of_jpeg
            return of(stream, path)
    except (CaptureError, OSError):
        return DeclaredSize(0, 0)


def _size(values: int, reading_bytes: float) -> DeclaredSize:
    return DeclaredSize(values, math.ceil(_MARGIN * reading_bytes))


def _of_raw(path: Path, structure: TiffStructure | None) -> DeclaredSize:
    raws = [d for d in structure.directories if d.is_raw] if structure else []
    largest = max(raws, key=_pixels, default=None)
    if largest is not None and _pixels(largest) > 0:
        shape: tuple[int, ...] = (*largest.shape, largest.samples)
    else:
        shape = stored_shape(path) or (path.stat().st_size * _WIDEST_RATIO,)
    values = math.prod(shape)
    planes = len(shape) == 3 and shape[2] > 1
    return _size(values, values * (_PLANES_PER_VALUE if planes else _MOSAIC_PER_SITE))


def _of_tiff(directory: TiffDirectory, structure: TiffStructure) -> DeclaredSize:
    pixels, samples = _pixels(directory), directory.samples
    values = pixels * (3 if samples >= 3 else 1)
    bits = directory.first(tiff.BITS, 1)
    item = 1 if bits <= 8 else _COUNT
    decoded = item * pixels * samples
    remade = item == 1 or bits not in (8, 16) or samples not in (1, 3) or structure.big_endian
    remade |= directory.first(tiff.PLANAR, 1) != 1 or directory.first(tiff.PHOTOMETRIC, 1) == 0
    remade |= any(tag in directory.tags for tag in (tiff.MAX_SAMPLE, tiff.S_MAX_SAMPLE))
    turned = directory.first(tiff.ORIENTATION, 1) != 1
    packing = directory.first(tiff.COMPRESSION, 1)
    piece = _piece_pixels(directory)
    unpacking = 0 if packing == 1 else 2 * item * piece * samples
    counts = _COUNT * values * (remade + turned)
    strict = _STRICT_PER_PIXEL * min(piece, MOST_STRICT_PIXELS) if packing in (6, 7) else 0
    return _size(values, max(strict, decoded + max(unpacking, counts)))


def _pixels(directory: TiffDirectory) -> int:
    rows, columns = directory.shape
    return max(rows, 0) * max(columns, 0)


def _piece_pixels(directory: TiffDirectory) -> int:
    rows, columns = directory.shape
    height = directory.first(tiff.TILE_HEIGHT, directory.first(tiff.ROWS_PER_STRIP, rows))
    return max(0, min(height, rows) * min(directory.first(tiff.TILE_WIDTH, columns), columns))


_PNG_CHANNELS: Final = {0: 1, 2: 3, 3: 1, 4: 2, 6: 4}


def _of_png(stream: BinaryIO, path: Path) -> DeclaredSize:
    head = stream.read(26)
    columns, rows = int.from_bytes(head[16:20], "big"), int.from_bytes(head[20:24], "big")
    bits, channels = (head[24], _PNG_CHANNELS.get(head[25], 4)) if len(head) == 26 else (8, 1)
    pixels = rows * columns
    values = pixels * (3 if channels >= 3 else 1)
    item = 1 if bits <= 8 else _COUNT
    file_bytes = path.stat().st_size
    refuse_absurd_size(path, (rows, columns), item * pixels * channels, file_bytes)
    counts = 0 if item == _COUNT and channels in (1, 3) else _COUNT * values
    return _size(values, 2 * file_bytes + item * pixels * channels + counts)


def _of_jpeg(stream: BinaryIO, path: Path) -> DeclaredSize:
    """Walk the markers up to the frame's, without reading what they hold."""
    stream.seek(2)
    while len(head := stream.read(4)) == 4 and head[0] == 0xFF:
        if head[1] == 0xFF:
            stream.seek(-3, 1)
            continue
        if head[1] == START_OF_SCAN:
            break
        if head[1] in FRAMES:
            frame = stream.read(6)
            if len(frame) < 6:
                break
            rows, columns = (int.from_bytes(frame[at : at + 2], "big") for at in (1, 3))
            pixels, file_bytes = rows * columns, path.stat().st_size
            values = pixels * (3 if frame[5] >= 3 else 1)
            refuse_absurd_size(path, (rows, columns), values, file_bytes)
            strict = _STRICT_PER_PIXEL * pixels if pixels <= MOST_STRICT_PIXELS else 0
            return _size(values, file_bytes + max(strict, _LOOSE_PER_VALUE * values))
        stream.seek(int.from_bytes(head[2:4], "big") - 2, 1)
    return DeclaredSize(0, 0)
