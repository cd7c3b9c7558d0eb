"""Positives as TIFF, read by Pillow, ExifRead and by hand after TIFF 6.0."""

import errno
import struct
import sys
from datetime import datetime

import exifread
import numpy as np
import pytest
from PIL import Image

from platebench.core.errors import WriteError
from platebench.write import tiff
from platebench.write.colour import gray_gamma22_profile, rgb_gamma22_profile
from platebench.write.tiff import same_pixels, write_picture

from ..refusals import refused

TAKEN = datetime(2026, 3, 4, 15, 6, 7)
XMP = b'<x:xmpmeta xmlns:x="adobe:ns:meta/"/>'


def picture(shape=(37, 53)):
    rows, columns = np.indices(shape[:2])
    grey = (rows * 700 + columns * 90 + (rows * columns) % 13).astype(np.uint16)
    return grey if len(shape) == 2 else np.stack([grey, grey // 2, 65535 - grey], axis=-1)


def write(path, pixels, **changed):
    tags = {
        "ppi": 2000.5,
        "description": "Plate 7",
        "software": "platebench",
        "taken": TAKEN,
        "xmp": XMP,
    }
    write_picture(path, pixels, **tags | changed)
    return path


def entries(data):
    """Return {tag: (type, count, value or offset)} of a classic little-endian TIFF, in order."""
    assert data[:4] == b"II*\0"
    (start,) = struct.unpack_from("<I", data, 4)
    (count,) = struct.unpack_from("<H", data, start)
    fields = [struct.unpack_from("<HHII", data, start + 2 + 12 * i) for i in range(count)]
    assert struct.unpack_from("<I", data, start + 2 + 12 * count) == (0,)  # one picture only
    return {tag: (kind, number, value) for tag, kind, number, value in fields}


@pytest.mark.parametrize("compression", ["none", "zstd", "deflate"])
@pytest.mark.parametrize("shape", [(37, 53), (1, 9), (700, 3), (37, 53, 3)])
def test_pixels_come_back_in_another_reader(tmp_path, compression, shape):
    pixels = picture(shape)
    path = write(tmp_path / "a.tif", pixels, compression=compression)
    assert same_pixels(path, pixels)
    if pixels.ndim == 3:  # Pillow has no 16-bit colour
        return
    with Image.open(path) as image:
        assert image.mode == "I;16"
        np.testing.assert_array_equal(np.asarray(image), pixels)


def test_mirrored_and_read_only_pixels_are_written_as_they_look(tmp_path):
    pixels = picture()[:, ::-1]
    pixels.flags.writeable = False
    with Image.open(write(tmp_path / "a.tif", pixels)) as image:
        np.testing.assert_array_equal(np.asarray(image), pixels)


def test_tags_are_those_of_tiff_6_baseline_grey(tmp_path):
    path = write(tmp_path / "a.tif", picture())
    fields = entries(path.read_bytes())
    assert list(fields) == sorted(fields)  # TIFF 6.0: entries in ascending order
    # tag: type (2 ASCII, 3 SHORT, 4 LONG, 5 RATIONAL, 7 UNDEFINED), count, value; TIFF 6.0 p. 22.
    assert fields[256][2] == 53
    assert fields[257][2] == 37
    assert fields[258] == (3, 1, 16)
    assert fields[259] == (3, 1, 1)  # not compressed
    assert fields[262] == (3, 1, 1)  # BlackIsZero
    assert fields[277] == (3, 1, 1)
    assert fields[278][2] == 37  # one strip
    assert fields[279][2] == 37 * 53 * 2
    assert fields[282][0] == fields[283][0] == 5
    assert fields[296] == (3, 1, 2)  # inch
    assert fields[306][:2] == (2, 20)
    assert fields[34675][:2] == (7, len(gray_gamma22_profile()))
    assert fields[700][:2] == (1, len(XMP))
    assert 339 not in fields or fields[339] == (3, 1, 1)  # unsigned
    strip = fields[273][2]
    np.testing.assert_array_equal(
        np.frombuffer(path.read_bytes()[strip:], "<u2", 37 * 53), picture().ravel()
    )


@pytest.mark.parametrize(("compression", "code"), [("deflate", 8), ("zstd", 50000)])
def test_compressed_strips_are_declared(tmp_path, compression, code):
    fields = entries(write(tmp_path / "a.tif", picture(), compression=compression).read_bytes())
    # 8: TIFF technical notes 2 (2002); 50000: as libtiff registers it.
    assert fields[259] == (3, 1, code)
    assert fields[317] == (3, 1, 2)  # horizontal differencing, TIFF 6.0 section 14


def test_what_it_says_of_itself_is_read_by_others(tmp_path):
    path = write(tmp_path / "a.tif", picture())
    with Image.open(path) as image:
        tags = image.tag_v2
        assert image.info["dpi"] == pytest.approx((2000.5, 2000.5))
        assert image.info["icc_profile"] == gray_gamma22_profile()
        assert tags[700] == XMP
    assert (tags[270], tags[305], tags[306]) == ("Plate 7", "platebench", "2026:03:04 15:06:07")
    with path.open("rb") as stream:
        read = exifread.process_file(stream, details=False)
    assert read["Image BitsPerSample"].values == [16]
    assert read["Image ImageDescription"].values == "Plate 7"
    assert read["Image DateTime"].values == "2026:03:04 15:06:07"
    assert read["Image ResolutionUnit"].printable == "Pixels/Inch"
    assert float(read["Image XResolution"].values[0]) == pytest.approx(2000.5)


def test_colour_has_a_colour_profile(tmp_path):
    fields = entries(write(tmp_path / "a.tif", picture((37, 53, 3))).read_bytes())
    assert fields[262] == (3, 1, 2)  # RGB
    assert fields[277] == (3, 1, 3)
    assert fields[258][:2] == (3, 3)
    assert fields[34675][1] == len(rgb_gamma22_profile())


def test_unknown_resolution_time_and_notes_are_left_out(tmp_path):
    path = write(tmp_path / "a.tif", picture(), ppi=None, taken=None, xmp=b"", description="")
    fields = entries(path.read_bytes())
    assert fields[296] == (3, 1, 1)  # no absolute unit
    assert not {270, 306, 700} & set(fields)


def test_text_becomes_ascii(tmp_path):
    path = write(tmp_path / "a.tif", picture(), description="Glacier de l'Été, n° 7 \u2603")
    with Image.open(path) as image:
        assert image.tag_v2[270] == "Glacier de l'Ete, n? 7 ?"


@pytest.mark.parametrize("compression", ["none", "zstd", "deflate"])
def test_same_picture_same_bytes_for_any_number_of_threads(tmp_path, compression):
    pixels = picture((700, 901))
    first = write(tmp_path / "a.tif", pixels, compression=compression)
    second = write(tmp_path / "b.tif", pixels, compression=compression, workers=2)
    assert first.read_bytes() == second.read_bytes()


def test_a_picture_past_the_limit_becomes_bigtiff(tmp_path, monkeypatch):
    monkeypatch.setattr(tiff, "CLASSIC_LIMIT", picture().nbytes - 1)
    path = write(tmp_path / "a.tif", picture())
    assert path.read_bytes()[:8] == b"II+\0\x08\0\0\0"  # magic 43, 8-byte offsets
    with Image.open(path) as image:
        np.testing.assert_array_equal(np.asarray(image), picture())


def test_read_back_sees_one_wrong_bit(tmp_path):
    path = write(tmp_path / "a.tif", picture())
    data = bytearray(path.read_bytes())
    data[entries(bytes(data))[273][2] + 37 * 53 * 2 - 1] ^= 1  # the last pixel
    path.write_bytes(data)
    assert not same_pixels(path, picture())
    assert not same_pixels(path, picture((53, 37)))


def test_what_reads_back_different_is_not_left_behind(tmp_path, monkeypatch):
    write(tmp_path / "a.tif", picture())
    before = (tmp_path / "a.tif").read_bytes()
    monkeypatch.setattr(tiff, "same_pixels", lambda path, pixels: False)
    with refused(WriteError, path=tmp_path / "a.tif"):
        write(tmp_path / "a.tif", picture() + np.uint16(1))
    assert [p.name for p in tmp_path.iterdir()] == ["a.tif"]
    assert (tmp_path / "a.tif").read_bytes() == before


def test_no_folder_is_one_clear_error(tmp_path):
    with refused(WriteError, path=tmp_path / "gone" / "a.tif", cause=FileNotFoundError):
        write(tmp_path / "gone" / "a.tif", picture())


@pytest.mark.skipif(sys.platform == "win32", reason="no file size limit to set")
@pytest.mark.parametrize("compression", ["none", "zstd", "deflate"])
def test_the_systems_reason_not_to_write_is_told(tmp_path, compression):
    import resource

    noise = np.random.default_rng(3).integers(0, 65536, (700, 901), dtype=np.uint16)
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (500_000, hard))
    try:
        with refused(WriteError, path=tmp_path / "a.tif", cause=errno.EFBIG):
            write(tmp_path / "a.tif", noise, compression=compression)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    assert not list(tmp_path.iterdir())
