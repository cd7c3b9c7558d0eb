"""A plain DNG to sensor counts: read from its own tags, by a faster decoder than LibRaw's.

LibRaw's decoder of lossless JPEG takes more than half of a plate's time. A DNG says all there is
to know in tags of an open specification, so the plain ones do not need it: one mosaic in lossless
JPEG. Whatever else a DNG may hold is left to LibRaw, uncompressed counts too: those it reads fast.

The decoder of lossless JPEG and the guard on its results come first, the reader of the tags after
them.

References
----------
Adobe, *Digital Negative Specification* 1.4 (and 1.7 for the interleaving tags), chapter 4.
"""

from __future__ import annotations

import re
import struct
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

import imagecodecs
import numpy as np
from numpy.typing import NDArray

from platebench.core.errors import CaptureError
from platebench.core.image import MONO_PATTERN, CaptureInfo, CaptureKind, SensorFrame
from platebench.read import metadata
from platebench.read import tiff_structure as tiff
from platebench.read.file_kind import COPY_AGAIN, FREE_MEMORY
from platebench.read.raster_runs import BLOCK
from platebench.read.raw_levels import RawLevels, dng_levels, refuse_upside_down
from platebench.read.tiff_structure import TiffDirectory, TiffStructure
from platebench.read.unread import refuse_unread
from platebench.read.written import refuse_repeated_codes

_START, _FRAME, _TABLES, _SCAN, _COMMENT = 0xD8, 0xC3, 0xC4, 0xDA, 0xFE
_APPLICATION = range(0xE0, 0xF0)
_END = bytes((0xFF, 0xD9))
_MARK = re.compile(rb"\xff[^\0]", re.DOTALL)
# No mark among them, not of one kind, and after half a pair of bytes its end.
_OTHER_CODES = (b"\0" + b"\x5a" * 63, b"\0" + b"\xa5" * 63)
_LAST = 16  # differences at the end that are all alike by chance in one tile of a billion

Ints = NDArray[np.int64]
# From the counts to the left, above, and above to the left (T.81, table H.1).
_PREDICTIONS: Final[dict[int, Callable[[Ints, Ints, Ints], Ints]]] = {
    1: lambda left, _above, _corner: left,
    2: lambda _left, above, _corner: above,
    3: lambda _left, _above, corner: corner,
    4: lambda left, above, corner: left + above - corner,
    5: lambda left, above, corner: left + ((above - corner) >> 1),
    6: lambda left, above, corner: above + ((left - corner) >> 1),
    7: lambda left, above, _corner: (left + above) >> 1,
}


class UnusualJpegError(ValueError):
    """Not the plain lossless JPEG of raw files, or damaged. Caught inside the reading stage."""


class WrongCodesError(ValueError):
    """Codes are left over, or not the picture's, which LibRaw would not say. Caught as above."""


def decode_lossless(
    data: bytes, shape: tuple[int, int], used: tuple[int, int]
) -> NDArray[np.uint16]:
    """Return the counts of a strip or tile.

    Parameters
    ----------
    data : bytes
        One lossless JPEG. Writers may code a row of N counts as N / c pixels of c components.
    shape : (int, int)
        Rows and columns that are coded.
    used : (int, int)
        How many of them, from the top left, are of the picture; the rest may be anything.

    Returns
    -------
    ndarray of uint16, shape ``used``

    Raises
    ------
    UnusualJpegError
        If it is something else, of another size, or ends early.
    WrongCodesError
        If codes are left over or missing, or give counts of more bits than the header says.
    """
    coded = _read_header(data)
    if coded.shape != shape:
        raise UnusualJpegError("another size")
    end = _end_of_codes(data, coded.codes_at)
    more = (shape[0] + 1).to_bytes(2, "big")
    data = data[: coded.rows_at] + more + data[coded.rows_at + 2 : end]
    decoded = _decoded(data + _END, coded)
    counts = decoded[: used[0], : used[1]]
    if _filled_up(counts, coded):
        if _depends_on(data, coded, decoded):
            raise WrongCodesError("fewer codes than counts")
        if not _depends_on(data[: -len(_OTHER_CODES[0])], coded, decoded):
            raise WrongCodesError("more codes than counts")
        raise UnusualJpegError("an end that may be made up")
    beyond = _differences(decoded[-2:].astype(np.int64), coded)[2 * coded.components :]
    if np.ptp(decoded[-1]) and beyond.size and (beyond != beyond[-1]).any():
        raise WrongCodesError("more codes than counts")
    if int(counts.max()) >> coded.bits:
        raise WrongCodesError("counts too large for its bits")
    return counts


def _decoded(data: bytes, coded: _Coded) -> NDArray[np.uint16]:
    """Return counts of one row more than there is."""
    try:
        decoded = imagecodecs.jpeg8_decode(data, colorspace="unknown", outcolorspace="unknown")
    except (imagecodecs.Jpeg8Error, ValueError) as error:
        raise UnusualJpegError(str(error)) from error
    return np.asarray(decoded, np.uint16).reshape(coded.shape[0] + 1, coded.shape[1])


def _depends_on(kept: bytes, coded: _Coded, decoded: NDArray[np.uint16]) -> bool:
    """Tell whether counts depend on codes after those that are ``kept``."""
    others = (_decoded(kept + other + _END, coded) for other in _OTHER_CODES)
    return any((other[:-1] != decoded[:-1]).any() for other in others)


