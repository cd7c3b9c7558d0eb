"""Metadata from Exif written by hand after CIPA DC-008 and TIFF 6.0."""

from __future__ import annotations

import struct
from datetime import datetime
from pathlib import Path
from typing import Any

from platebench.read.metadata import fields_from_exif, fields_from_file

ASCII, SHORT, LONG, RATIONAL = 2, 3, 4, 5


def exif(image: dict[int, tuple[int, Any]], photo: dict[int, tuple[int, Any]]) -> bytes:
    """Return a little-endian Exif block: a TIFF of two directories."""
    image = image | {34665: (LONG, 8 + 2 + 12 * (len(image) + 1) + 4)}
    heap_at = 8 + 2 * (2 + 4) + 12 * (len(image) + len(photo))
    heap = b""
    block = b"II*\0" + struct.pack("<I", 8)
    for directory in (image, photo):
        block += struct.pack("<H", len(directory))
        for tag, (kind, value) in sorted(directory.items()):
            count, packed = _packed(kind, value)
            if len(packed) > 4:
                offset = heap_at + len(heap)
                heap += packed
                packed = struct.pack("<I", offset)
            block += struct.pack("<HHI", tag, kind, count) + packed.ljust(4, b"\0")
        block += bytes(4)
    return block + heap


def _packed(kind: int, value: Any) -> tuple[int, bytes]:
    if kind == ASCII:
        return len(value) + 1, value.encode() + b"\0"
    if kind == RATIONAL:
        return 1, struct.pack("<II", *value)
    return 1, struct.pack("<H" if kind == SHORT else "<I", value)


WHOLE = exif(
    {
        271: (ASCII, "Invented"),
        272: (ASCII, "Box 2"),
        274: (SHORT, 8),
        282: (RATIONAL, (1200, 1)),
        283: (RATIONAL, (1200, 1)),
        296: (SHORT, 2),
        306: (ASCII, "2030:01:01 00:00:00"),
    },
    {
        33434: (RATIONAL, (10, 80)),
        33437: (RATIONAL, (56, 10)),
        34855: (SHORT, 200),
        36867: (ASCII, "2024:05:17 09:08:07"),
        37386: (RATIONAL, (60, 1)),
        37521: (ASCII, "070"),
        40961: (SHORT, 1),
    },
)


def test_every_field() -> None:
    assert fields_from_exif(WHOLE) == {
        "camera": "Invented Box 2",
        "taken": datetime(2024, 5, 17, 9, 8, 7, 70_000),  # SubSecTimeOriginal: 0.070 s
        "exposure_s": 0.125,
        "f_number": 5.6,
        "iso": 200,
        "focal_length_mm": 60,
        "orientation": 8,
        "ppi": 1200,
        "colour_space": 1,
    }


def test_raws_that_are_tiffs_but_for_the_version(tmp_path: Path) -> None:
    path = tmp_path / "a.orf"
    path.write_bytes(b"IIRO" + WHOLE[4:])
    assert fields_from_file(path) == fields_from_exif(WHOLE)


def test_what_a_file_does_not_say_is_left_out() -> None:
    empty = {
        33434: (RATIONAL, (0, 0)),
        33437: (RATIONAL, (0, 1)),  # a lens without contacts
        34855: (SHORT, 65535),  # Exif 2.3: the figure is in RecommendedExposureIndex
        34866: (LONG, 102400),
        36867: (ASCII, "0000:00:00 00:00:00"),
    }
    fields = fields_from_exif(exif({274: (SHORT, 99)}, empty))
    assert fields == {"iso": 102400}


def test_time_falls_back_to_the_file_s_own() -> None:
    block = exif({306: (ASCII, "2024:05:17 09:08:07")}, {36867: (ASCII, "soon")})
    assert fields_from_exif(block)["taken"] == datetime(2024, 5, 17, 9, 8, 7)


def test_make_is_not_said_twice() -> None:
    block = exif({271: (ASCII, "Invented"), 272: (ASCII, "INVENTED Box 2")}, {})
    assert fields_from_exif(block)["camera"] == "INVENTED Box 2"


def test_control_characters_do_not_reach_a_report() -> None:
    block = exif({271: (ASCII, "In\nvented\x1b[31m"), 272: (ASCII, "x" * 500)}, {})
    camera = fields_from_exif(block)["camera"]
    assert camera.isprintable()
    assert len(camera) < 170


def test_cut_exif_never_raises() -> None:
    for length in range(0, len(WHOLE), 7):
        assert isinstance(fields_from_exif(WHOLE[:length]), dict)


def test_damaged_exif_never_raises() -> None:
    for at in range(8, len(WHOLE)):
        block = bytearray(WHOLE)
        block[at] ^= 0xFF
        assert isinstance(fields_from_exif(bytes(block)), dict)


def test_missing_file(tmp_path: Path) -> None:
    assert fields_from_file(tmp_path / "no.tif") == {}
