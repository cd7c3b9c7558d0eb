"""The Exif IFD of a picture: what the capture says of itself, for readers without XMP.

The plate's own exposure never stands here: Exif knows one exposure, that of the digitising.

References
----------
Exif 2.32 (CIPA DC-008), 4.6.5 (tags) and 4.6.2 (types); TIFF 6.0, section 2; all from memory.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from datetime import datetime
from fractions import Fraction
from typing import IO

from PIL import Image
from PIL.TiffImagePlugin import IFDRational

EXIF_TAG = 34665
_PLACE = 34664  # of no meaning; tifffile writes no Exif tag, so this one becomes it
_VERSION = b"0232"
_ASCII, _SHORT, _LONG, _RATIONAL, _UNDEFINED, _LONG8 = 2, 3, 4, 5, 7, 16


@dataclass(frozen=True, slots=True, kw_only=True)
class CaptureFacts:
    """What Exif has a tag for; None where the capture does not say.

    Attributes
    ----------
    exposure_s, f_number, iso, focal_length_mm : float or None
    digitised : datetime or None
        By the camera's clock.
    """

    exposure_s: float | None = None
    f_number: float | None = None
    iso: float | None = None
    focal_length_mm: float | None = None
    digitised: datetime | None = None


def exif_for_pillow(facts: CaptureFacts) -> Image.Exif:
    """Return the facts as Pillow writes them into a JPEG."""
    exif = Image.Exif()
    ifd = exif.get_ifd(EXIF_TAG)
    ifd[0x9000] = _VERSION
    for tag, _, value in _entries(facts):
        ifd[tag] = IFDRational(value) if isinstance(value, Fraction) else value
    return exif


def add_exif(stream: IO[bytes], facts: CaptureFacts) -> None:
    """Add an Exif IFD to the end of a little-endian TIFF that keeps a place for it.

    Parameters
    ----------
    stream : binary file, to read and write
        Its first directory has the tag of :func:`placeholder`.
    facts : CaptureFacts
    """
    stream.seek(0)
    big = struct.unpack("<2sH", stream.read(4))[1] == 43
    entry = _entry(stream, big=big)
    start = stream.seek(0, 2)
    start += stream.write(b"\0" * (start % 2))
    stream.write(_ifd(facts, start, big=big))
    stream.seek(entry)
    stream.write(struct.pack("<HHQQ" if big else "<HHII", EXIF_TAG, _pointer_type(big), 1, start))
    stream.seek(0, 2)


def _entries(facts: CaptureFacts) -> list[tuple[int, int, object]]:
    """Return tag, type and value of what is known, in the order of the tags."""
    found: list[tuple[int, int, object]] = []
    if facts.exposure_s:
        found.append((0x829A, _RATIONAL, _ratio(facts.exposure_s)))
    if facts.f_number:
        found.append((0x829D, _RATIONAL, _ratio(facts.f_number)))
    if facts.iso and 1 <= facts.iso <= 65535:
        found.append((0x8827, _SHORT, round(facts.iso)))
    if facts.digitised is not None:
        found.append((0x9004, _ASCII, facts.digitised.strftime("%Y:%m:%d %H:%M:%S")))
    if facts.focal_length_mm:
        found.append((0x920A, _RATIONAL, _ratio(facts.focal_length_mm)))
    return found


def _ratio(value: float) -> Fraction:
    return Fraction(value).limit_denominator(10_000)


def _ifd(facts: CaptureFacts, start: int, *, big: bool) -> bytes:
    """Return the directory and what it points to, to stand at a place of the file."""
    entries = sorted([*_entries(facts), (0x9000, _UNDEFINED, _VERSION)], key=lambda one: one[0])
    room, size = (8, 20) if big else (4, 12)
    after = start + (8 if big else 2) + size * len(entries) + room
    rows, beyond = b"", b""
    for tag, kind, value in entries:
        data, count = _packed(kind, value)
        if len(data) > room:
            place = after + len(beyond)
            beyond += data + b"\0" * (len(data) % 2)
            data = struct.pack("<Q" if big else "<I", place)
        rows += struct.pack("<HHQ" if big else "<HHI", tag, kind, count) + data.ljust(room, b"\0")
    head = struct.pack("<Q" if big else "<H", len(entries))
    return head + rows + b"\0" * room + beyond


def _packed(kind: int, value: object) -> tuple[bytes, int]:
    if isinstance(value, Fraction):
        return struct.pack("<II", value.numerator, value.denominator), 1
    if kind == _ASCII:
        text = str(value).encode("ascii") + b"\0"
        return text, len(text)
    if isinstance(value, int):
        return struct.pack("<H", value), 1
    assert isinstance(value, bytes)  # the version
    return value, len(value)


def _pointer_type(big: bool) -> int:
    return _LONG8 if big else _LONG


def _entry(stream: IO[bytes], *, big: bool) -> int:
    """Return where the first directory has the entry that becomes tag 34665."""
    stream.seek(8 if big else 4)
    (first,) = struct.unpack("<Q" if big else "<I", stream.read(8 if big else 4))
    stream.seek(first)
    (count,) = struct.unpack("<Q" if big else "<H", stream.read(8 if big else 2))
    for _ in range(count):
        place, entry = stream.tell(), stream.read(20 if big else 12)
        if struct.unpack("<H", entry[:2])[0] == _PLACE:
            return place
    raise ValueError("no place for the Exif tag")


def placeholder(*, big: bool) -> tuple[int, int, int, int, bool]:
    """Return the tag that :func:`add_exif` makes the Exif tag, as tifffile takes it."""
    return _PLACE, _pointer_type(big), 1, 0, True
