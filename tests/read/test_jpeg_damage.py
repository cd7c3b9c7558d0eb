"""JPEGs with altered bytes: refused wherever either of two readers can know.

Random damage with seeds of their own; docs/decisions/damaged-files.md says what was tuned on what.
"""

from __future__ import annotations

import io
import random
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
import tifffile
from PIL import Image

from platebench.core.errors import CaptureError
from platebench.read.capture import read_capture
from platebench.read.file_kind import COPY_AGAIN
from platebench.read.jpeg_damage import (
    END,
    MOST_PASSES,
    START_OF_SCAN,
    is_padding,
    jpeg_parts,
    refused_by_strict_reader,
)

from ..refusals import refused

TRIES = 12
SAVED: dict[str, dict[str, Any]] = {
    "grey": {},
    "grey, own codes": {"optimize": True},
    "colour": {"subsampling": 2},
    "colour, not subsampled": {"subsampling": 0, "quality": 97},
    "progressive grey": {"progressive": True},
    "progressive colour": {"progressive": True},
    "grey with restarts": {"restart_marker_rows": 1},
    "colour with restarts": {"restart_marker_rows": 2},
}


def picture(channels: int) -> np.ndarray[Any, np.dtype[np.uint8]]:
    rng = np.random.default_rng(44)
    coarse = rng.uniform(20, 235, (9, 12)).astype(np.float32)
    smooth = cv2.resize(coarse, (400, 300), interpolation=cv2.INTER_CUBIC)
    grey = np.clip(smooth + rng.normal(0, 6, smooth.shape), 0, 255).astype(np.uint8)
    return grey if channels == 1 else np.dstack([grey, np.roll(grey, 7, 1), 255 - grey])


def jpeg(kind: str) -> bytes:
    buffer = io.BytesIO()
    options = {"quality": 90, **SAVED[kind]}
    Image.fromarray(picture(1 if "grey" in kind else 3)).save(buffer, "jpeg", **options)
    return buffer.getvalue()


def altered(data: bytes, rnd: random.Random, lowest: int, count: int = 300) -> bytes:
    at = rnd.randrange(lowest, len(data) - count - 2)
    return data[:at] + rnd.randbytes(count) + data[at + count :]


def codes_at(data: bytes) -> int:
    return next(part.at for part in jpeg_parts(data) if part.marker == START_OF_SCAN) + 20


@pytest.mark.parametrize("kind", SAVED)
def test_altered_bytes_among_the_codes(
    kind: str, tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    data, rnd, path = jpeg(kind), random.Random(f"altered {kind}"), tmp_path / "a.jpg"
    path.write_bytes(data)
    read_capture(path)
    for _ in range(TRIES):
        path.write_bytes(altered(data, rnd, codes_at(data)))
        with pytest.raises(CaptureError):
            read_capture(path)
    assert capfd.readouterr().err == ""


@pytest.mark.parametrize("layout", [{"rowsperstrip": 64}, {"tile": (128, 128)}])
@pytest.mark.parametrize("channels", [1, 3])
def test_altered_bytes_of_a_jpeg_inside_a_tiff(
    channels: int, layout: dict[str, Any], tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    """The decoder of TIFFs swallows what libjpeg says."""
    path = tmp_path / "a.tif"
    photometric = "minisblack" if channels == 1 else "rgb"
    tifffile.imwrite(path, picture(channels), photometric=photometric, compression="jpeg", **layout)
    with tifffile.TiffFile(path) as file:
        page = file.pages.first
        pieces = list(zip(page.dataoffsets, page.databytecounts, strict=True))
    read_capture(path)
    data, rnd = path.read_bytes(), random.Random(f"tiff {channels} {layout}")
    for _ in range(TRIES):
        at, size = rnd.choice(pieces)
        piece = data[at : at + size]
        damaged = altered(piece, rnd, codes_at(piece))
        path.write_bytes(data[:at] + damaged + data[at + size :])
        with pytest.raises(CaptureError):
            read_capture(path)
    assert capfd.readouterr().err == ""


@pytest.mark.parametrize("kind", SAVED)
@pytest.mark.parametrize("quality", [1, 60, 100])
@pytest.mark.parametrize("shape", [(17, 16), (64, 64), (101, 257)])
def test_healthy_jpegs_are_let_pass(
    kind: str, quality: int, shape: tuple[int, int], tmp_path: Path
) -> None:
    rng = np.random.default_rng(45)
    path = tmp_path / "a.jpg"
    for pixels in (
        rng.integers(0, 256, (*shape, 3)).astype(np.uint8),
        np.full((*shape, 3), 200, np.uint8),
        picture(3)[: shape[0], : shape[1]],
    ):
        shown = pixels[..., 0] if "grey" in kind else pixels
        Image.fromarray(shown).save(path, **{**SAVED[kind], "quality": quality})
        assert read_capture(path).shape == shape


def test_what_stands_around_the_codes_is_no_damage(tmp_path: Path) -> None:
    data, path = jpeg("colour"), tmp_path / "a.jpg"
    profile = b"\xff\xe2\x00\x12ICC_PROFILE\0\x05\x02ab"  # a part of one that is not there
    exif = b"\xff\xe1\x00\x08Exif\0\0"
    for healthy in (
        data + b"what a camera put after it" * 9,
        data + data,  # a second picture
        data[:-2] + bytes(40) + data[-2:],  # a size rounded up
        data[:-2] + b"\xff" * 9 + data[-2:],  # fill bytes (T.81, B.1.1.2)
        data[:2] + b"\xff\xff" + data[2:],
        data[:2] + exif + data[2:],
    ):
        path.write_bytes(healthy)
        read_capture(path)
    assert not refused_by_strict_reader(data[:2] + profile + data[2:])
    path.write_bytes(data[:-2] + bytes(4096) + data[-2:])
    with pytest.raises(CaptureError):
        read_capture(path)


def test_padding_is_zeros_just_before_the_end() -> None:
    said = "Corrupt JPEG data: {} extraneous bytes before marker 0xd9"
    data = b"\xff\xd8\xff\xda\x00\x02" + b"codes" + bytes(9) + b"\xff\xd9"
    assert [part.marker for part in jpeg_parts(data)] == [START_OF_SCAN, END]
    assert is_padding(said.format(9), data)
    assert not is_padding(said.format(10), data)
    assert not is_padding("Corrupt JPEG data: premature end of data segment", data)


def test_passes_without_end_are_refused(tmp_path: Path) -> None:
    data = jpeg("progressive grey")
    first = next(part for part in jpeg_parts(data) if part.marker == START_OF_SCAN)
    again = data[first.at : first.end] * MOST_PASSES
    (tmp_path / "a.jpg").write_bytes(data[: first.end] + again + data[first.end :])
    with refused(CaptureError, path=tmp_path / "a.jpg", remedy=COPY_AGAIN):
        read_capture(tmp_path / "a.jpg")
