"""What does not fit into memory is refused by its header, in a line, before it is decoded."""

from __future__ import annotations

import struct
import time
import zlib
from pathlib import Path

import cv2
import imagecodecs
import numpy as np
import pytest
import tifffile
from click.testing import CliRunner
from PIL import Image

from platebench.cli import main
from platebench.core.errors import CaptureError
from platebench.core.memory import PROGRAM_BYTES
from platebench.read.capture import read_capture
from platebench.read.declared_size import declared_size
from platebench.read.file_kind import FREE_MEMORY
from platebench.read.metadata import fields_from_exif
from platebench.session.pool import run_all
from platebench.session.room import Peak, peak_of

from ..refusals import refused
from ..session_files import write_session

SHAPE = (120, 200)


def chunk(name: bytes, data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data))


def png(path: Path, rows: int, columns: int, extra: bytes = b"", packed: bytes = b"") -> Path:
    """Write a grey PNG of 16 bits; ``packed`` in place of picture data."""
    head = chunk(b"IHDR", struct.pack(">IIBBBBB", columns, rows, 16, 0, 0, 0, 0))
    data = packed or zlib.compress((b"\0" + bytes(2 * columns)) * rows, 9)
    signature = b"\x89PNG\r\n\x1a\n"
    path.write_bytes(signature + head + extra + chunk(b"IDAT", data) + chunk(b"IEND", b""))
    return path


def chain(count: int) -> bytes:
    """Return a TIFF that is nothing but directories, one behind the other."""
    parts = [b"II*\0\x08\0\0\0"]
    for number in range(count):
        parts.append(struct.pack("<HHHIII", 1, 256, 3, 1, 16, 8 + 18 * (number + 1)))
    return b"".join(parts)


@pytest.mark.parametrize("suffix", ["tif", "png", "jpg", "dng"])
def test_values_are_those_of_the_frame(tmp_path: Path, suffix: str) -> None:
    grey = np.random.default_rng(8).integers(0, 65536, SHAPE).astype(np.uint16)
    path = tmp_path / f"a.{suffix}"
    for channels in (1, 3):
        pixels = np.stack([grey] * 3, -1) if channels == 3 else grey
        if suffix == "tif":
            tifffile.imwrite(path, pixels, photometric="rgb" if channels == 3 else "minisblack")
        elif suffix == "png":
            path.write_bytes(imagecodecs.png_encode(pixels))
        elif suffix == "jpg":
            Image.fromarray((pixels >> 8).astype(np.uint8)).save(path)
        else:
            session = write_session(tmp_path / f"s{channels}", names=("tall",))
            path = session / "tall.dng"
        size = declared_size(path)
        assert size.values == read_capture(path).counts.size
        assert size.reading_bytes >= 2 * size.values


def test_nothing_is_declared_by_what_is_no_capture(tmp_path: Path) -> None:
    (tmp_path / "a.dng").write_bytes(b"notes on plate twelve\n" * 9)
    for name in ("a.dng", "none.tif", "."):
        assert declared_size(tmp_path / name).values == 0


def test_workers_are_planned_and_what_does_not_fit_is_an_error(tmp_path: Path) -> None:
    sizes = {"small": 10, "large": 1000, "middle": 100}
    done = run_all(
        str.upper,
        list(sizes),
        name_of=str,
        workers=4,
        peak=lambda name: Peak(sizes[name], tmp_path / name),
        memory=100,
    )
    assert [done[0], done[2]] == ["SMALL", "MIDDLE"]
    assert isinstance(done[1], CaptureError)
    assert done[1].path == tmp_path / "large"


@pytest.mark.parametrize("command", ["start", "check", "convert", "master"])
def test_a_picture_too_large_is_refused_and_the_others_go_on(tmp_path: Path, command: str) -> None:
    """4 million bytes of PNG that stand for 800 MB, its data no PNG's at all: none is decoded."""
    session = write_session(tmp_path / "shelf", names=("tall",))
    png(session / "vast.png", 20_000, 20_000, packed=bytes(4_100_000))
    if command != "start":
        with (session / "session.toml").open("a", encoding="utf-8") as stream:
            stream.write('\n[[plate]]\nid = "vast"\ncaptures = ["vast.png"]\n')
    else:
        (session / "session.toml").unlink()
    limit = f"{(PROGRAM_BYTES >> 20) + 200}M"
    done = CliRunner().invoke(main, [command, str(session), "--jobs", "1", "--memory", limit])
    said = [line for line in done.output.splitlines() if "vast" in line and "GB" in line]
    assert len(said) >= 1, done.output
    assert done.exit_code == (0 if command == "start" else 3)


def test_a_blank_too_large_is_refused(tmp_path: Path) -> None:
    session = write_session(tmp_path / "shelf", names=("tall",))
    png(session / "vast.png", 20_000, 20_000, packed=bytes(4_100_000))
    path = session / "session.toml"
    text = path.read_text(encoding="utf-8")
    assert '"blank.dng"' in text
    path.write_text(text.replace('"blank.dng"', '"vast.png"'), encoding="utf-8")
    done = CliRunner().invoke(main, ["convert", str(session), "--jobs", "1", "--memory", "600M"])
    assert done.exit_code == CaptureError.exit_code
    assert len(done.stderr.splitlines()) == 1 and "vast.png" in done.stderr


def test_reading_alone_asks_whether_there_is_memory(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = png(tmp_path / "a.png", *SHAPE)
    read_capture(path)
    monkeypatch.setattr("platebench.read.capture.available_bytes", lambda: 1000)
    with refused(CaptureError, path=path, remedy=FREE_MEMORY[0], settings=FREE_MEMORY[1:]):
        read_capture(path)


def test_what_unfolds_to_a_thousand_times_its_size_is_refused(tmp_path: Path) -> None:
    rows = 40_000
    packed = zlib.compress(bytes(1 << 22), 9) * (rows * rows * 2 >> 22)
    with refused(CaptureError, rows, path=tmp_path / "a.png"):
        read_capture(png(tmp_path / "a.png", rows, rows, packed=packed))


def test_chains_of_directories_end(tmp_path: Path) -> None:
    path, start = tmp_path / "a.tif", time.process_time()
    path.write_bytes(chain(70_000))
    with refused(CaptureError, "64", path=path):
        read_capture(path)
    assert fields_from_exif(chain(70_000)) == {}
    read_capture(png(tmp_path / "a.png", *SHAPE, extra=chunk(b"eXIf", chain(70_000))))
    assert time.process_time() - start < 5  # it took minutes; a bound, not a measure


def test_texts_in_a_png_are_not_unpacked(tmp_path: Path) -> None:
    text = chunk(b"zTXt", b"k\0\0" + zlib.compress(bytes(7_000_000), 9))
    start = time.process_time()
    frame = read_capture(png(tmp_path / "a.png", *SHAPE, extra=text * 400))  # 2.8 GB of them
    assert frame.shape == SHAPE
    assert time.process_time() - start < 5


def test_planning_takes_a_bracket_for_as_many_frames(tmp_path: Path) -> None:
    paths = []
    for name in "ab":
        paths.append(tmp_path / f"{name}.png")
        cv2.imwrite(str(paths[-1]), np.zeros(SHAPE, np.uint16))
    one, two = peak_of("mosaic", paths[:1]), peak_of("mosaic", paths)
    assert two.bytes - one.bytes == 4 * SHAPE[0] * SHAPE[1]
