"""Scans written by independent writers (Pillow, tifffile, libpng), read back by ours."""

from __future__ import annotations

import io
import struct
import zlib
from datetime import datetime
from pathlib import Path
from typing import Any

import imagecodecs
import numpy as np
import pytest
import tifffile
from icc_builder import gamma_curve, grey_profile, rgb_profile, table_only_profile
from numpy.typing import NDArray
from PIL import Image, ImageOps
from PIL.TiffImagePlugin import IFDRational

from platebench.core.errors import CaptureError
from platebench.core.image import MONO_PATTERN, CaptureKind, SensorFrame
from platebench.core.settings import ScanSettings
from platebench.read.capture import read_capture
from platebench.read.file_kind import AS_TIFF, COPY_AGAIN
from platebench.read.scan_curve import ProfileError

from ..refusals import refused

ROWS, COLUMNS = 37, 53


def grey16() -> NDArray[np.uint16]:
    y, x = np.mgrid[:ROWS, :COLUMNS]
    return (1000 + 900 * x + 350 * y).astype(np.uint16)


def rgb16() -> NDArray[np.uint16]:
    return np.stack([grey16(), grey16() // 2, grey16() // 3 + 7], axis=-1)


def grey8() -> NDArray[np.uint8]:
    return (grey16() >> 8).astype(np.uint8)


def rgb8() -> NDArray[np.uint8]:
    return (rgb16() >> 8).astype(np.uint8)


def tiff(path: Path, pixels: NDArray[Any], **options: Any) -> Path:
    options.setdefault("photometric", "rgb" if pixels.ndim == 3 else "minisblack")
    tifffile.imwrite(path, pixels, metadata=None, **options)
    return path


def light(frame: SensorFrame) -> NDArray[np.float32]:
    assert frame.curve is not None
    return frame.curve[frame.counts]


# ------------------------------------------------------------------------------- every container


@pytest.mark.parametrize("order", ["<", ">"])
@pytest.mark.parametrize("bigtiff", [False, True])
@pytest.mark.parametrize("compression", [None, "lzw", "zlib", "zstd", "packbits"])
def test_tiff_16_bit_grey(
    tmp_path: Path, compression: str | None, bigtiff: bool, order: str
) -> None:
    options: dict[str, Any] = {"compression": compression, "bigtiff": bigtiff, "byteorder": order}
    frame = read_capture(tiff(tmp_path / "a.tif", grey16(), rowsperstrip=10, **options))
    np.testing.assert_array_equal(frame.counts, grey16())
    assert frame.counts.dtype == np.uint16
    np.testing.assert_array_equal(frame.pattern, MONO_PATTERN)
    assert frame.black.tolist() == [[0]]
    assert frame.white == 65535
    assert frame.info.kind is CaptureKind.SCAN


@pytest.mark.parametrize(
    "options",
    [
        {},
        {"tile": (16, 32), "compression": "zlib", "predictor": True},
        {"planarconfig": "separate"},
        {"planarconfig": "separate", "byteorder": ">", "bigtiff": True},
    ],
)
def test_tiff_16_bit_rgb(tmp_path: Path, options: dict[str, Any]) -> None:
    planes = options.get("planarconfig") == "separate"
    pixels = np.ascontiguousarray(np.moveaxis(rgb16(), 2, 0)) if planes else rgb16()
    frame = read_capture(tiff(tmp_path / "a.tif", pixels, **options))
    np.testing.assert_array_equal(frame.counts, rgb16())
    assert frame.black.shape == (3,)


@pytest.mark.parametrize("pixels", [grey8(), rgb8()])
def test_eight_bits_are_spread_over_sixteen(tmp_path: Path, pixels: NDArray[np.uint8]) -> None:
    # 255 * 257 = 65535: the only whole factor that keeps both ends.
    expected = pixels.astype(np.uint16) * 257
    Image.fromarray(pixels).save(tmp_path / "a.png")
    for path in (tiff(tmp_path / "a.tif", pixels), tmp_path / "a.png"):
        np.testing.assert_array_equal(read_capture(path).counts, expected)


@pytest.mark.parametrize("pixels", [grey16(), rgb16()])
def test_png_of_16_bits(tmp_path: Path, pixels: NDArray[np.uint16]) -> None:
    path = tmp_path / "a.png"
    path.write_bytes(imagecodecs.png_encode(pixels))
    np.testing.assert_array_equal(read_capture(path).counts, pixels)


@pytest.mark.parametrize("pixels", [grey8(), rgb8()])
def test_jpeg_against_pillow(tmp_path: Path, pixels: NDArray[np.uint8]) -> None:
    path = tmp_path / "a.jpg"
    Image.fromarray(pixels).save(path, quality=95, subsampling=0)
    frame = read_capture(path)
    with Image.open(path) as image:
        decoded = np.asarray(image)
    assert np.max(np.abs(frame.counts.astype(int) // 257 - decoded)) <= 1  # two decoders' rounding
    assert np.ptp(frame.counts) > 20000


def test_jpeg_inside_tiff(tmp_path: Path) -> None:
    path = tiff(tmp_path / "a.tif", rgb8(), compression="jpeg", tile=(32, 32))
    frame = read_capture(path)
    assert np.mean(np.abs(frame.counts.astype(int) // 257 - rgb8())) < 4


def test_transparency_is_dropped_and_said(tmp_path: Path) -> None:
    alpha = grey16()[..., None]
    pixels = np.concatenate([rgb16(), alpha], axis=-1)
    frame = read_capture(tiff(tmp_path / "a.tif", pixels, extrasamples=["unassalpha"]))
    np.testing.assert_array_equal(frame.counts, rgb16())
    assert "its transparency was dropped" in frame.info.notes
    pixels[..., 3] = 65535
    frame = read_capture(tiff(tmp_path / "b.tif", pixels, extrasamples=["unassalpha"]))
    assert "its transparency was dropped" not in frame.info.notes
    path = tmp_path / "a.png"
    path.write_bytes(imagecodecs.png_encode(np.concatenate([grey16()[..., None], alpha], -1)))
    np.testing.assert_array_equal(read_capture(path).counts, grey16())


def test_white_is_zero_is_turned(tmp_path: Path) -> None:
    frame = read_capture(tiff(tmp_path / "a.tif", grey16(), photometric="miniswhite"))
    np.testing.assert_array_equal(frame.counts, 65535 - grey16())


def test_twelve_bits_reach_full_scale(tmp_path: Path) -> None:
    values = (grey16() >> 4).astype(np.uint16)
    values[0, 0], values[0, 1] = 0, 4095
    packed = imagecodecs.packints_encode(values, 12, runlen=COLUMNS)  # rows end on a byte
    path = tmp_path / "a.tif"
    path.write_bytes(_plain_tiff(packed, bits=12))
    frame = read_capture(path)
    assert (frame.counts[0, 0], frame.counts[0, 1]) == (0, 65535)
    np.testing.assert_allclose(frame.counts, values * (65535 / 4095), atol=0.5)


def _plain_tiff(data: bytes, bits: int, **tags: int) -> bytes:
    """One uncompressed strip after TIFF 6.0; ``tags`` (t256=...) replace or add."""
    entries = {
        256: COLUMNS,
        257: ROWS,
        258: bits,
        259: 1,
        262: 1,
        273: 8,
        277: 1,
        278: ROWS,
        279: len(data),
    }
    entries |= {int(name[1:]): value for name, value in tags.items()}
    directory = b"".join(struct.pack("<HHII", tag, 4, 1, entries[tag]) for tag in sorted(entries))
    at = 8 + len(data)
    head = b"II*\0" + struct.pack("<I", at)
    return head + data + struct.pack("<H", len(entries)) + directory + bytes(4)


def test_the_full_size_picture_is_read(tmp_path: Path) -> None:
    path = tmp_path / "a.tif"
    with tifffile.TiffWriter(path) as writer:
        small = {"photometric": "minisblack", "metadata": None}
        writer.write(grey16()[::4, ::4], subfiletype=1, **small)
        writer.write(grey16()[::3, ::3], **small)
        writer.write(grey16(), **small)
    frame = read_capture(path)
    np.testing.assert_array_equal(frame.counts, grey16())
    assert any("2 pictures" in note for note in frame.info.notes)


# ------------------------------------------------------------------------------------- tone


def test_no_profile_takes_the_setting_and_says_so(tmp_path: Path) -> None:
    path = tiff(tmp_path / "a.tif", grey16())
    frame = read_capture(path, ScanSettings(gamma=1.8))
    np.testing.assert_allclose(light(frame), 65535 * (grey16() / 65535) ** 1.8, rtol=1e-5)
    assert any("gamma 1.8" in note for note in frame.info.notes)
    assert light(read_capture(path, ScanSettings(gamma=1.0)))[3, 4] == grey16()[3, 4]


@pytest.mark.parametrize("suffix", [".tif", ".png", ".jpg"])
def test_embedded_profile_is_undone(tmp_path: Path, suffix: str) -> None:
    profile = grey_profile(gamma_curve(1.5))
    path = tmp_path / f"a{suffix}"
    if suffix == ".tif":
        tiff(path, grey8(), iccprofile=profile)
    else:
        Image.fromarray(grey8()).save(path, icc_profile=profile)
    frame = read_capture(path, ScanSettings(gamma=2.2))
    expected = 65535 * (frame.counts / 65535) ** 1.5
    np.testing.assert_allclose(light(frame), expected, rtol=1e-5)
    assert 'colour profile "Bench scanner": undone to linear light' in frame.info.notes


def test_long_profile_in_several_jpeg_segments(tmp_path: Path) -> None:
    profile = grey_profile(gamma_curve(1.5)) + bytes(150_000)
    Image.fromarray(grey8()).save(tmp_path / "a.jpg", icc_profile=profile)
    frame = read_capture(tmp_path / "a.jpg")
    assert any("Bench scanner" in note for note in frame.info.notes)


def test_three_different_curves_are_undone_in_the_counts(tmp_path: Path) -> None:
    gammas = (1.0, 1.5, 2.0)
    profile = rgb_profile(*(gamma_curve(gamma) for gamma in gammas))
    frame = read_capture(tiff(tmp_path / "a.tif", rgb16(), iccprofile=profile))
    assert frame.curve is None
    for channel, gamma in enumerate(gammas):
        expected = 65535 * (rgb16()[..., channel] / 65535) ** gamma
        np.testing.assert_allclose(frame.counts[..., channel], expected, atol=0.51)
    assert any("different curves" in note for note in frame.info.notes)


def test_profile_that_cannot_be_undone_is_refused_with_a_remedy(tmp_path: Path) -> None:
    path = tiff(tmp_path / "a.tif", rgb16(), iccprofile=table_only_profile())
    with refused(CaptureError, path=path, cause=ProfileError):
        read_capture(path)


def test_positive_is_read_as_it_is(tmp_path: Path) -> None:
    path = tiff(tmp_path / "a.tif", grey16())
    frame = read_capture(path, ScanSettings(shows="positive"))
    np.testing.assert_array_equal(frame.counts, grey16())
    assert frame.info.shows_positive
    assert any("positive" in note for note in frame.info.notes)


def _png_with(chunk: bytes, data: bytes) -> bytes:
    """A PNG with one more chunk after its header (PNG third edition, 5.3)."""
    png = bytes(imagecodecs.png_encode(grey16()))
    body = chunk + data
    extra = struct.pack(">I", len(data)) + body + struct.pack(">I", zlib.crc32(body))
    return png[:33] + extra + png[33:]


def test_png_gamma_and_srgb_chunks(tmp_path: Path) -> None:
    path = tmp_path / "a.png"
    path.write_bytes(_png_with(b"gAMA", struct.pack(">I", 55556)))  # 1 / 1.8, PNG 11.3.2.2
    frame = read_capture(path, ScanSettings(gamma=2.2))
    np.testing.assert_allclose(light(frame), 65535 * (grey16() / 65535) ** 1.8, rtol=1e-4)
    path.write_bytes(_png_with(b"sRGB", b"\0"))
    frame = read_capture(path, ScanSettings(gamma=1.0))
    code = grey16() / 65535  # all above 0.04045 but a few
    expected = np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4)
    np.testing.assert_allclose(light(frame), 65535 * expected, rtol=1e-5)


def test_png_damaged_profile_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "a.png"
    packed = zlib.compress(grey_profile(gamma_curve(1.5)))[:-20]
    path.write_bytes(_png_with(b"iCCP", b"name\0\0" + packed))
    with refused(CaptureError, path=path, remedy=COPY_AGAIN):
        read_capture(path)


def test_camera_jpeg_is_srgb_and_said_not_to_measure(tmp_path: Path) -> None:
    exif = Image.Exif()
    exif[271], exif[272], exif[274] = "Invented", "Invented Box 2", 6
    exif.get_ifd(34665).update(
        {
            33434: IFDRational(1, 4),
            33437: IFDRational(8),
            34855: 400,
            36867: "2024:05:17 09:08:07",
            37521: "25",
            40961: 1,  # sRGB (Exif, ColorSpace)
        }
    )
    path = tmp_path / "a.jpg"
    Image.fromarray(grey8()).save(path, exif=exif, quality=95)
    frame = read_capture(path, ScanSettings(gamma=1.0))
    assert frame.shape == (COLUMNS, ROWS)
    assert frame.info.camera == "Invented Box 2"
    assert frame.info.exposure_s == 0.25
    assert frame.info.iso == 400
    assert frame.info.taken == datetime(2024, 5, 17, 9, 8, 7, 250000)
    assert frame.info.orientation == 6
    assert any("sRGB" in note for note in frame.info.notes)
    assert any("not to measure" in note for note in frame.info.notes)
    assert frame.curve is not None
    assert frame.curve[32768] / 65535 == pytest.approx(0.21405, abs=2e-5)


# -------------------------------------------------------------------- orientation, resolution


@pytest.mark.parametrize("orientation", range(1, 9))
def test_orientation_against_pillow(tmp_path: Path, orientation: int) -> None:
    exif = Image.Exif()
    exif[274] = orientation
    image = Image.fromarray(rgb8())
    image.save(tmp_path / "a.png", exif=exif)
    image.save(tmp_path / "a.tif", exif=exif)
    with Image.open(tmp_path / "a.png") as opened:
        expected = np.asarray(ImageOps.exif_transpose(opened)).astype(np.uint16) * 257
    for name in ("a.png", "a.tif"):
        frame = read_capture(tmp_path / name)
        np.testing.assert_array_equal(frame.counts, expected)
        assert frame.info.orientation == orientation


def test_resolution(tmp_path: Path) -> None:
    inch = tiff(tmp_path / "a.tif", grey16(), resolution=(1200, 1200), resolutionunit="INCH")
    assert read_capture(inch).info.ppi == 1200
    cm = tiff(tmp_path / "b.tif", grey16(), resolution=(200, 200), resolutionunit="CENTIMETER")
    assert read_capture(cm).info.ppi == pytest.approx(508)  # 200 / cm x 2.54 cm
    none = tiff(tmp_path / "c.tif", grey16(), resolution=(1, 1), resolutionunit="NONE")
    assert read_capture(none).info.ppi is None
    Image.fromarray(grey8()).save(tmp_path / "d.jpg", dpi=(600, 600))
    assert read_capture(tmp_path / "d.jpg").info.ppi == 600
    Image.fromarray(grey8()).save(tmp_path / "e.png", dpi=(600, 600))
    whole = read_capture(tmp_path / "e.png").info.ppi
    assert whole == pytest.approx(600, abs=0.02)  # whole pixels a metre
    placeholder = tiff(tmp_path / "f.tif", grey16(), resolution=(72, 72), resolutionunit="INCH")
    assert read_capture(placeholder).info.ppi is None


# ------------------------------------------------------------------------------------ refusals


@pytest.mark.parametrize(
    ("pixels", "options", "shown"),
    [
        (grey16().astype(np.float32), {}, ()),
        (grey16().astype(np.uint32), {}, ()),
        (grey16() > 20000, {}, ("one bit",)),
        (np.stack([grey8()] * 4, -1), {"photometric": "separated"}, ("CMYK",)),
        (rgb8(), {"photometric": "cielab"}, ("Lab",)),
        (
            grey8(),
            {"photometric": "palette", "colormap": np.zeros((3, 256), np.uint16)},
            ("palette",),
        ),
        (np.zeros((4, 48, 64), np.uint16), {"volumetric": True}, ()),
    ],
)
def test_tiffs_that_are_no_measure(
    tmp_path: Path, pixels: NDArray[Any], options: dict[str, Any], shown: tuple[str, ...]
) -> None:
    options.setdefault("photometric", "minisblack")
    with refused(CaptureError, *shown, path=tmp_path / "a.tif", remedy=AS_TIFF):
        read_capture(tiff(tmp_path / "a.tif", pixels, **options))


def test_other_pngs_and_jpegs(tmp_path: Path) -> None:
    Image.fromarray(grey8()).convert("P").save(tmp_path / "p.png")
    Image.fromarray(grey8() > 99).save(tmp_path / "b.png")
    Image.fromarray(np.stack([grey8()] * 4, -1), "CMYK").save(tmp_path / "c.jpg")
    matches = {"p.png": "palette", "b.png": "one bit", "c.jpg": "4 channels"}
    for name, shown in matches.items():
        with refused(CaptureError, shown, path=tmp_path / name, remedy=AS_TIFF):
            read_capture(tmp_path / name)


def _bytes_of(kind: str) -> bytes:
    buffer = io.BytesIO()
    if kind in ("png", "jpeg"):
        Image.fromarray(rgb8()).save(buffer, kind)
    else:
        compression = None if kind == "tiff" else "zlib"
        tifffile.imwrite(buffer, rgb16(), photometric="rgb", compression=compression, metadata=None)
    return buffer.getvalue()


@pytest.mark.parametrize("share", [0.97, 0.6, 0.3])
@pytest.mark.parametrize("kind", ["png", "jpeg", "tiff", "packed tiff"])
def test_cut_off_scans_are_refused(
    tmp_path: Path, kind: str, share: float, capfd: pytest.CaptureFixture[str]
) -> None:
    data = _bytes_of(kind)
    path = tmp_path / "a.bin"
    path.write_bytes(data[: int(len(data) * share)])
    with refused(CaptureError, path=path, remedy=COPY_AGAIN):
        read_capture(path)
    assert capfd.readouterr().err == ""


def test_jpeg_damage_that_its_decoder_only_mutters_about(
    tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    """libjpeg writes a line to stderr, fills up with grey and reports success."""
    data = bytearray(_bytes_of("jpeg"))
    scan = data.index(b"\xff\xda")
    del data[scan + 14 + (len(data) - scan) // 2 : -2]
    path = tmp_path / "a.jpg"
    path.write_bytes(data)
    with refused(CaptureError, path=path, remedy=COPY_AGAIN):
        read_capture(path)
    assert capfd.readouterr().err == ""


@pytest.mark.parametrize(
    "tags",
    [
        {"t256": 4_000_000_000, "t257": 4_000_000_000},  # 16 EB
        {"t256": 1_000_000, "t257": 1_000_000, "t278": 1_000_000},  # 2 TB in one strip
        {"t277": 65535},
        {"t273": 4_000_000_000},
        {"t279": 4_000_000_000},
        {"t256": 0},
    ],
)
@pytest.mark.parametrize("compression", [1, 8])
def test_absurd_headers_are_refused_before_memory_is_asked_for(
    tmp_path: Path, tags: dict[str, int], compression: int
) -> None:
    path = tmp_path / "a.tif"
    path.write_bytes(_plain_tiff(grey16().tobytes(), bits=16, t259=compression, **tags))
    with pytest.raises(CaptureError):
        read_capture(path)


def test_missing_strips_are_refused(tmp_path: Path) -> None:
    """tifffile fills the rows of absent strips with zeros, without an error."""
    path = tmp_path / "a.tif"
    path.write_bytes(_plain_tiff(grey16().tobytes(), bits=16, t278=10))
    with refused(CaptureError, " 3 ", path=path, remedy=COPY_AGAIN):
        read_capture(path)


def test_absurd_png_size_is_refused(tmp_path: Path) -> None:
    png = bytearray(_bytes_of("png"))
    png[16:24] = struct.pack(">II", 2_000_000_000, 2_000_000_000)
    png[29:33] = struct.pack(">I", zlib.crc32(bytes(png[12:29])))
    path = tmp_path / "a.png"
    path.write_bytes(png)
    with refused(CaptureError, "2000000000 x 2000000000", path=path):
        read_capture(path)
