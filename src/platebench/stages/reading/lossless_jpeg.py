"""Lossless JPEG (process 14): one strip or tile of a raw file's counts.

Decoded by libjpeg-turbo, which passes over damage in silence. So the few fields of the header are
read first, and the stream must end where it says it does.

References
----------
ITU-T T.81 (ISO/IEC 10918-1): annex B, markers; annex H, lossless mode.
"""

from __future__ import annotations

import struct

import imagecodecs
import numpy as np
from numpy.typing import NDArray

_START, _FRAME, _TABLES, _SCAN, _COMMENT = 0xD8, 0xC3, 0xC4, 0xDA, 0xFE
_APPLICATION = range(0xE0, 0xF0)
_END = bytes((0xFF, 0xD9))
_PADDING = 64  # bytes of nothing that writers may add to round up a size
_PREDICTORS = range(1, 8)


class UnusualJpegError(ValueError):
    """Not the plain lossless JPEG of raw files, or damaged. Caught inside the reading stage."""


def decode_lossless(data: bytes, shape: tuple[int, int]) -> NDArray[np.uint16]:
    """Return the counts of a strip or tile.

    Parameters
    ----------
    data : bytes
        One lossless JPEG. Writers may code a row of N counts as N / c pixels of c components.
    shape : (int, int)
        Rows and columns that shall come out.

    Returns
    -------
    ndarray of uint16, shape ``shape``

    Raises
    ------
    UnusualJpegError
        If it is something else, of another size, or ends early.
    """
    if _coded_shape(data) != shape:
        raise UnusualJpegError("another size")
    if not data[-_PADDING:].rstrip(b"\0").endswith(_END):  # a code never looks like this mark
        raise UnusualJpegError("cut off")
    try:
        counts = imagecodecs.jpeg8_decode(data, colorspace="unknown", outcolorspace="unknown")
    except (imagecodecs.Jpeg8Error, ValueError) as error:
        raise UnusualJpegError(str(error)) from error
    return np.asarray(counts, np.uint16).reshape(shape)


def _coded_shape(data: bytes) -> tuple[int, int]:
    """Return rows, and counts in a row, of a header without surprises."""
    if data[:2] != bytes((0xFF, _START)):
        raise UnusualJpegError("no JPEG")
    at, size = 2, None
    while len(data) >= at + 4:
        mark, kind, length = struct.unpack_from(">BBH", data, at)
        part = data[at + 4 : at + 2 + length]
        if mark != 0xFF or len(part) < length - 2:
            break
        at += 2 + length
        if kind == _FRAME:
            size = _frame_shape(part)
        elif kind == _SCAN:
            if size is None or not _plain_scan(part):
                break
            return size
        elif kind not in (_TABLES, _COMMENT, *_APPLICATION):
            break
    raise UnusualJpegError("not the plain lossless JPEG of raw files")


def _frame_shape(part: bytes) -> tuple[int, int]:
    """Rows and counts a row of a frame header whose components are all sampled alike."""
    if len(part) < 6 or len(part) != 6 + 3 * part[5]:
        raise UnusualJpegError("a damaged header")
    _, rows, columns, components = struct.unpack_from(">BHHB", part)
    if any(factors != 0x11 for factors in part[7::3]):
        raise UnusualJpegError("components of different sizes")
    return rows, columns * components


def _plain_scan(part: bytes) -> bool:
    """Whether all is in one scan of a known predictor, no bits shifted out."""
    return len(part) == 4 + 2 * part[0] and part[-3] in _PREDICTORS and part[-1] & 0x0F == 0