def check_codes(data: bytes) -> None:
    """Decode a strip or tile that another reader reads, whatever its size, for the errors.

    Some cameras code two rows as one of twice the length.

    Raises
    ------
    UnusualJpegError, WrongCodesError
        As above.
    """
    coded = _read_header(data)
    if _MARK.search(data, coded.codes_at) is None:
        data += _END  # without its end, LibRaw reads it all the same
    decode_lossless(data, coded.shape, coded.shape)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Coded:
    """What a header says: counts, not pixels, in a row; where in the stream the codes begin."""

    shape: tuple[int, int]
    bits: int
    components: int
    predictor: int = 0
    rows_at: int = 0
    codes_at: int = 0


def _end_of_codes(data: bytes, codes_at: int) -> int:
    """Return where the codes end, which is where the first mark is: no code looks like one.

    T.81, B.1.1.5. Writers may add zeros, to round up a size.
    """
    mark = _MARK.search(data, codes_at)
    if mark is None:
        raise UnusualJpegError("cut off")
    if mark[0] != _END or data[mark.end() :].strip(b"\0"):
        raise UnusualJpegError("a mark among the codes")
    return mark.start()


def _filled_up(counts: NDArray[np.uint16], coded: _Coded) -> bool:
    """Tell whether the end looks like what libjpeg-turbo puts where there are no codes any more.

    That is one code over and over to the end of a row, and middle grey in the rows after it. The
    even end of a clipped sky looks the same; but more codes after it change none of it.
    """
    if (counts[-1] == 1 << (coded.bits - 1)).all():
        return True
    apart = coded.components
    rows = counts[-2:, -(_LAST + 1) * apart :].astype(np.int64)
    if rows.shape[1] < (_LAST + 1) * apart:
        return False
    differences = _differences(rows, coded)
    return bool((differences[:-apart] == differences[apart:]).all())


def _differences(rows: Ints, coded: _Coded) -> Ints:
    """Return what was coded of the last of one or two rows, without its first count."""
    above, last, apart = rows[0], rows[-1], coded.components
    predict = _PREDICTIONS[coded.predictor if len(rows) == 2 else 1]
    coded_as: Ints = last[apart:] - predict(last[:-apart], above[apart:], above[:-apart])
    return coded_as % 65536


def _read_header(data: bytes) -> _Coded:
    """Read a header without surprises."""
    if data[:2] != bytes((0xFF, _START)):
        raise UnusualJpegError("no JPEG")
    at, frame = 2, None
    while len(data) >= at + 4:
        mark, kind, length = struct.unpack_from(">BBH", data, at)
        part = data[at + 4 : at + 2 + length]
        if mark != 0xFF or len(part) < length - 2:
            break
        at += 2 + length
        if kind == _FRAME:
            frame = replace(_read_frame(part), rows_at=at - length + 3)
        elif kind == _SCAN:
            if frame is None or not _plain_scan(part):
                break
            return replace(frame, predictor=part[-3], codes_at=at)
        elif kind not in (_TABLES, _COMMENT, *_APPLICATION):
            break
    raise UnusualJpegError("not the plain lossless JPEG of raw files")


def _read_frame(part: bytes) -> _Coded:
    """Read a frame header whose components are all sampled alike."""
    if len(part) < 6 or len(part) != 6 + 3 * part[5]:
        raise UnusualJpegError("a damaged header")
    bits, rows, columns, components = struct.unpack_from(">BHHB", part)
    if any(factors != 0x11 for factors in part[7::3]):
        raise UnusualJpegError("components of different sizes")
    return _Coded(shape=(rows, columns * components), bits=bits, components=components)


def _plain_scan(part: bytes) -> bool:
    """Whether all is in one scan of a known predictor, no bits shifted out."""
    return len(part) == 4 + 2 * part[0] and part[-3] in _PREDICTIONS and part[-1] & 0x0F == 0


Counts = NDArray[np.uint16]

_LOSSLESS_JPEG = 7
_FIRST_VERSION: Final = (1, 1)  # before it, lossless JPEG counted 16-bit differences otherwise
# Where one is absent, LibRaw asks makers' notes; a lens without contacts has no f-number.
_NEEDED = ("exposure_s", "iso")
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
    except WrongCodesError as error:
        raise CaptureError(path, f"is damaged: it holds {error}", COPY_AGAIN) from error
    except MemoryError as error:
        raise CaptureError(path, "needs more memory than there is", *FREE_MEMORY) from error
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
        f_number=fields.get("f_number"),
        **{name: fields[name] for name in _NEEDED},
    )
    return SensorFrame(
        counts=counts, pattern=levels.pattern, black=levels.black, white=levels.white, info=info
    )


def refuse_wrong_codes(path: Path, structure: TiffStructure) -> None:
    """Refuse a DNG in lossless JPEG that holds other codes than were written.

    Of the DNGs that LibRaw reads: it may read such a one in silence. What is not plain lossless
    JPEG is let pass.

    Raises
    ------
    CaptureError
        If codes are left over, or their counts have too many bits.
    """
    directory = structure.sensor
    if directory is None or directory.first(tiff.COMPRESSION, 1) != _LOSSLESS_JPEG:
        return
    held = np.memmap(path, np.uint8, "r")
    with path.open("rb") as stream:
        for offset, size in directory.pieces:
            refuse_repeated_codes(path, held[-(-offset // BLOCK) * BLOCK : offset + size])
            stream.seek(offset)
            try:
                check_codes(stream.read(size))
            except UnusualJpegError:
                continue
            except WrongCodesError as error:
                what = f"is damaged: it holds {error}"
                raise CaptureError(path, what, COPY_AGAIN) from error


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
