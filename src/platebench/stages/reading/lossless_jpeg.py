"""Lossless JPEG (process 14): one strip or tile of a raw file's counts.

Decoded by libjpeg-turbo, which passes over damage in silence: where codes run out it fills up, and
codes left over it leaves. So the few fields of the header are read first, no mark may stand among
the codes, and what fills up is looked for where it ends. What looks like it and is none, such as a
tile of one value, is only refused here: LibRaw reads it. One row more is asked for than there is:
it must be filled up, or codes were left over, and the picture is not what was written.

References
----------
ITU-T T.81 (ISO/IEC 10918-1): annex B, markers; annex H, lossless mode.
"""

from __future__ import annotations

import re
import struct
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Final

import imagecodecs
import numpy as np
from numpy.typing import NDArray

_START, _FRAME, _TABLES, _SCAN, _COMMENT = 0xD8, 0xC3, 0xC4, 0xDA, 0xFE
_APPLICATION = range(0xE0, 0xF0)
_END = bytes((0xFF, 0xD9))
_MARK = re.compile(rb"\xff[^\0]", re.DOTALL)
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
        If codes are left over, or give counts of more bits than the header says.
    """
    coded = _read_header(data)
    if coded.shape != shape:
        raise UnusualJpegError("another size")
    _refuse_marks(data, coded.codes_at)
    more = (shape[0] + 1).to_bytes(2, "big")
    data = data[: coded.rows_at] + more + data[coded.rows_at + 2 :]
    try:
        decoded = imagecodecs.jpeg8_decode(data, colorspace="unknown", outcolorspace="unknown")
    except (imagecodecs.Jpeg8Error, ValueError) as error:
        raise UnusualJpegError(str(error)) from error
    decoded = np.asarray(decoded, np.uint16).reshape(shape[0] + 1, shape[1])
    counts = decoded[: used[0], : used[1]]
    if _filled_up(counts, coded):
        raise UnusualJpegError("the codes run out")
    beyond = _differences(decoded[-2:].astype(np.int64), coded)[2 * coded.components :]
    if np.ptp(decoded[-1]) and beyond.size and (beyond != beyond[-1]).any():
        raise WrongCodesError("more codes than counts")
    if int(counts.max()) >> coded.bits:
        raise WrongCodesError("counts too large for its bits")
    return counts


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


def _refuse_marks(data: bytes, codes_at: int) -> None:
    """See that the first mark after the codes begin is the end's: no code looks like one.

    T.81, B.1.1.5. Writers may add zeros, to round up a size.
    """
    mark = _MARK.search(data, codes_at)
    if mark is None:
        raise UnusualJpegError("cut off")
    if mark[0] != _END or data[mark.end() :].strip(b"\0"):
        raise UnusualJpegError("a mark among the codes")


def _filled_up(counts: NDArray[np.uint16], coded: _Coded) -> bool:
    """Tell whether the end looks like what libjpeg-turbo puts where there are no codes any more.

    That is one code over and over to the end of a row, and middle grey in the rows after it.
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
