"""The directories of a TIFF file, read with bounds: what it declares, before anything is believed.

Readers trust these numbers and ask the system for the memory they name. This module only looks:
it reads directory entries, never picture data, and every count is held against the file's size.

References
----------
Adobe, *TIFF Revision 6.0* (1992), section 2; the 64-bit form ("BigTIFF", version 43) after the
libtiff description. Tag numbers of raw files: TIFF/EP (ISO 12234-2), DNG specification 1.4.
"""

from __future__ import annotations

import os
import struct
from dataclasses import dataclass, field
from pathlib import Path
from typing import BinaryIO, Final

MAX_DIRECTORIES: Final = 64
MAX_ENTRIES: Final = 4096
MAX_VALUES: Final = 1 << 20  # strips of the largest sensible picture; more is damage

WIDTH, HEIGHT, BITS, COMPRESSION, PHOTOMETRIC = 256, 257, 258, 259, 262
SUBFILE_TYPE, MAKE, STRIP_OFFSETS, SAMPLES, STRIP_COUNTS = 254, 271, 273, 277, 279
ROWS_PER_STRIP, PLANAR, SAMPLE_FORMAT, SUB_DIRECTORIES = 278, 284, 339, 330
TILE_WIDTH, TILE_HEIGHT, TILE_OFFSETS, TILE_COUNTS = 322, 323, 324, 325
EXTRA_SAMPLES, JPEG_TABLES, YCBCR_COEFFICIENTS, REFERENCE_BLACK_WHITE = 338, 347, 529, 532
ORIENTATION, MAX_SAMPLE, S_MAX_SAMPLE = 274, 281, 341
CFA_REPEAT, CFA_PATTERN, DNG_VERSION = 33421, 33422, 50706
CFA_COLOURS, CFA_LAYOUT, LINEARIZATION = 50710, 50711, 50712
SUB_TILE, ROW_INTERLEAVE, COLUMN_INTERLEAVE = 50974, 50975, 52547
BLACK_REPEAT, BLACK_LEVEL, BLACK_DELTA_H, BLACK_DELTA_V = 50713, 50714, 50715, 50716
WHITE_LEVEL, SCALE, ACTIVE_AREA = 50717, 50718, 50829
PHOTOMETRIC_CFA, PHOTOMETRIC_LINEAR_RAW = 32803, 34892
FLOAT_SAMPLES = 3
_SEPARATE_PLANES = 2

_LAYOUT_TAGS = (WIDTH, HEIGHT, BITS, COMPRESSION, PHOTOMETRIC, SUBFILE_TYPE, MAKE, SAMPLES)
_DATA_TAGS = (STRIP_OFFSETS, STRIP_COUNTS, ROWS_PER_STRIP, PLANAR, SAMPLE_FORMAT, SUB_DIRECTORIES)
_TILE_TAGS = (TILE_WIDTH, TILE_HEIGHT, TILE_OFFSETS, TILE_COUNTS)
_COLOUR_TAGS = (EXTRA_SAMPLES, JPEG_TABLES, YCBCR_COEFFICIENTS, REFERENCE_BLACK_WHITE)
_RANGE_TAGS = (ORIENTATION, MAX_SAMPLE, S_MAX_SAMPLE)
_RAW_TAGS = (CFA_REPEAT, CFA_PATTERN, DNG_VERSION, WHITE_LEVEL, SCALE, ACTIVE_AREA)
_ORDER_TAGS = (CFA_COLOURS, CFA_LAYOUT, LINEARIZATION, SUB_TILE, ROW_INTERLEAVE, COLUMN_INTERLEAVE)
_BLACK_TAGS = (BLACK_REPEAT, BLACK_LEVEL, BLACK_DELTA_H, BLACK_DELTA_V)
_KEPT = frozenset((*_LAYOUT_TAGS, *_DATA_TAGS, *_TILE_TAGS, *_COLOUR_TAGS, *_RAW_TAGS))
_KEPT |= frozenset((*_RANGE_TAGS, *_ORDER_TAGS, *_BLACK_TAGS))
# TIFF type number -> struct code of one element; rationals are two of them.
_CODES = {1: "B", 2: "B", 3: "H", 4: "I", 5: "II", 6: "b", 7: "B", 8: "h", 9: "i", 10: "ii"}
_CODES |= {11: "f", 12: "d", 13: "I", 16: "Q", 17: "q", 18: "Q"}
_VERSIONS = {42: False, 43: True}  # True: 64-bit offsets
# Raw makers' own version numbers in an otherwise plain TIFF header.
_RAW_VERSIONS = {0x0055: False, 0x4F52: False, 0x5352: False}


