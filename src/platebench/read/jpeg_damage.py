"""Damage in a JPEG: what its decoder mutters about, and what a stricter reader refuses.

A decoder goes on after altered bytes: the codes fall into step again, in another block. That shows
where the codes of a pass, or of a restart interval, do not end where the blocks do: then bytes are
left over, or missing, and libjpeg says so. A second reader, which packs JPEGs anew without loss and
so must understand every code, refuses impossible ones that libjpeg passes over: coefficients past
the 64th, sums out of range. Between them they find 99 to 100 of 100 (see
docs/decisions/damaged-files.md). Neither can know of bytes that stand for other blocks of the same
length, nor of altered quantisation tables.

References
----------
ITU-T T.81 (ISO/IEC 10918-1): annex B, markers; B.1.1.5 and F.1.2.3, codes and how they end. Adobe,
*TIFF Technical Note 2* (1995): JPEGTables, to be put before the data of each strip or tile.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Final, NamedTuple

import cv2
import imagecodecs
import numpy as np

START, END, START_OF_SCAN = b"\xff\xd8", 0xD9, 0xDA
FRAMES: Final = frozenset(range(0xC0, 0xD0)) - {0xC4, 0xC8, 0xCC}
MOST_PASSES: Final = 32
"""Scans of one picture; programs make about ten, and each takes a pass over all of it."""

MOST_STRICT_PIXELS: Final = 100_000_000
"""Pixels up to which the stricter reader is asked: it takes 22 bytes for each."""

_BY_HUFFMAN: Final = (0xC0, 0xC1, 0xC2)  # sequential and progressive
_TALK: Final = (*range(0xE0, 0xF0), 0xFE)  # what says nothing of the pixels
_NO_LENGTH: Final = (0x01, *range(0xD0, 0xD9))
_AFTER_CODES: Final = re.compile(rb"\xff+[^\0\xff\xd0-\xd7]", re.DOTALL)
_LEFT_OVER: Final = re.compile(r"(\d+) extraneous bytes before marker 0xd9")
_SECTOR: Final = 512  # bytes; as many zeros are no rounding up but a part that was never written


class Part(NamedTuple):
    """One marker of a JPEG with what belongs to it, codes included."""

    marker: int
    at: int
    end: int


def jpeg_parts(data: bytes) -> Iterator[Part]:
    """Yield the parts of a JPEG after its start, up to its end marker or to where it breaks off."""
    at = len(START)
    while at + 2 <= len(data) and data[at] == 0xFF:
        marker = data[at + 1]
        if marker == 0xFF:
            at += 1
            continue
        if marker == END or marker in _NO_LENGTH:
            yield Part(marker, at, at + 2)
            if marker == END:
                return
            at += 2
            continue
        size = int.from_bytes(data[at + 2 : at + 4], "big")
        end = at + 2 + size
        if size < 2 or end > len(data):
            return
        if marker == START_OF_SCAN:
            after = _AFTER_CODES.search(data, end)
            end = len(data) if after is None else after.end() - 2
        yield Part(marker, at, end)
        at = end


def refused_by_strict_reader(data: bytes) -> bool:
    """Tell whether the stricter reader finds codes that cannot be.

    It is asked only about what it surely knows: 8 bits, Huffman codes, grey or three channels,
    sampled once or twice. Profiles, notes and whatever follows the end are left out.

    Parameters
    ----------
    data : bytes
        A whole JPEG.
    """
    kept, known = [START], False
    for part in jpeg_parts(data):
        body = data[part.at + 4 : part.end]
        if part.marker in FRAMES:
            factors = {value for byte in body[7::3] for value in (byte >> 4, byte & 15)}
            known = part.marker in _BY_HUFFMAN and body[0] == 8 and body[5] in (1, 3)
            known &= factors <= {1, 2}
            rows, columns = (int.from_bytes(body[at : at + 2], "big") for at in (1, 3))
            known &= rows * columns <= MOST_STRICT_PIXELS
        if part.marker not in _TALK:
            kept.append(data[part.at : part.end])
    if not known:
        return False
    try:
        imagecodecs.jpegxl_encode_jpeg(b"".join(kept), numthreads=1)
    except imagecodecs.JpegxlError:
        return True
    return False


def is_padding(complaint: str, data: bytes) -> bool:
    """Tell whether all a decoder complains of are zeros before the end: a size rounded up."""
    found = _LEFT_OVER.search(complaint)
    if found is None:
        return False
    end = next((part.at for part in jpeg_parts(data) if part.marker == END), 0)
    left = int(found[1])
    return left < _SECTOR and not any(data[end - left : end])


def whole_jpeg(piece: bytes, tables: bytes) -> bytes:
    """Return a strip or tile of a TIFF as a JPEG of its own, its tables put back."""
    if not tables:
        return piece
    return tables.removesuffix(bytes((0xFF, END))) + piece.removeprefix(START)


def decode_for_complaints(data: bytes) -> None:
    """Decode a JPEG at an eighth, all its codes, so that libjpeg complains on stderr.

    Raises
    ------
    ValueError
        If nothing comes of it.
    """
    if cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_REDUCED_GRAYSCALE_8) is None:
        raise ValueError("its JPEG data cannot be decoded")
