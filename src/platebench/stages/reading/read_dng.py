"""A plain DNG to sensor counts: read from its own tags, by a faster decoder than LibRaw's.

LibRaw's decoder of lossless JPEG takes more than half of a plate's time. A DNG says all there is
to know in tags of an open specification, so the plain ones do not need it: one mosaic in lossless
JPEG. Whatever else a DNG may hold is left to LibRaw, uncompressed counts too: those it reads fast.

References
----------
Adobe, *Digital Negative Specification* 1.4 (and 1.7 for the interleaving tags), chapter 4.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from platebench.errors import CaptureError
from platebench.image import MONO_PATTERN, CaptureInfo, CaptureKind, SensorFrame
from platebench.stages.reading import metadata
from platebench.stages.reading import tiff_structure as tiff
from platebench.stages.reading.lossless_jpeg import UnusualJpegError, decode_lossless
from platebench.stages.reading.raw_levels import RawLevels, dng_levels, refuse_upside_down
from platebench.stages.reading.remedies import FREE_MEMORY
from platebench.stages.reading.tiff_structure import TiffDirectory, TiffStructure
from platebench.stages.reading.unread import refuse_unread

Counts = NDArray[np.uint16]

_LOSSLESS_JPEG = 7
_FIRST_VERSION: Final = (1, 1)  # before it, lossless JPEG counted 16-bit differences otherwise
_NEEDED = ("exposure_s", "f_number", "iso")  # where one is absent, LibRaw asks makers' notes
# Values that change nothing; with any other, LibRaw is asked.
_HARMLESS: Final[dict[int, tuple[float, ...]]] = {
    tiff.CFA_COLOURS: (0, 1, 2),
    tiff.CFA_LAYOUT: (1,),
    tiff.SCALE: (1, 1),
    tiff.SAMPLES: (1,),
    tiff.SAMPLE_FORMAT: (1,),
    tiff.PLANAR: (1,),
    tiff.SUB_TILE: (1, 1),
    tiff.ROW_INTERLEAVE: (1,),
    tiff.COLUMN_INTERLEAVE: (1,),
}
_PATTERNS = ((2, 2), (6, 6))


def read_plain_dng(path: Path, structure: TiffStructure | None) -> SensorFrame | None:
    """Read a plain DNG's counts.

    Parameters
    ----------
    path : Path
        A raw file.
    structure : TiffStructure or None
        Its TIFF directories, where it has them; every strip or tile is in the file.

    Returns
    -------
    SensorFrame or None
        None for what is not a plain DNG, or cannot be read so: that is LibRaw's.

    Raises
    ------
    CaptureError
        If the counts were never written, there is not enough memory for them, or black is
        not below white.
    """
    directory = structure.sensor if structure else None
    if structure is None or directory is None or not _is_plain(structure, directory):
        return None
    levels = _levels(structure, directory)
    fields = metadata.fields_from_file(path)
    if levels is None or any(name not in fields for name in _NEEDED):
        return None
    top, left, bottom, right = _visible(directory)
    try:
        stored = _stored(path, directory)
    except (UnusualJpegError, OSError):
        return None
    except MemoryError as error:
        raise CaptureError(path, "needs more memory than there is", FREE_MEMORY) from error
    refuse_upside_down(path, levels)
    counts = stored[top:bottom, left:right]
    refuse_unread(path, counts, levels.white)
    info = CaptureInfo(
        path=path,
        kind=CaptureKind.RAW,
        camera=fields.get("camera"),
        taken=fields.get("taken"),
        focal_length_mm=fields.get("focal_length_mm"),
        orientation=fields.get("orientation", 1),
        no_date=fields.get("no_date"),
        notes=(*levels.notes, *metadata.date_notes(fields)),
        **{name: fields[name] for name in _NEEDED},
    )
    return SensorFrame(
        counts=counts, pattern=levels.pattern, black=levels.black, white=levels.white, info=info
    )


def _is_plain(structure: TiffStructure, directory: TiffDirectory) -> bool:
    """Whether the tags describe one mosaic without anything that changes its counts or order."""
    version = next(d.tags[tiff.DNG_VERSION] for d in structure.directories if _versioned(d))
    mosaics = [d for d in structure.directories if d.is_raw and not d.is_reduced]
    top, left, bottom, right = _visible(directory)
    rows, columns = directory.shape
    return (
        version[:2] >= _FIRST_VERSION
        and len(mosaics) == 1
        and not structure.damage
        and directory.first(tiff.COMPRESSION, 1) == _LOSSLESS_JPEG
        and directory.absent_pieces == 0
        and tiff.LINEARIZATION not in directory.tags
        and all(directory.tags.get(tag, value) == value for tag, value in _HARMLESS.items())
        and 0 <= top < bottom <= rows
        and 0 <= left < right <= columns
    )


def _versioned(directory: TiffDirectory) -> bool:
    return tiff.DNG_VERSION in directory.tags


def _visible(directory: TiffDirectory) -> tuple[int, int, int, int]:
    """Return the active area: top, left, bottom, right."""
    rows, columns = directory.shape
    area = directory.tags.get(tiff.ACTIVE_AREA, (0, 0, rows, columns))
    top, left, bottom, right = (int(edge) for edge in (*area, 0, 0, 0, 0)[:4])
    return top, left, bottom, right


def _levels(structure: TiffStructure, directory: TiffDirectory) -> RawLevels | None:
    """Return pattern, black and white from the tags; None where they leave something open."""
    pattern = _pattern(directory)
    stated = all(tag in directory.tags for tag in (tiff.BLACK_LEVEL, tiff.WHITE_LEVEL))
    if pattern is None or not stated:
        return None
    blank = RawLevels(pattern=pattern, black=np.zeros(pattern.shape, np.float32), white=65535.0)
    levels = dng_levels(structure, blank, _visible(directory)[:2])
    return levels if levels.black.any() else None  # LibRaw may know better than zero


def _pattern(directory: TiffDirectory) -> NDArray[np.uint8] | None:
    """Return the colour of each site from the active area's top left; None if it is unusual."""
    if directory.first(tiff.PHOTOMETRIC, -1) == tiff.PHOTOMETRIC_LINEAR_RAW:
        return MONO_PATTERN
    repeat = directory.tags.get(tiff.CFA_REPEAT, ())
    colours = directory.tags.get(tiff.CFA_PATTERN, ())
    if repeat not in _PATTERNS or len(colours) != repeat[0] * repeat[1]:
        return None
    top, left = _visible(directory)[:2]
    # Readers differ about which corner a pattern starts from, unless both corners agree.
    if set(colours) != {0, 1, 2} or top % repeat[0] or left % repeat[1]:
        return None
    return np.array(colours, np.uint8).reshape(int(repeat[0]), int(repeat[1]))


