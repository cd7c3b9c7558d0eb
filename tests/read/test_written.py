"""Accidents of storage are refused, and healthy pictures that look a little like them are not."""

from __future__ import annotations

import io
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import cv2
import imagecodecs
import numpy as np
import pytest
import tifffile
from bench.accidents import ACCIDENTS, KINDS, REAL_KINDS, outcomes, try_accident
from PIL import Image

from platebench.core.errors import CaptureError
from platebench.core.image import CaptureInfo, CaptureKind, SensorFrame
from platebench.core.settings import ScanSettings
from platebench.read.capture import read_capture
from platebench.read.file_kind import COPY_AGAIN
from platebench.synthetic import write_dng

from ..refusals import refused

PLATES = sorted((Path(__file__).resolve().parents[3] / "shared" / "data" / "plates").glob("*.jpg"))
FRESH = range(1001, 1004)  # seeds on which no limit was tuned
_UNPACKED = ("TIFF, 8 bits grey", "TIFF, 16 bits RGB", "DNG, plain", "cinema DNG")
# Nothing in the file tells these from a picture; docs/damaged-files.md says why.
NOT_KNOWABLE = {
    # A lost stretch with the edges of the tile's rows; and all blocks begin in one column.
    *(("TIFF, 16 bits tiled", accident) for accident in ACCIDENTS if accident != "cut short"),
    # No checksum, and the codes stay codes.
    ("TIFF, zstd", "blocks swapped"),
    ("TIFF, zstd", "block repeated"),
    ("TIFF, LZW", "blocks swapped"),
    ("JPEG, grey", "blocks swapped"),
    ("JPEG, colour", "blocks swapped"),
}
# Some of these could be noticed: `.KDC` shifts rows by a known rule, and in uncompressed files a
# block of bare light in another's place looks like any, but others do not.
NOT_NOTICED = {(kind, "blocks swapped") for kind in (*_UNPACKED, "KDC")}


# ---------------------------------------------------------------------------------- accidents

QUICK = [
    (kind, accident)
    for at, kind in enumerate(KINDS)
    for accident in [*ACCIDENTS, *ACCIDENTS][2 * at % len(ACCIDENTS) :][:4]
    if (kind, accident) not in NOT_KNOWABLE | NOT_NOTICED
]


@pytest.mark.parametrize(("kind", "accident"), QUICK)
def test_an_accident_is_refused(kind: str, accident: str, tmp_path: Path) -> None:
    outcome = try_accident(kind, accident, 7, tmp_path)
    assert outcome is None or outcome.said == "refused", outcome


@pytest.mark.big
def test_hundreds_of_accidents() -> None:
    found = list(outcomes([*FRESH]))
    said = Counter(outcome.said for outcome in found)
    assert len(found) > 300
    silent = [outcome for outcome in found if outcome.silent]
    assert not [o for o in silent if (o.kind, o.accident) not in NOT_KNOWABLE | NOT_NOTICED]
    assert said["refused"] >= 0.96 * len(found), silent  # 97.1 % when it was set


def test_a_whole_tail_of_rows_is_a_doubt(tmp_path: Path) -> None:
    """A margin that a scanner's program added looks the same."""
    scan = _grey().copy()
    scan[-60:] = 0
    path = tmp_path / "a.tif"
    path.write_bytes(_tiff(scan))
    assert any("rows 240 to 299" in note for note in read_capture(path).info.notes)
    path.write_bytes(_tiff(_grey()))
    assert not any("one value" in note for note in read_capture(path).info.notes)


@pytest.mark.parametrize("share", [0.2, 0.5])
def test_tail_of_an_uncompressed_tiff(tmp_path: Path, share: float) -> None:
    data = _tiff(_grey())
    kept = int((1 - share) * len(data)) + 3
    path = tmp_path / "a.tif"
    for byte in (0, 0xFF):  # 0xAA is a grey that this picture has
        path.write_bytes(data[:kept] + bytes([byte]) * (len(data) - kept))
        with refused(CaptureError, path=path, remedy=COPY_AGAIN):
            read_capture(path)


# ------------------------------------------------------------------------------------ healthy


