"""What a file is, by its own bytes: never by its extension, never by which reader swallows it.

First the containers of raw files, followed far enough to see whether one is cut off; then the kind
of any file, and refusals of what is missing or absurdly large.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import IO, Final

from platebench.core.errors import CaptureError
from platebench.read import tiff_structure as tiff
from platebench.read.tiff_structure import TiffDamageError, TiffDirectory, TiffStructure

COPY_AGAIN: Final = "copy it from the card or the archive again"
AS_TIFF: Final = "save it as a TIFF of 8 or 16 bits, grey or RGB"
TO_DNG: Final = "convert it to DNG with the camera maker's program"
FREE_MEMORY: Final = "close other programs, or do one plate at a time", "workers"


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


# Noise and grain keep scans from shrinking to a fiftieth; zlib reaches 1032 with zeros alone.
MOST_RATIO: Final = 200
ALWAYS_FINE_BYTES: Final = 1 << 29  # a picture this small is never asked for proof


class FileKind(StrEnum):
    """The reader a file needs."""

    RAW = "raw"
    TIFF = "tiff"
    PNG = "png"
    JPEG = "jpeg"


@dataclass(frozen=True, slots=True)
class FoundKind:
    """A file's kind and, for TIFF and its raw relatives, its directories."""

    kind: FileKind
    structure: TiffStructure | None = None


# First bytes of files people have in such folders that no reader here takes.
_NOT_CAPTURES: tuple[tuple[bytes, str], ...] = (
    (b"GIF8", "a GIF"),
    (b"BM", "a BMP"),
    (b"8BPS", "a layered editor file"),
    (b"%PDF", "a PDF"),
    (b"PK\x03\x04", "a zip archive"),
    (b"\x1f\x8b", "a gzip archive"),
    (b"\x00\x00\x00\x0cjP  ", "a JPEG 2000 file"),
    (b"\xff\x0a", "a JPEG XL file"),
    (b"\x00\x00\x00\x0cJXL ", "a JPEG XL file"),
)
_TAIL_BYTES = 256
_PIECES_LOOKED_AT = 64
_OLD_JPEG = 6  # compression of previews in raws; abandoned for pictures since 1995


