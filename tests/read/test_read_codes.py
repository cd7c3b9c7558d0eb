"""What codes stand for: other colour spaces, depths, ranges, levels, dates: undone or refused.

Files are written by tifffile and Pillow (libtiff, libjpeg), whose own readings are the reference.
"""

from __future__ import annotations

import struct
from datetime import datetime
from pathlib import Path
from typing import Any

import imagecodecs
import numpy as np
import pytest
import tifffile
from numpy.typing import NDArray
from PIL import Image

from platebench.core.errors import CaptureError
from platebench.core.image import CaptureInfo, CaptureKind, SensorFrame
from platebench.core.settings import ScanSettings
from platebench.read.capture import read_capture
from platebench.read.file_kind import AS_TIFF, COPY_AGAIN
from platebench.synthetic import write_dng

from ..refusals import refused

ROWS, COLUMNS = 48, 80
TAKEN = datetime(2020, 1, 2, 3, 4, 5)


def rgb() -> NDArray[np.uint8]:
    y, x = np.mgrid[:ROWS, :COLUMNS]
    return np.stack([40 + x * 2, 200 - y * 2, 60 + x + y], -1).astype(np.uint8)


def grey(bits: int = 16) -> NDArray[np.uint16]:
    y, x = np.mgrid[:ROWS, :COLUMNS]
    return ((37 * x + 5 * y) * ((1 << bits) - 1) // (37 * COLUMNS + 5 * ROWS)).astype(np.uint16)


def tiff(path: Path, pixels: NDArray[Any], **options: Any) -> Path:
    options.setdefault("photometric", "rgb" if pixels.ndim == 3 else "minisblack")
    tifffile.imwrite(path, pixels, metadata=None, **options)
    return path


def with_tag(path: Path, tag: int, *values: int) -> Path:
    """Overwrite the values of a tag of short numbers in the first directory."""
    with tifffile.TiffFile(path) as file:
        entry = file.pages.first.tags[tag]
    data = bytearray(path.read_bytes())
    for place, value in enumerate(values):
        struct.pack_into("<H", data, entry.valueoffset + 2 * place, value)
    path.write_bytes(data)
    return path


# ------------------------------------------------------------------------------- colour spaces


@pytest.mark.parametrize("compression", [None, "zlib", "lzw"])
def test_ycbcr_that_is_no_jpeg_is_refused(tmp_path: Path, compression: str | None) -> None:
    pixels = np.asarray(Image.fromarray(rgb()).convert("YCbCr"))
    path = tiff(
        tmp_path / "a.tif",
        pixels,
        photometric="ycbcr",
        subsampling=(1, 1),
        compression=compression,
    )
    with refused(CaptureError, "YCbCr", path=path, remedy=AS_TIFF):
        read_capture(path)
    Image.fromarray(rgb()).convert("YCbCr").save(tmp_path / "b.tif")  # as libtiff writes it
    with refused(CaptureError, "YCbCr", path=tmp_path / "b.tif", remedy=AS_TIFF):
        read_capture(tmp_path / "b.tif")


@pytest.mark.parametrize("subsampling", [(1, 1), (2, 2)])
@pytest.mark.parametrize("photometric", ["rgb", "ycbcr"])
def test_jpeg_in_tiff_against_pillow(
    tmp_path: Path, photometric: str, subsampling: tuple[int, int]
) -> None:
    options = {"subsampling": subsampling} if photometric == "ycbcr" else {}
    path = tiff(
        tmp_path / "a.tif",
        rgb(),
        photometric=photometric,
        compression="jpeg",
        rowsperstrip=16,
        **options,
    )
    with Image.open(path) as image:
        shown = np.asarray(image.convert("RGB"))
    np.testing.assert_array_equal(read_capture(path).counts, shown.astype(np.uint16) * 257)


@pytest.mark.parametrize("colour", ["rgb", "ycbcr"])
def test_jpegs_of_both_colour_codings_against_pillow(tmp_path: Path, colour: str) -> None:
    """The Adobe marker, or component names, say which of the two it is."""
    path = tmp_path / "a.jpg"
    path.write_bytes(imagecodecs.jpeg8_encode(rgb(), 97, colorspace="rgb", outcolorspace=colour))
    with Image.open(path) as image:
        shown = np.asarray(image.convert("RGB")).astype(int)
    assert np.abs(read_capture(path).counts.astype(int) // 257 - shown).max() <= 1


@pytest.mark.parametrize(
    ("tag", "values"),
    [
        (532, (15, 235, 128, 240, 128, 240)),  # TIFF 6.0, section 20: CCIR 601 headroom
        (529, (0.2126, 0.7152, 0.0722)),  # ITU-R BT.709
    ],
)
def test_other_references_of_ycbcr_are_refused(
    tmp_path: Path, tag: int, values: tuple[float, ...]
) -> None:
    rational = tuple(part for value in values for part in (round(value * 10000), 10000))
    tags = [(tag, 5, len(values), rational, True)]
    path = tiff(tmp_path / "a.tif", rgb(), photometric="ycbcr", compression="jpeg")
    read_capture(path)
    packed = path.read_bytes()
    with tifffile.TiffFile(path) as file:
        found = file.pages.first.tags.get(tag)
    if found is not None:
        data = bytearray(packed)
        struct.pack_into(f"<{len(rational)}I", data, found.valueoffset, *rational)
        path.write_bytes(data)
    else:
        tiff(path, rgb(), photometric="ycbcr", compression="jpeg", extratags=tags)
    with refused(CaptureError, path=path, remedy=AS_TIFF):
        read_capture(path)


def test_numbers_of_channels_that_are_neither_grey_nor_rgb(tmp_path: Path) -> None:
    three = tiff(tmp_path / "a.tif", rgb(), photometric="minisblack", planarconfig="contig")
    with refused(CaptureError, "3", path=three, remedy=AS_TIFF):
        read_capture(three)
    five = np.concatenate([rgb(), rgb()[..., :2]], -1)
    with refused(CaptureError, "5", path=tmp_path / "b.tif", remedy=AS_TIFF):
        read_capture(tiff(tmp_path / "b.tif", five, extrasamples=[0, 0]))


def test_tones_multiplied_by_transparency_are_refused(tmp_path: Path) -> None:
    """TIFF 6.0, section 18: associated alpha is multiplied into the colours, unassociated not."""
    clear, dim = (
        np.concatenate([rgb(), np.full((ROWS, COLUMNS, 1), alpha, np.uint8)], -1)
        for alpha in (255, 128)
    )
    for kind in ("assocalpha", "unassalpha"):
        frame = read_capture(tiff(tmp_path / "a.tif", clear, extrasamples=[kind]))
        np.testing.assert_array_equal(frame.counts, rgb().astype(np.uint16) * 257)
    read_capture(tiff(tmp_path / "b.tif", dim, extrasamples=["unassalpha"]))
    with refused(CaptureError, path=tmp_path / "c.tif", remedy=AS_TIFF):
        read_capture(tiff(tmp_path / "c.tif", dim, extrasamples=["assocalpha"]))


@pytest.mark.parametrize("kind", [np.int8, np.int16, np.float16, np.float32, np.uint32])
def test_signed_and_float_numbers_are_refused(tmp_path: Path, kind: type) -> None:
    with refused(CaptureError, path=tmp_path / "a.tif", remedy=AS_TIFF):
        read_capture(tiff(tmp_path / "a.tif", grey(7).astype(kind)))


# --------------------------------------------------------------------------------------- depth


@pytest.mark.parametrize("compression", [2, 3, 4, 32771])
def test_faxes_of_sixteen_bits_are_refused(tmp_path: Path, compression: int) -> None:
    path = with_tag(tiff(tmp_path / "a.tif", grey(), rowsperstrip=ROWS), 259, compression)
    with refused(CaptureError, path=path, remedy=COPY_AGAIN):
        read_capture(path)


@pytest.mark.parametrize("compression", ["jpeg", "webp", "jpeg2000", "png", "jpegxl"])
def test_eight_bit_pictures_declared_as_sixteen_are_refused(
    tmp_path: Path, compression: str
) -> None:
    """Read as they are declared, their white would be as dark as a dark frame."""
    path = tiff(tmp_path / "a.tif", rgb(), compression=compression)
    read_capture(path)
    with pytest.raises(CaptureError):
        read_capture(with_tag(path, 258, 16, 16, 16))


def test_more_data_than_is_declared_is_refused(tmp_path: Path) -> None:
    path = with_tag(tiff(tmp_path / "a.tif", grey(), rowsperstrip=ROWS), 258, 8)
    with refused(CaptureError, path=path, remedy=AS_TIFF):
        read_capture(path)


# ------------------------------------------------------------------------ twelve bits in sixteen


@pytest.mark.parametrize("bits", [9, 10, 12, 14])
@pytest.mark.parametrize("tag", [281, 341])  # MaxSampleValue, SMaxSampleValue
def test_full_scale_that_a_tag_states(tmp_path: Path, tag: int, bits: int) -> None:
    tags = [(tag, 3, 1, (1 << bits) - 1, True)]
    frame = read_capture(tiff(tmp_path / "a.tif", grey(bits), extratags=tags))
    full = (1 << bits) - 1
    np.testing.assert_array_equal(frame.counts, np.rint(grey(bits) * (65535 / full)))
    assert frame.info.least_bits is None


@pytest.mark.parametrize("stated", [True, False])
def test_twelve_bits_that_count_from_white(tmp_path: Path, stated: bool) -> None:
    tags = [(281, 3, 1, 4095, True)] if stated else []
    path = tiff(tmp_path / "a.tif", grey(12), photometric="miniswhite", extratags=tags)
    frame = read_capture(path, ScanSettings(bits=0 if stated else 12))
    np.testing.assert_array_equal(frame.counts, np.rint((4095 - grey(12)) * (65535 / 4095.0)))


def test_a_largest_value_that_is_a_statistic_is_none(tmp_path: Path) -> None:
    """TIFF 6.0, MaxSampleValue: "not to be used to affect the visual appearance"."""
    values = grey(12)
    for stated in (int(values.max()), 511):  # no full scale; a full scale that values pass
        path = tiff(tmp_path / "a.tif", values, extratags=[(281, 3, 1, stated, True)])
        np.testing.assert_array_equal(read_capture(path).counts, values)


@pytest.mark.parametrize("suffix", ["tif", "png"])
@pytest.mark.parametrize(("bits", "held"), [(7, 8), (9, 10), (12, 12), (13, 14), (16, 16)])
def test_values_that_need_fewer_bits_are_noticed(
    tmp_path: Path, suffix: str, bits: int, held: int
) -> None:
    values, path = grey(bits), tmp_path / f"a.{suffix}"
    values[0, 0] = (1 << bits) - 1
    if suffix == "tif":
        tiff(path, values)
    else:
        path.write_bytes(imagecodecs.png_encode(values))
    frame = read_capture(path)
    assert frame.info.least_bits == held
    np.testing.assert_array_equal(frame.counts, values)  # nothing is assumed unasked
    assert (str((1 << held) - 1) in " ".join(frame.info.notes)) == (held < 16)


def test_bits_that_the_session_states(tmp_path: Path) -> None:
    path = tiff(tmp_path / "a.tif", grey(12))
    frame = read_capture(path, ScanSettings(bits=12))
    np.testing.assert_array_equal(frame.counts, np.rint(grey(12) * (65535 / 4095)))
    assert any("12 bits" in note for note in frame.info.notes)
    with refused(CaptureError, "10 bits", path=path):
        read_capture(path, ScanSettings(bits=10))
    eight = tiff(tmp_path / "b.tif", rgb())
    np.testing.assert_array_equal(
        read_capture(eight, ScanSettings(bits=12)).counts, rgb().astype(np.uint16) * 257
    )


# ------------------------------------------------------------------------------ levels and dates


def _dng(path: Path, *, black: float, compress: bool) -> Path:
    rng = np.random.default_rng(20)
    counts = (rng.normal(2000, 30, (66, 90)) + 5 * np.arange(90)).astype(np.uint16)
    info = CaptureInfo(
        path=path, kind=CaptureKind.RAW, taken=TAKEN, exposure_s=0.5, iso=100, f_number=8.0
    )
    frame = SensorFrame(
        counts=counts,
        pattern=np.array([[0, 1], [1, 2]], np.uint8),
        black=np.full((2, 2), black, np.float32),
        white=16383,
        info=info,
    )
    write_dng(path, frame, compress=compress)
    return path


@pytest.mark.parametrize("compress", [False, True])
@pytest.mark.parametrize("black", [16383, 20000])
def test_black_above_white_is_refused(tmp_path: Path, black: float, compress: bool) -> None:
    with refused(CaptureError, path=tmp_path / "a.dng", remedy=COPY_AGAIN):
        read_capture(_dng(tmp_path / "a.dng", black=black, compress=compress))


@pytest.mark.parametrize("compress", [False, True])
def test_a_date_that_is_none_is_unknown_and_said(tmp_path: Path, compress: bool) -> None:
    path = _dng(tmp_path / "a.dng", black=512, compress=compress)
    whole = read_capture(path)
    assert whole.info.taken == TAKEN
    said = f"{TAKEN:%Y:%m:%d %H:%M:%S}".encode()
    for text, odd in ((b"9999:99:99 99:99:99", True), (b"    :  :     :  :  ", False)):
        path.write_bytes(path.read_bytes().replace(said, text))
        frame = read_capture(path)
        said = text
        np.testing.assert_array_equal(frame.counts, whole.counts)
        assert frame.info.taken is None
        assert frame.info.no_date == (text.decode() if odd else None)
        assert any("no date" in note for note in frame.info.notes) == odd


def test_a_scan_s_date_that_is_none(tmp_path: Path) -> None:
    path = tiff(tmp_path / "a.tif", grey(), datetime="2020:01:02 03:04:05")
    path.write_bytes(path.read_bytes().replace(b"2020:01:02", b"9999:99:99"))
    info = read_capture(path).info
    assert info.taken is None
    assert info.no_date == "9999:99:99 03:04:05"