def _grey(rows: int = 300, columns: int = 520) -> Any:
    """Return a slope with a dark disk in it, and noise of 1.5 codes."""
    rng = np.random.default_rng(8)
    y, x = np.mgrid[:rows, :columns]
    disk = 60 / (1 + np.exp((np.hypot(y - rows / 2, x - columns / 2) - rows / 3) / 2))
    return np.clip(90 + x / 8 + y / 9 - disk + rng.normal(0, 1.5, (rows, columns)), 0, 255).astype(
        np.uint8
    )


def test_noisy_shadows_do_not_hide_zeros(tmp_path: Path) -> None:
    """Counts that noise lifts from zero here and there stop doing so at once."""
    counts = np.clip(np.random.default_rng(5).normal(1, 2, (400, 500)), 0, None).astype(np.uint16)
    path = tmp_path / "a.dng"
    info = CaptureInfo(path=path, kind=CaptureKind.RAW, exposure_s=0.5, iso=100, f_number=8.0)
    frame = SensorFrame(
        counts=counts,
        pattern=np.array([[0, 1], [1, 2]], np.uint8),
        black=np.zeros((2, 2), np.float32),
        white=16383,
        info=info,
    )
    write_dng(path, frame)
    read_capture(path)
    data = bytearray(path.read_bytes())
    data[150_001:200_001] = bytes(50_000)
    path.write_bytes(data)
    with pytest.raises(CaptureError, match="never written"):
        read_capture(path)


def test_tiles_may_be_padded_and_no_more(tmp_path: Path) -> None:
    path = tmp_path / "a.tif"
    path.write_bytes(_tiff(_grey(130, 130), tile=(128, 128)))
    read_capture(path)
    data = path.read_bytes()
    with tifffile.TiffFile(path) as file:
        tag: Any = file.pages[0].tags[258]
        at = tag.valueoffset
    path.write_bytes(data[:at] + (4).to_bytes(2, "little") + data[at + 2 :])
    with pytest.raises(CaptureError, match="far more data"):
        read_capture(path)


