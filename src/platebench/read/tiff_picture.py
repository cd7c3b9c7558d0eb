"""Which picture of a TIFF is read, and what its codes stand for: all its declarations checked.

References
----------
Adobe, *TIFF Revision 6.0* (1992): sections 4 and 18 to 21; MaxSampleValue in section 8.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import Final

from platebench.core.errors import CaptureError
from platebench.read import tiff_structure as tiff
from platebench.read.file_kind import AS_TIFF, COPY_AGAIN, refuse_absurd_size
from platebench.read.scan_header import FULL_BITS
from platebench.read.tiff_structure import TiffDirectory, TiffStructure

WHITE_IS_ZERO: Final = 0
_BLACK_IS_ZERO, _RGB, _YCBCR = 1, 2, 6
_COLOURS: Final = {WHITE_IS_ZERO: 1, _BLACK_IS_ZERO: 1, _RGB: 3, _YCBCR: 3}
_PLAIN, _JPEG, _FAX = 1, (6, 7), (2, 3, 4, 32771)
_USUAL_COEFFICIENTS: Final = (0.299, 0.587, 0.114)  # section 21; all that JPEG decoders know
_SHARE_OF_EXTRA: Final = 1.5  # stored over declared bytes, uncompressed; beyond it one is wrong
_UNUSABLE = {3: "has colours from a palette", 4: "is a mask", 5: "is a CMYK picture"}
_UNUSABLE |= {8: "is a Lab picture", 9: "is a Lab picture", 10: "is a Lab picture"}


def packed_as_jpeg(directory: TiffDirectory) -> bool:
    """Tell whether a picture is packed as JPEGs."""
    return directory.first(tiff.COMPRESSION, _PLAIN) in _JPEG


def stated_bits(directory: TiffDirectory, largest: int) -> int | None:
    """Return the bits that tags give as the largest value, where they can be believed.

    By TIFF 6.0 MaxSampleValue is a statistic of the picture. So only the full scale of 9 to 15
    bits counts, and only where no value passes it: ``largest`` is that of the picture.
    """
    if directory.first(tiff.BITS, 1) != FULL_BITS:
        return None
    for tag in (tiff.S_MAX_SAMPLE, tiff.MAX_SAMPLE):
        stated = {int(value) for value in directory.tags.get(tag, ())[: directory.samples]}
        bits = next((bits for bits in range(9, FULL_BITS) if stated == {(1 << bits) - 1}), None)
        if bits is not None and largest < 1 << bits:
            return bits
    return None


def pictures_of(structure: TiffStructure) -> list[TiffDirectory]:
    """Return the full-size pictures of the main chain."""
    return [d for d in structure.directories if d.index is not None and not d.is_reduced]


def picture_directory(path: Path, structure: TiffStructure) -> TiffDirectory:
    """Return the largest full-size picture of a TIFF, all its declarations checked.

    Raises
    ------
    CaptureError
        If they contradict the file, or the picture is of a kind that is not measured here.
    """
    pictures = pictures_of(structure)
    if not pictures:
        raise CaptureError(path, "holds no full-size picture", AS_TIFF)
    whole = [d for d in pictures if d.pieces and not d.bytes_past(structure.file_bytes)]
    directory = max(whole or pictures[:1], key=lambda d: d.shape[0] * d.shape[1])
    rows, columns = directory.shape
    bits = directory.tags.get(tiff.BITS, (1,))
    kind = directory.first(tiff.PHOTOMETRIC, -1)
    damage = f" ({structure.damage[0]})" if structure.damage else ""
    if rows <= 0 or columns <= 0 or not directory.pieces:
        raise CaptureError(path, f"is a damaged TIFF: no size or no data{damage}", COPY_AGAIN)
    if kind in _UNUSABLE:
        raise CaptureError(path, _UNUSABLE[kind], AS_TIFF)
    if kind not in (WHITE_IS_ZERO, _BLACK_IS_ZERO, _RGB, _YCBCR):
        raise CaptureError(path, f"is a TIFF of an unknown kind of picture ({kind})", AS_TIFF)
    if max(bits) == 1:
        raise CaptureError(path, "has one bit a pixel, black or white only", AS_TIFF)
    unsigned = set(directory.tags.get(tiff.SAMPLE_FORMAT, (1,))) == {1}
    if not unsigned or max(bits) > FULL_BITS or len(set(bits)) > 1:
        raise CaptureError(path, "does not hold whole numbers of up to 16 bits", AS_TIFF)
    if directory.samples - _COLOURS[kind] not in (0, 1):
        what = f"has {directory.samples} values a pixel, which is not grey or RGB"
        raise CaptureError(path, what, AS_TIFF)
    _refuse_other_codes(path, directory)
    missing = directory.bytes_past(structure.file_bytes)
    if missing:
        what = f"is cut off: {missing} bytes of its picture data are missing"
        raise CaptureError(path, what, COPY_AGAIN)
    if directory.absent_pieces:
        what = f"is damaged: {directory.absent_pieces} parts of its picture are not there"
        raise CaptureError(path, what, COPY_AGAIN)
    refuse_absurd_size(path, directory.shape, directory.declared_bytes, structure.file_bytes)
    if directory.first(tiff.COMPRESSION, 1) == 1:
        short = directory.declared_bytes - directory.stored_bytes
        if short > 0:
            what = f"is cut off: {short} bytes of its picture data are missing"
            raise CaptureError(path, what, COPY_AGAIN)
        if directory.stored_bytes > _SHARE_OF_EXTRA * _padded_bytes(directory):
            what = "holds far more data than its size and bits account for"
            raise CaptureError(path, what, AS_TIFF)
    return directory


def _padded_bytes(directory: TiffDirectory) -> int:
    """Return the bytes of an uncompressed picture, padded to whole tiles where it has them."""
    if tiff.TILE_OFFSETS not in directory.tags:
        return directory.declared_bytes
    rows, columns = directory.shape
    height = directory.first(tiff.TILE_HEIGHT, 0) or rows
    width = directory.first(tiff.TILE_WIDTH, 0) or columns
    row_bytes = -(-width * directory.samples * directory.first(tiff.BITS, 1) // 8)
    return -(-rows // height) * height * -(-columns // width) * row_bytes


def _refuse_other_codes(path: Path, directory: TiffDirectory) -> None:
    """Refuse codes that stand for something else than light from black to white."""
    kind = directory.first(tiff.PHOTOMETRIC, -1)
    packing = directory.first(tiff.COMPRESSION, _PLAIN)
    bits = directory.first(tiff.BITS, 1)
    if packing in _FAX and bits > 1:
        what = f"is a damaged TIFF: it is packed as a fax and declares {bits} bits"
        raise CaptureError(path, what, COPY_AGAIN)
    if kind == _YCBCR and packing not in _JPEG:
        raise CaptureError(path, "is coded as brightness and colour differences (YCbCr)", AS_TIFF)
    coefficients = directory.tags.get(tiff.YCBCR_COEFFICIENTS, _USUAL_COEFFICIENTS)
    if kind == _YCBCR and not _alike(coefficients, _USUAL_COEFFICIENTS):
        raise CaptureError(path, "is coded as YCbCr with coefficients of its own", AS_TIFF)
    full = float((1 << bits) - 1)
    middle = 128.0 if kind == _YCBCR else 0.0
    usual = (0.0, full, middle, full, middle, full)
    stated = directory.tags.get(tiff.REFERENCE_BLACK_WHITE, usual)
    if kind in (_RGB, _YCBCR) and not _alike(stated, usual):
        what = "states black and white inside its range of codes (ReferenceBlackWhite)"
        raise CaptureError(path, what, AS_TIFF)


def _alike(stated: Sequence[float], usual: Sequence[float]) -> bool:
    pairs = zip(stated, usual, strict=False)
    return len(stated) == len(usual) and all(math.isclose(a, b, rel_tol=0.01) for a, b in pairs)