class TiffDamageError(ValueError):
    """The directories contradict the file. Caught inside the reading stage."""


@dataclass(frozen=True, slots=True)
class TiffDirectory:
    """One image file directory.

    Attributes
    ----------
    tags : dict
        Values of the tags this package uses, as tuples of numbers.
    index : int or None
        Place in the main chain; None for a sub-directory.
    """

    tags: dict[int, tuple[float, ...]]
    index: int | None

    def first(self, tag: int, default: int) -> int:
        """Return the first value of a tag as an integer."""
        values = self.tags.get(tag)
        return int(values[0]) if values else default

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns declared."""
        return self.first(HEIGHT, 0), self.first(WIDTH, 0)

    @property
    def samples(self) -> int:
        """Values a pixel declared."""
        return self.first(SAMPLES, 1)

    @property
    def is_reduced(self) -> bool:
        """True for a thumbnail or a mask (NewSubfileType bits 0 and 2)."""
        return bool(self.first(SUBFILE_TYPE, 0) & 5)

    @property
    def is_raw(self) -> bool:
        """True if it holds a sensor's own counts."""
        kind = self.first(PHOTOMETRIC, -1)
        return kind in (PHOTOMETRIC_CFA, PHOTOMETRIC_LINEAR_RAW) or CFA_PATTERN in self.tags

    @property
    def declared_bytes(self) -> int:
        """Size of the decoded picture in bytes."""
        rows, columns = self.shape
        bits = max((int(b) for b in self.tags.get(BITS, (1,))), default=1)
        return rows * columns * self.samples * bits // 8

    @property
    def stored_bytes(self) -> int:
        """Bytes of picture data declared."""
        return sum(size for _, size in self.pieces)

    @property
    def pieces(self) -> list[tuple[int, int]]:
        """Offset and size in bytes of every strip or tile that has both."""
        for offsets, counts in ((TILE_OFFSETS, TILE_COUNTS), (STRIP_OFFSETS, STRIP_COUNTS)):
            if offsets in self.tags and counts in self.tags:
                pairs = zip(self.tags[offsets], self.tags[counts], strict=False)
                return [(int(offset), int(size)) for offset, size in pairs]
        return []

    @property
    def absent_pieces(self) -> int:
        """How many of the strips or tiles the picture needs are not declared, or are empty."""
        rows, columns = self.shape
        height = self.first(TILE_HEIGHT, self.first(ROWS_PER_STRIP, rows)) or 1
        width = self.first(TILE_WIDTH, columns) or 1
        planes = self.samples if self.first(PLANAR, 1) == _SEPARATE_PLANES else 1
        needed = -(-rows // height) * -(-columns // width) * planes
        return max(0, needed - sum(size > 0 for _, size in self.pieces))

    def bytes_past(self, file_bytes: int) -> int:
        """Return how many declared bytes of picture data lie past the end of the file."""
        return sum(min(size, max(0, offset + size - file_bytes)) for offset, size in self.pieces)


@dataclass(frozen=True, slots=True)
class TiffStructure:
    """All directories of a file, main chain first, then sub-directories.

    Attributes
    ----------
    directories : list of TiffDirectory
        At most ``MAX_DIRECTORIES``.
    file_bytes : int
        Size of the file.
    damage : list of str
        Entries that could not be believed and were left out.
    more : bool
        There are more directories than were looked at.
    big_endian : bool
        Numbers are stored high byte first.
    """

    directories: list[TiffDirectory]
    file_bytes: int
    damage: list[str] = field(default_factory=list)
    more: bool = False
    big_endian: bool = False

    @property
    def sensor(self) -> TiffDirectory | None:
        """The largest of a DNG's directories that hold a sensor's counts; None if no DNG."""
        if not any(DNG_VERSION in d.tags for d in self.directories):
            return None
        sensor = [d for d in self.directories if d.is_raw and not d.is_reduced]
        return max(sensor, key=lambda d: d.shape[0] * d.shape[1], default=None)


def read_tiff_structure(path: Path) -> TiffStructure:
    """Read the directories of a TIFF file.

    Raises
    ------
    TiffDamageError
        If the header is not a TIFF's or no directory can be read.
    OSError
        If the file cannot be opened.
    """
    with path.open("rb") as stream:
        return structure_of_stream(stream)


def structure_of_stream(stream: BinaryIO) -> TiffStructure:
    """Read the directories of a TIFF that is open, such as an Exif block in memory.

    Raises
    ------
    TiffDamageError
        If the header is not a TIFF's or no directory can be read.
    """
    size = stream.seek(0, os.SEEK_END)
    stream.seek(0)
    return _Walk(stream, size).structure()


class _Walk:
    """One bounded pass over a file's directories."""

    def __init__(self, stream: BinaryIO, file_bytes: int) -> None:
        self.stream, self.file_bytes = stream, file_bytes
        self.damage: list[str] = []
        header = stream.read(16)
        self.order = {b"II": "<", b"MM": ">"}.get(header[:2], "")
        if not self.order or len(header) < 8:
            raise TiffDamageError("has no TIFF header")
        (version,) = struct.unpack(self.order + "H", header[2:4])
        known = {**_VERSIONS, **_RAW_VERSIONS}
        if version not in known:
            raise TiffDamageError(f"has TIFF version {version}, which is not 42 or 43")
        self.big = known[version]
        if self.big and len(header) < 16:
            raise TiffDamageError("ends inside its TIFF header")
        self.first = struct.unpack(
            self.order + ("Q" if self.big else "I"), header[8:16] if self.big else header[4:8]
        )[0]

    def structure(self) -> TiffStructure:
        chain: list[TiffDirectory] = []
        seen: set[int] = set()
        offset = self.first
        while offset and offset not in seen and len(seen) < MAX_DIRECTORIES:
            seen.add(offset)
            directory, offset = self._directory(offset, len(chain))
            if directory is None:
                break
            chain.append(directory)
        if not chain:
            raise TiffDamageError("points to a directory that is not in the file")
        waiting = [int(at) for d in chain for at in d.tags.get(SUB_DIRECTORIES, ())]
        below: list[TiffDirectory] = []
        while waiting and len(seen) < MAX_DIRECTORIES:
            at = waiting.pop(0)
            if at in seen or not at:
                continue
            seen.add(at)
            directory, _ = self._directory(at, None)
            if directory is not None:
                below.append(directory)
                waiting += [int(more) for more in directory.tags.get(SUB_DIRECTORIES, ())]
        more = any(at and at not in seen for at in (offset, *waiting))
        return TiffStructure(chain + below, self.file_bytes, self.damage, more, self.order == ">")

    def _read(self, offset: int, size: int) -> bytes | None:
        if offset < 0 or offset + size > self.file_bytes:
            return None
        self.stream.seek(offset)
        data = self.stream.read(size)
        return data if len(data) == size else None

    def _directory(self, offset: int, index: int | None) -> tuple[TiffDirectory | None, int]:
        count_code, count_size, size = ("Q", 8, 20) if self.big else ("H", 2, 12)
        head = self._read(offset, count_size)
        if head is None:
            self.damage.append(f"a directory at byte {offset} is past the end")
            return None, 0
        (count,) = struct.unpack(self.order + count_code, head)
        if not 0 < count <= MAX_ENTRIES:
            self.damage.append(f"a directory of {count} entries")
            return None, 0
        body = self._read(offset + count_size, count * size)
        if body is None:
            self.damage.append("a directory ends past the end of the file")
            return None, 0
        tags: dict[int, tuple[float, ...]] = {}
        for start in range(0, len(body), size):
            tag, values = self._entry(body[start : start + size])
            if tag in _KEPT and values is not None:
                tags.setdefault(tag, values)
        after = self._read(offset + count_size + count * size, 8 if self.big else 4)
        following = 0
        if after is not None:
            (following,) = struct.unpack(self.order + ("Q" if self.big else "I"), after)
        return TiffDirectory(tags, index), following

    def _entry(self, entry: bytes) -> tuple[int, tuple[float, ...] | None]:
        tag, kind, count = struct.unpack(
            self.order + ("HHQ" if self.big else "HHI"), entry[: 12 if self.big else 8]
        )
        if tag not in _KEPT:
            return tag, None
        slot = entry[12:] if self.big else entry[8:]
        code = _CODES.get(kind)
        if code is None or not 0 < count <= MAX_VALUES:
            self.damage.append(f"tag {tag} of type {kind} with {count} values")
            return tag, None
        size = struct.calcsize(self.order + code) * count
        data: bytes | None = slot[:size]
        if size > len(slot):
            (offset,) = struct.unpack(self.order + ("Q" if self.big else "I"), slot)
            data = self._read(offset, size)
        if data is None:
            self.damage.append(f"tag {tag} has its values past the end of the file")
            return tag, None
        numbers = struct.unpack(f"{self.order}{len(code) * count}{code[0]}", data)
        if len(code) == 2:
            pairs = zip(numbers[::2], numbers[1::2], strict=True)
            return tag, tuple(over / under if under else 0.0 for over, under in pairs)
        return tag, numbers