def _variants(grey: Any) -> Iterator[tuple[str, Any]]:
    """Yield what scanners and people make of a scan."""
    rows, columns = grey.shape
    clipped = np.clip(grey * 1.6 - 60, 0, 255).astype(np.uint8)
    yield "as it is", grey
    yield "clipped", clipped
    yield "clipped, 16 bits", clipped.astype(np.uint16) * 257
    yield "inverted", 255 - grey
    yield "white margin", np.pad(grey, ((40, 60), (30, 50)), constant_values=255)
    yield "black margin", np.pad(grey, ((40, 60), (0, 0)))
    corners = np.array([[20, 15], [columns - 25, 22], [columns - 30, rows - 20], [18, rows - 28]])
    for name, kind in (("soft mask", cv2.LINE_AA), ("hard mask", cv2.LINE_8)):
        mask = cv2.fillConvexPoly(np.zeros_like(grey), corners.astype(np.int32), 255, lineType=kind)
        yield name, (grey * (mask / 255.0)).astype(np.uint8)
    yield "enlarged by repeating", np.repeat(np.repeat(grey, 3, 0), 3, 1)
    yield "enlarged", cv2.resize(grey, None, fx=2.5, fy=2.5, interpolation=cv2.INTER_CUBIC)
    wide = cv2.resize(grey, (2048, 600))
    yield "rows of whole blocks", wide
    yield "twins", np.hstack([wide, wide])
    drawn = np.where(np.add.outer(np.arange(rows) // 40, np.arange(columns) // 40) % 2, 230, 20)
    yield "a chequerboard", drawn.astype(np.uint8)
    text = grey.copy()
    cv2.putText(text, "PLATE 12", (20, 80), cv2.FONT_HERSHEY_SIMPLEX, 2, 255, 3)
    cv2.rectangle(text, (3, 3), (columns - 4, rows - 4), 0, 1)
    yield "written on", text
    yield "colour", cv2.merge([grey, np.roll(grey, 1, 1), 255 - grey])
    turn = cv2.getRotationMatrix2D((columns / 2, rows / 2), 0.15, 1)
    yield "turned a little", cv2.warpAffine(grey, turn, (columns, rows), borderValue=0)


def _tiff(pixels: Any, **options: Any) -> bytes:
    stream = io.BytesIO()
    photometric = "rgb" if pixels.ndim == 3 else "minisblack"
    tifffile.imwrite(stream, pixels, photometric=photometric, metadata=None, **options)
    return stream.getvalue()


def _files(pixels: Any) -> Iterator[tuple[str, bytes]]:
    yield "one strip", _tiff(pixels)
    yield "strips", _tiff(pixels, rowsperstrip=16)
    yield "tiles", _tiff(pixels, tile=(128, 128))
    yield "LZW", _tiff(pixels, compression="lzw", predictor=True)
    yield "zstd", _tiff(pixels, compression="zstd")
    if pixels.dtype == np.uint8:
        yield "JPEG", bytes(imagecodecs.jpeg8_encode(pixels, level=60, optimize=True))
        yield "JPEG in strips", _tiff(pixels, compression="jpeg", rowsperstrip=64)


@pytest.mark.parametrize("name", [name for name, _ in _variants(_grey())])
def test_healthy_scans_are_read(name: str, tmp_path: Path) -> None:
    path = tmp_path / "a.bin"
    for _, data in _files(dict(_variants(_grey()))[name]):
        path.write_bytes(data)
        read_capture(path)


@pytest.mark.big
@pytest.mark.skipif(not PLATES, reason="no shared real files here")
def test_healthy_real_scans_are_read(tmp_path: Path) -> None:
    path = tmp_path / "a.bin"
    for plate in PLATES[4::9]:
        for name, pixels in _variants(cv2.imread(str(plate), cv2.IMREAD_GRAYSCALE)):
            for kind, data in _files(pixels):
                if name == "twins" and kind in ("one strip", "strips", "JPEG in strips"):
                    continue  # whole blocks stand there twice, as after an accident: see the docs
                path.write_bytes(data)
                read_capture(path, ScanSettings(shows="positive"))


def _raws() -> dict[str, Any]:
    rng = np.random.default_rng(3)
    y, x = np.mgrid[:700, :760].astype(float)
    noise = rng.normal(0, 30, y.shape)
    plate = (abs(x - 350 + 0.004 * y) < 200) & (abs(y - 350 - 0.0005 * x) < 220)
    return {
        "slope into clipping": np.clip(4000 + 32 * x + 20 * y + noise, 0, 16383),
        "clipped light box": np.where(plate, 2000 + noise, 16383),
        "clipped sky": np.where(y > 300 + 8 * np.sin(x / 40), 2000 + noise, 16383),
        "the deepest plate": 512 + noise / 10,
        "a dark frame without black level": np.clip(noise / 30, 0, None),
        "one value": np.full(y.shape, 3000.0),
    }


@pytest.mark.parametrize("compress", [False, True])
@pytest.mark.parametrize("iso", [100, None])  # without it, LibRaw reads
@pytest.mark.parametrize("name", _raws())
def test_healthy_raws_are_read(name: str, iso: int | None, compress: bool, tmp_path: Path) -> None:
    path = tmp_path / "a.dng"
    info = CaptureInfo(path=path, kind=CaptureKind.RAW, exposure_s=0.5, iso=iso, f_number=8.0)
    frame = SensorFrame(
        counts=_raws()[name].astype(np.uint16),
        pattern=np.array([[0, 1], [1, 2]], np.uint8),
        black=np.full((2, 2), 512, np.float32),
        white=16383,
        info=info,
    )
    write_dng(path, frame, compress=compress)
    np.testing.assert_array_equal(read_capture(path).counts, frame.counts)


def test_kinds_of_the_bench_are_named_in_one_place() -> None:
    assert not set(KINDS) & set(REAL_KINDS)
    assert {kind for kind, _ in NOT_KNOWABLE} <= {*KINDS, *REAL_KINDS}


def test_a_progressive_jpeg_may_hold_the_same_code_for_long(tmp_path: Path) -> None:
    """A pass that refines a soft picture says "nothing" block after block (ITU-T T.81, G.1.2)."""
    path = tmp_path / "soft.jpg"
    grey = np.random.default_rng(77).normal(117, 3.5, (1300, 1950)).clip(0, 255).astype(np.uint8)
    colour = Image.fromarray(np.dstack([grey, grey // 2, grey]))
    for progressive in (False, True):
        colour.save(path, "jpeg", progressive=progressive)
        assert read_capture(path).shape == grey.shape
