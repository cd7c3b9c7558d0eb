"""What a file is, and what is refused before any reader sees it."""

from __future__ import annotations

import os
import struct
from pathlib import Path

import numpy as np
import pytest
import tifffile

from platebench.core.errors import CaptureError
from platebench.core.image import CaptureKind
from platebench.read.capture import read_capture
from platebench.read.file_kind import AS_TIFF, COPY_AGAIN, TO_DNG, FileKind, find_kind

from ..refusals import refused

NAME_IT = "name the capture itself"


@pytest.mark.parametrize(
    ("name", "content", "remedy", "shown"),
    [
        ("a.dng", b"", COPY_AGAIN, ()),
        ("a.dng", b"Frame 12, 1/8 s at f/8, 17 May\n", NAME_IT, ()),
        ("a.dng", "Rückseite: größer\n".encode() * 60, NAME_IT, ()),
        ("a.xmp", b"<?xpacket begin=''?>" * 40, NAME_IT, ()),
        ("a.tif", b"GIF89a" + bytes(range(256)), AS_TIFF, ("GIF",)),
        ("a.tif", b"%PDF-1.7\x00\x01\xff", AS_TIFF, ("PDF",)),
        ("a.jpg", b"RIFF\x10\0\0\0WEBPVP8 ", AS_TIFF, ("WebP",)),
        ("a.jpg", b"\0\0\0\x18ftypheic\0\0\0\0mif1", AS_TIFF, ("phone",)),
        (
            "a.cr3",
            struct.pack(">I4s4sI", 24, b"ftyp", b"crx ", 1) + bytes(600),
            TO_DNG,
            ("LibRaw",),
        ),
        ("a.raw", bytes(5000), COPY_AGAIN, ("zeros",)),
        ("a.raw", bytes(range(256)) * 20, TO_DNG, ("LibRaw",)),
        ("a.tif", b"II*\0\xff\xff\xff\x7f", COPY_AGAIN, ("TIFF",)),
        ("a.tif", b"II*\0", COPY_AGAIN, ("TIFF",)),
        ("a.tif", b"MM\0+\0\x08", COPY_AGAIN, ("TIFF",)),
        ("a.png", b"\x89PNG\r\n\x1a\n", COPY_AGAIN, ("PNG",)),
        ("a.jpg", b"\xff\xd8\xff\xe0", COPY_AGAIN, ("JPEG",)),
        ("a.crw", b"II\x1a\0\0\0HEAPCCDR" + bytes(900), COPY_AGAIN, ()),
    ],
)
def test_what_is_no_capture(
    tmp_path: Path, name: str, content: bytes, remedy: str, shown: tuple[str, ...]
) -> None:
    path = tmp_path / name
    path.write_bytes(content)
    with refused(CaptureError, *shown, path=path, remedy=remedy):
        read_capture(path)
    assert path.read_bytes() == content


def test_missing_folder_pipe_and_impossible_name(tmp_path: Path) -> None:
    with refused(CaptureError, path=tmp_path / "no.dng", cause=FileNotFoundError):
        read_capture(tmp_path / "no.dng")
    with refused(CaptureError, path=tmp_path, cause=IsADirectoryError):
        read_capture(tmp_path)
    with refused(CaptureError, cause=ValueError):
        read_capture(Path("zero\0byte.dng"))
    os.mkfifo(tmp_path / "pipe.dng")
    with refused(CaptureError, path=tmp_path / "pipe.dng", remedy=NAME_IT):
        read_capture(tmp_path / "pipe.dng")


@pytest.mark.skipif(os.geteuid() == 0, reason="root may read everything")
def test_no_permission(tmp_path: Path) -> None:
    path = tmp_path / "a.dng"
    path.write_bytes(b"II*\0")
    path.chmod(0)
    with refused(CaptureError, path=path, cause=PermissionError):
        read_capture(path)


def test_no_permission_as_the_system_reports_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "a.dng"
    path.write_bytes(b"II*\0")

    def refuse(*_args: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "open", refuse)
    with refused(CaptureError, path=path, cause=PermissionError):
        read_capture(path)


def test_kind_comes_from_the_bytes_not_the_name(tmp_path: Path) -> None:
    """LibRaw opens many plain TIFFs, some as zeros: they are scans whatever they are called."""
    pixels = np.arange(37 * 53, dtype=np.uint16).reshape(37, 53)
    path = tmp_path / "scan.dng"
    tifffile.imwrite(path, pixels, photometric="minisblack", metadata=None)
    assert find_kind(path).kind is FileKind.TIFF
    frame = read_capture(path)
    assert frame.info.kind is CaptureKind.SCAN
    np.testing.assert_array_equal(frame.counts, pixels)


@pytest.mark.parametrize("make", ["Invented", None])
def test_tiff_with_a_camera_name_is_a_scan(tmp_path: Path, make: str | None) -> None:
    """Programs copy the camera's name into the TIFFs they make from raws."""
    path = tmp_path / "a.tif"
    tags = [(271, 2, 0, make, True)] if make else []
    tifffile.imwrite(path, np.ones((9, 7), np.uint16), photometric="minisblack", extratags=tags)
    assert find_kind(path).kind is FileKind.TIFF


def test_circular_directories_end(tmp_path: Path) -> None:
    entry = struct.pack("<HHII", 256, 4, 1, 9)
    path = tmp_path / "a.tif"
    path.write_bytes(b"II*\0" + struct.pack("<IH", 8, 1) + entry + struct.pack("<I", 8))
    with refused(CaptureError, path=path, remedy=COPY_AGAIN):
        read_capture(path)


def _crw(size_of_record: int) -> bytes:
    """A CIFF heap of one record and its directory (CIFF 1.0, chapter 3)."""
    data = b"x" * 100
    directory = struct.pack("<HHII", 1, 0x2005, size_of_record, 0) + struct.pack("<I", len(data))
    return b"II" + struct.pack("<I", 26) + b"HEAPCCDR" + bytes(12) + data + directory


def test_crw_directory_is_held_against_the_heap(tmp_path: Path) -> None:
    path = tmp_path / "a.crw"
    path.write_bytes(_crw(100))
    assert find_kind(path).kind is FileKind.RAW
    path.write_bytes(_crw(101))
    with refused(CaptureError, path=path, remedy=COPY_AGAIN):
        find_kind(path)


def test_cr3_boxes_are_held_against_the_file(tmp_path: Path) -> None:
    head = struct.pack(">I4s4sI", 16, b"ftyp", b"crx ", 1)
    path = tmp_path / "a.cr3"
    path.write_bytes(head + struct.pack(">I4s", 108, b"mdat") + bytes(100))
    assert find_kind(path).kind is FileKind.RAW
    path.write_bytes(head + struct.pack(">I4s", 158, b"mdat") + bytes(100))
    with refused(CaptureError, " 50 ", path=path, remedy=COPY_AGAIN):
        find_kind(path)
