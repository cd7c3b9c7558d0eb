"""Small captures cut and overwritten at random: a frame or one sentence, never anything else."""

from __future__ import annotations

import io
import random
from pathlib import Path
from typing import Any

import imagecodecs
import numpy as np
import pytest
import tifffile
from icc_builder import gamma_curve, rgb_profile
from PIL import Image

from platebench.core.errors import CaptureError
from platebench.core.image import CaptureInfo, CaptureKind, SensorFrame
from platebench.read.capture import read_capture
from platebench.synthetic import write_dng

TRIES = 120


def _grey() -> Any:
    rng = np.random.default_rng(5)
    return (rng.normal(2000, 30, (66, 90)) + 5 * np.arange(90)).astype(np.uint16)


def _rgb8() -> Any:
    return (np.stack([_grey(), _grey() // 2, _grey() // 3], -1) >> 4).astype(np.uint8)


def _dng(folder: Path, compress: bool) -> bytes:
    info = CaptureInfo(path=folder / "seed.dng", kind=CaptureKind.RAW, exposure_s=0.5, iso=100)
    frame = SensorFrame(
        counts=_grey(),
        pattern=np.array([[0, 1], [1, 2]], np.uint8),
        black=np.full((2, 2), 512, np.float32),
        white=16383,
        info=info,
    )
    write_dng(info.path, frame, compress=compress)
    return info.path.read_bytes()


def _tiff(**options: Any) -> bytes:
    buffer = io.BytesIO()
    tifffile.imwrite(buffer, _rgb8(), photometric="rgb", metadata=None, **options)
    return buffer.getvalue()


def _picture(kind: str) -> bytes:
    buffer = io.BytesIO()
    exif = Image.Exif()
    exif[274] = 6
    profile = rgb_profile(*[gamma_curve(1.8)] * 3)
    Image.fromarray(_rgb8()).save(buffer, kind, exif=exif, icc_profile=profile, dpi=(600, 600))
    return buffer.getvalue()


def _seed(kind: str, folder: Path) -> bytes:
    if kind.endswith("dng"):
        return _dng(folder, compress=kind.startswith("packed"))
    if kind == "png of 16 bits":
        return bytes(imagecodecs.png_encode(_grey()))
    if kind in ("png", "jpeg"):
        return _picture(kind)
    compression = {"tiff": None, "lzw tiff": "lzw", "jpeg tiff": "jpeg", "zstd tiff": "zstd"}[kind]
    return _tiff(compression=compression, rowsperstrip=16, bigtiff=kind == "zstd tiff")


def _damage(data: bytes, rnd: random.Random) -> bytes:
    if rnd.random() < 0.2:
        return data[: rnd.randrange(len(data))]
    damaged = bytearray(data)
    for _ in range(rnd.choice((1, 1, 2, 4, 16))):
        end = len(damaged) if rnd.random() < 0.4 else min(len(damaged), 700)
        at = rnd.randrange(end)
        damaged[at] = rnd.choice((0, 255, rnd.randrange(256), damaged[at] ^ 1 << rnd.randrange(8)))
    return bytes(damaged)


KINDS = ("dng", "packed dng", "tiff", "lzw tiff", "jpeg tiff", "zstd tiff", "png", "jpeg")


@pytest.mark.parametrize("kind", [*KINDS, "png of 16 bits"])
def test_damaged_captures(kind: str, tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    seed = _seed(kind, tmp_path)
    rnd = random.Random(kind)  # strings seed the same way on every run
    path = tmp_path / "a.bin"
    path.write_bytes(seed)
    read_capture(path)  # whole, it is read
    refused = 0
    for _ in range(TRIES):
        path.write_bytes(_damage(seed, rnd))
        try:
            read_capture(path)
        except CaptureError as error:
            refused += 1
            assert "\n" not in str(error)
    assert TRIES // 10 < refused <= TRIES
    assert capfd.readouterr().err == ""