def find_kind(path: Path) -> FoundKind:
    """Return what a file is.

    Raises
    ------
    CaptureError
        If it is missing, empty, a folder, unreadable, text, or a kind that is no capture.
    """
    head = _first_bytes(path)
    if head[:8] == b"\x89PNG\r\n\x1a\n":
        return FoundKind(FileKind.PNG)
    if head[:3] == b"\xff\xd8\xff":
        return FoundKind(FileKind.JPEG)
    if head[:4] in (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+"):
        return _kind_of_tiff(path, head)
    _refuse_known(path, head)
    if head[:4] in (b"IIRO", b"IIRS", b"MMOR", b"IIU\0"):
        return FoundKind(FileKind.RAW, _structure_or_none(path))
    refuse_cut_container(path, head)
    return FoundKind(FileKind.RAW)


def _first_bytes(path: Path) -> bytes:
    try:
        if path.exists() and not (path.is_file() or path.is_dir()):  # a pipe would wait for ever
            raise CaptureError(path, "is not a file", "name the capture itself")
        with path.open("rb") as stream:
            head = stream.read(512)
    except FileNotFoundError as error:
        raise CaptureError(path, "is not there", "check the name, or the disk it is on") from error
    except IsADirectoryError as error:
        raise CaptureError(path, "is a folder", "name one of the files in it") from error
    except PermissionError as error:
        raise CaptureError(
            path, "may not be read", "ask its owner for permission to read it"
        ) from error
    except (OSError, ValueError) as error:  # ValueError: a name with a zero byte in it
        what = f"cannot be read ({getattr(error, 'strerror', None) or error})"
        raise CaptureError(path, what, COPY_AGAIN) from error
    if not head:
        raise CaptureError(path, "is empty", COPY_AGAIN)
    return head


def _refuse_known(path: Path, head: bytes) -> None:
    for magic, name in _NOT_CAPTURES:
        if head.startswith(magic):
            raise CaptureError(path, f"is {name}, which is not read here", AS_TIFF)
    if head[:4] == b"RIFF" and head[8:12] == b"WEBP":
        raise CaptureError(path, "is a WebP file, which is not read here", AS_TIFF)
    if head[4:8] == b"ftyp" and head[8:12] != b"crx ":
        raise CaptureError(path, "is a phone picture or a film, which is not read here", AS_TIFF)
    if _is_text(head):
        raise CaptureError(path, "is a text file, not a picture", "name the capture itself")
    if not any(head):
        raise CaptureError(path, "starts with nothing but zeros", COPY_AGAIN)


def _is_text(head: bytes) -> bool:
    """Return True for printable text in UTF-8 (a character cut at the end forgiven)."""
    if any(byte < 9 or 13 < byte < 32 or byte == 127 for byte in head):
        return False
    try:
        head.decode()
    except UnicodeDecodeError as error:
        return error.start >= len(head) - 3 and len(head) == 512
    return True


def _kind_of_tiff(path: Path, head: bytes) -> FoundKind:
    try:
        structure = tiff.read_tiff_structure(path)
    except TiffDamageError as error:
        raise CaptureError(path, f"is a damaged TIFF: it {error}", COPY_AGAIN) from error
    _refuse_more(path, structure)
    directories = structure.directories
    raw = (
        head[8:10] == b"CR"  # raw of the CR2 kind
        or head[8:12] in (b"IIII", b"MMMM")  # raws of some camera backs
        or any(tiff.DNG_VERSION in d.tags or d.is_raw for d in directories)
    )
    if raw:
        refuse_missing_data(path, structure)
        return FoundKind(FileKind.RAW, structure)
    camera = any(tiff.MAKE in d.tags for d in directories)
    pictures = [d for d in directories if d.index is not None and not d.is_reduced]
    if camera and all(d.first(tiff.COMPRESSION, 1) == _OLD_JPEG for d in pictures):
        return FoundKind(FileKind.RAW, structure)  # a maker's raw without raw tags
    return FoundKind(FileKind.TIFF, structure)


def _structure_or_none(path: Path) -> TiffStructure | None:
    try:
        structure = tiff.read_tiff_structure(path)
    except TiffDamageError:
        return None
    _refuse_more(path, structure)
    return structure


def _refuse_more(path: Path, structure: TiffStructure) -> None:
    if structure.more:
        what = f"holds more than {tiff.MAX_DIRECTORIES} pictures"
        raise CaptureError(path, what, "save the one that is meant as a file of its own")


def refuse_missing_data(path: Path, structure: TiffStructure) -> None:
    """Refuse a raw whose picture data are not all in the file, or whose size is absurd.

    LibRaw opens such a file without a word and gives zeros.
    """
    sensor = [d for d in structure.directories if d.is_raw]
    checked = sensor or [d for d in structure.directories if not d.is_reduced]
    is_dng = any(tiff.DNG_VERSION in d.tags for d in structure.directories)
    for directory in checked:
        missing, stored = directory.bytes_past(structure.file_bytes), directory.stored_bytes
        allowed = 0 if is_dng else stored // 100  # makers round; the DNG rules are strict
        if missing > allowed:
            raise CaptureError(
                path,
                f"is cut off: {missing} of its {stored} bytes of picture data are missing",
                COPY_AGAIN,
            )
        if is_dng and directory.is_raw and directory.absent_pieces:
            what = f"is damaged: {directory.absent_pieces} parts of its picture are not there"
            raise CaptureError(path, what, COPY_AGAIN)
        if is_dng and directory.pieces and directory.first(tiff.COMPRESSION, 1) != 1:
            _refuse_unwritten(path, directory)
        refuse_absurd_size(path, directory.shape, directory.declared_bytes, structure.file_bytes)


def _refuse_unwritten(path: Path, directory: TiffDirectory) -> None:
    """Refuse packed data that end in zeros: room kept for a copy that never finished.

    LibRaw unpacks zeros to a plausible grey.
    """
    pieces = directory.pieces
    step = max(1, len(pieces) // _PIECES_LOOKED_AT)
    with path.open("rb") as stream:
        for offset, size in [*pieces[::step], pieces[-1]]:
            if size < _TAIL_BYTES:
                continue
            stream.seek(offset + size - _TAIL_BYTES)
            if not any(stream.read(_TAIL_BYTES)):
                what = "is damaged: a part of its picture was never written"
                raise CaptureError(path, what, COPY_AGAIN)


def refuse_absurd_size(
    path: Path, shape: tuple[int, int], declared_bytes: int, file_bytes: int
) -> None:
    """Refuse a picture that declares far more bytes than any scan unfolds to."""
    if declared_bytes > max(ALWAYS_FINE_BYTES, MOST_RATIO * file_bytes):
        raise CaptureError(
            path,
            f"declares {shape[0]} x {shape[1]} pixels in a file of {file_bytes} bytes",
            COPY_AGAIN,
        )