def _stored(path: Path, directory: TiffDirectory) -> Counts:
    """Return all counts the file stores, margins included."""
    rows, columns = directory.shape
    stored = np.empty((rows, columns), np.uint16)
    with path.open("rb") as stream:
        for (top, left), shape, (offset, size) in _layout(directory):
            stream.seek(offset)
            room = stored[top : top + shape[0], left : left + shape[1]]
            room[...] = decode_lossless(stream.read(size), shape, room.shape)
    return stored


def _layout(
    directory: TiffDirectory,
) -> Iterator[tuple[tuple[int, int], tuple[int, int], tuple[int, int]]]:
    """Yield top left, coded shape, and offset and size in the file, of each strip or tile.

    Tiles at the right and bottom are coded whole, and the last strip short (TIFF 6.0, sections 3
    and 15).
    """
    rows, columns = directory.shape
    tiled = tiff.TILE_OFFSETS in directory.tags
    height = directory.first(tiff.TILE_HEIGHT if tiled else tiff.ROWS_PER_STRIP, rows) or 1
    width = directory.first(tiff.TILE_WIDTH, columns) or 1 if tiled else columns
    pieces = iter(directory.pieces)
    for top in range(0, rows, height):
        for left in range(0, columns, width):
            coded = height if tiled else min(height, rows - top)
            yield (top, left), (coded, width), next(pieces)
