"""Raws that are not TIFFs: is the whole file there? Asked before LibRaw, which may not say.

References
----------
ISO/IEC 14496-12, 4.2 (boxes). *CIFF Specification on Image Data File*, version 1.0 rev. 4 (1997):
header, and a heap that ends with its own directory.
"""

from __future__ import annotations

import struct
from pathlib import Path
from typing import IO

from platebench.errors import CaptureError
from platebench.stages.reading.remedies import COPY_AGAIN

_CIFF_RECORD = 10  # bytes: type, size, offset
_IN_RECORD = 0x4000  # the record holds its value itself


def refuse_cut_container(path: Path, head: bytes) -> None:
    """Refuse a raw of the CR3 or CRW kind that ends before its own directory says it does.

    Parameters
    ----------
    path : Path
        Any file.
    head : bytes
        Its first bytes, at least 14.

    Raises
    ------
    CaptureError
        If it is cut off.
    """
    if head[4:8] == b"ftyp":
        with path.open("rb") as stream:
            missing = _bytes_missing_of_boxes(stream, path.stat().st_size)
        if missing:
            raise CaptureError(path, f"is cut off: {missing} bytes are missing", COPY_AGAIN)
    if head[6:14] == b"HEAPCCDR":
        with path.open("rb") as stream:
            whole = _heap_is_whole(stream, head, path.stat().st_size)
        if not whole:
            raise CaptureError(path, "is cut off: its directory is not at its end", COPY_AGAIN)


def _bytes_missing_of_boxes(stream: IO[bytes], file_bytes: int) -> int:
    at = 0
    while at + 8 <= file_bytes:
        stream.seek(at)
        box = stream.read(16)
        size = int.from_bytes(box[:4], "big")
        if size == 1:
            size = int.from_bytes(box[8:16], "big")
        if size == 0:  # to the end of the file
            return 0
        if size < 8:
            return 8 - size
        at += size
    return at - file_bytes if at > file_bytes else 0


def _heap_is_whole(stream: IO[bytes], head: bytes, file_bytes: int) -> bool:
    """Return True if the last four bytes lead to a directory whose records are in the heap."""
    order = {b"II": "<", b"MM": ">"}.get(head[:2], "<")
    (heap,) = struct.unpack(order + "I", head[2:6])
    if heap + 6 > file_bytes:
        return False
    stream.seek(file_bytes - 4)
    (directory,) = struct.unpack(order + "I", stream.read(4))
    if heap + directory + 2 > file_bytes - 4:
        return False
    stream.seek(heap + directory)
    (count,) = struct.unpack(order + "H", stream.read(2))
    records = stream.read(_CIFF_RECORD * count)
    if not count or len(records) < _CIFF_RECORD * count:
        return False
    for kind, size, offset in struct.iter_unpack(order + "HII", records):
        if not kind & _IN_RECORD and offset + size > directory:
            return False
    return True
