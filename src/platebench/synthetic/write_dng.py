"""Write simulated captures as real raw files: Digital Negative (DNG) 1.4, a TIFF with raw tags.

Tag numbers and meanings: Adobe, Digital Negative Specification 1.4; colour filter tags from
TIFF/EP (ISO 12234-2); capture data in an Exif directory (CIPA DC-008).
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path
from typing import IO, Any

import imagecodecs
import numpy as np
import tifffile
from numpy.typing import NDArray

from platebench.core.files import atomic_write
from platebench.core.image import SensorFrame

_CFA, _LINEAR_RAW = 32803, 34892
_LOSSLESS_JPEG = 7
_TILE = 640
# XYZ to camera colour. Any well-behaved matrix serves: nothing here measures colour.
_COLOUR_MATRIX = ((0.82, -0.25, -0.08), (-0.45, 1.24, 0.23), (-0.09, 0.20, 0.61))
_EXIF_POINTER = 34665
_PLACEHOLDER = 34664  # tifffile writes no Exif pointer itself; this unused number becomes it

Tag = tuple[int, int, int, Any, bool]
_BYTE, _ASCII, _SHORT, _LONG, _RATIONAL, _SRATIONAL = 1, 2, 3, 4, 5, 10


def write_dng(path: Path, frame: SensorFrame, *, compress: bool = False) -> None:
    """Write a frame as a raw file that raw converters open.

    A mosaic becomes a CFA raw; one channel or three become a linear raw.

    Parameters
    ----------
    path : Path
        Ends in ``.dng``; replaced if it exists.
    frame : SensorFrame
        ``frame.curve`` must be None: counts are linear in a raw of ours.
    compress : bool
        Lossless JPEG tiles, as cameras write, in place of plain numbers. One value a site only.

    Raises
    ------
    ValueError
        If the frame has a curve, or three channels to compress.
    WriteError
        If the disk refuses.
    """
    if frame.curve is not None:
        raise ValueError("a DNG of ours holds linear counts; this frame has a curve")
    if compress and frame.counts.ndim == 3:
        raise ValueError("a linear raw of three channels is written without compression")
    options: dict[str, Any] = {
        "photometric": _LINEAR_RAW if frame.counts.ndim == 3 else _CFA,
        "metadata": None,
        "software": "platebench simulator",
        "extratags": _tags(frame),
        "subfiletype": 0,
    }
    if frame.counts.ndim == 3:
        options["planarconfig"] = 1
    with atomic_write(path) as stream:
        if compress:
            tifffile.imwrite(
                stream,
                _tiles(frame.counts, _bits(frame.white)),
                shape=frame.counts.shape,
                dtype=np.uint16,
                compression=_LOSSLESS_JPEG,
                tile=_tile(frame.counts),
                bitspersample=_bits(frame.white),
                **options,
            )
        else:
            tifffile.imwrite(stream, frame.counts, rowsperstrip=64, **options)
        _finish(stream, frame)


def _bits(white: float) -> int:
    return next(bits for bits in (12, 14, 16) if white < 2**bits)


def _tile(counts: NDArray[np.uint16]) -> tuple[int, int]:
    """Return a tile's size, no wider than the picture: LibRaw reads those wrongly."""
    rows, columns = counts.shape[:2]
    return min(_TILE, -(-rows // 16) * 16), min(_TILE, max(16, columns // 16 * 16))


def _tiles(counts: NDArray[np.uint16], bits: int) -> Iterator[bytes]:
    rows, columns = _tile(counts)
    for top in range(0, counts.shape[0], rows):
        for left in range(0, counts.shape[1], columns):
            tile = counts[top : top + rows, left : left + columns]
            short = ((0, rows - tile.shape[0]), (0, columns - tile.shape[1]))
            padded = np.pad(tile, short + ((0, 0),) * (tile.ndim - 2), mode="edge")
            yield bytes(imagecodecs.ljpeg_encode(padded, bitspersample=bits))


def _tags(frame: SensorFrame) -> list[Tag]:
    make, _, model = (frame.info.camera or "Unnamed Camera").partition(" ")
    colours = 1 if frame.counts.ndim == 2 and frame.pattern.size == 1 else 3
    channels = 3 if frame.counts.ndim == 3 else 1
    tags: list[Tag] = [
        (271, _ASCII, 0, make, True),
        (272, _ASCII, 0, f"{make} {model}", True),
        (274, _SHORT, 1, frame.info.orientation, True),
        (50706, _BYTE, 4, (1, 4, 0, 0), True),
        (50707, _BYTE, 4, (1, 3, 0, 0), True),
        (50708, _ASCII, 0, f"{make} {model}", True),
        *_black_tags(frame),
        (50717, _LONG, channels, (int(frame.white),) * channels, True),
        (_PLACEHOLDER, _LONG, 1, 0, True),
    ]
    if frame.pattern.size > 1:
        tags += [
            (33421, _SHORT, 2, frame.pattern.shape, True),
            (33422, _BYTE, frame.pattern.size, frame.pattern.tobytes(), True),
        ]
    if colours == 3:
        matrix = [part for row in _COLOUR_MATRIX for x in row for part in (round(x * 10000), 10000)]
        tags += [
            (50721, _SRATIONAL, 9, tuple(matrix), True),
            (50728, _RATIONAL, 3, (55, 100, 100, 100, 70, 100), True),
            (50778, _SHORT, 1, 21, True),  # D65
        ]
    return tags


def _black_tags(frame: SensorFrame) -> list[Tag]:
    if frame.counts.ndim == 3:
        repeat, levels = (1, 1), frame.black
    else:
        repeat, levels = frame.black.shape, frame.black.ravel()
    rationals = tuple(part for level in levels for part in (round(float(level) * 256), 256))
    return [
        (50713, _SHORT, 2, repeat, True),
        (50714, _RATIONAL, len(rationals) // 2, rationals, True),
    ]


def _finish(stream: IO[bytes], frame: SensorFrame) -> None:
    """Write what tifffile does not: an Exif directory, and linear raw of one channel."""
    stream.flush()
    with tifffile.TiffFile(stream.name) as tiff:
        order = tiff.byteorder
        tags = tiff.pages[0].tags  # type: ignore[union-attr]
        entry, photometric = tags[_PLACEHOLDER].offset, tags[262].valueoffset
    stream.seek(0, 2)
    stream.write(b"\0" * (stream.tell() % 2))
    at = stream.tell()
    stream.write(_exif_bytes(frame, at, order))
    stream.seek(entry)
    stream.write(struct.pack(order + "HHII", _EXIF_POINTER, _LONG, 1, at))
    if frame.pattern.size == 1:
        stream.seek(photometric)
        stream.write(struct.pack(order + "H", _LINEAR_RAW))


def _exif_bytes(frame: SensorFrame, at: int, order: str) -> bytes:
    info = frame.info
    fields: list[tuple[int, int, int, bytes]] = []  # tag, type, count, packed value

    def rational(tag: int, value: float | None) -> None:
        if value is not None:
            share = Fraction(value).limit_denominator(100000)
            packed = struct.pack(order + "II", share.numerator, share.denominator)
            fields.append((tag, _RATIONAL, 1, packed))

    rational(33434, info.exposure_s)
    rational(33437, info.f_number)
    if info.iso is not None:
        fields.append((34855, _SHORT, 1, struct.pack(order + "H", round(info.iso))))
    fields.append((36864, 7, 4, b"0230"))
    if info.taken is not None:
        text = info.taken.strftime("%Y:%m:%d %H:%M:%S").encode() + b"\0"
        fields.append((36867, _ASCII, len(text), text))
    rational(37386, info.focal_length_mm)

    entries, values = b"", b""
    values_at = at + 2 + 12 * len(fields) + 4
    for tag, kind, count, packed in fields:
        if len(packed) <= 4:
            slot = packed.ljust(4, b"\0")
        else:
            slot = struct.pack(order + "I", values_at + len(values))
            values += packed + b"\0" * (len(packed) % 2)
        entries += struct.pack(order + "HHI", tag, kind, count) + slot
    return struct.pack(order + "H", len(fields)) + entries + b"\0" * 4 + values
