"""Raw files: read back by LibRaw (through rawpy) and exifread, both independent of the writer."""

from dataclasses import replace
from datetime import datetime
from pathlib import Path

import exifread
import numpy as np
import pytest
import rawpy

from platebench.core.errors import WriteError
from platebench.core.image import MONO_PATTERN, CaptureInfo, CaptureKind, SensorFrame
from platebench.synthetic import write_dng
from platebench.synthetic.camera import cfa_pattern

SHAPE = (702, 1334)  # more than one tile, and no multiple of it


def made(cfa: str = "RGGB", bits: int = 14, shape: tuple[int, ...] = SHAPE) -> SensorFrame:
    rng = np.random.default_rng(2718)
    pattern = cfa_pattern(cfa) if len(shape) == 2 else MONO_PATTERN
    levels = pattern.shape if len(shape) == 2 else (3,)
    return SensorFrame(
        counts=rng.integers(0, 2**bits, shape, dtype=np.uint16),
        pattern=pattern,
        black=np.full(levels, 2.0 ** (bits - 5), np.float32),
        white=2.0**bits - 1,
        info=CaptureInfo(
            path=Path("x.dng"),
            kind=CaptureKind.RAW,
            camera="Halvorn C6",
            taken=datetime(2031, 6, 14, 15, 9, 26),
            exposure_s=1 / 15,
            f_number=5.6,
            iso=200,
            focal_length_mm=90,
        ),
    )


@pytest.mark.parametrize("compress", [False, True])
@pytest.mark.parametrize("bits", [12, 14, 16])
@pytest.mark.parametrize("cfa", ["RGGB", "BGGR", "GRBG", "GBRG", "XTRANS", "MONO"])
def test_libraw_reads_back_every_count(tmp_path: Path, cfa: str, bits: int, compress: bool) -> None:
    frame = made(cfa, bits)
    path = tmp_path / "a.dng"
    write_dng(path, frame, compress=compress)
    with rawpy.imread(str(path)) as raw:
        assert np.array_equal(raw.raw_image_visible, frame.counts)
        assert raw.white_level == 2**bits - 1
        assert set(raw.black_level_per_channel) == {2 ** (bits - 5)}
        if cfa == "MONO":
            assert raw.num_colors == 1
        else:
            # LibRaw's colours: 0 red, 1 green, 2 blue, 3 the other green
            seen = np.where(raw.raw_colors_visible == 3, 1, raw.raw_colors_visible)
            assert np.array_equal(
                seen[: frame.pattern.shape[0], : frame.pattern.shape[1]], frame.pattern
            )
            assert np.array_equal(seen[:6, :6], np.tile(frame.pattern, (3, 3))[:6, :6])


@pytest.mark.parametrize("bits", [12, 14, 16])
def test_compressed_file_states_its_bits(tmp_path: Path, bits: int) -> None:
    path = tmp_path / "a.dng"
    write_dng(path, made(bits=bits), compress=True)
    with path.open("rb") as stream:
        assert str(exifread.process_file(stream)["Image BitsPerSample"]) == str(bits)


def test_three_channel_linear_raw(tmp_path: Path) -> None:
    frame = made(shape=(*SHAPE, 3))
    path = tmp_path / "a.dng"
    write_dng(path, frame)
    with pytest.raises(ValueError, match="three channels"):
        write_dng(path, frame, compress=True)
    with rawpy.imread(str(path)) as raw:
        assert raw.raw_type == rawpy.RawType.Stack
        assert np.array_equal(raw.raw_image_visible[..., :3], frame.counts)
        assert raw.white_level == 16383


def test_levels_that_differ_between_sites(tmp_path: Path) -> None:
    frame = replace(made(), black=np.float32([[510, 513], [512, 520]]))
    path = tmp_path / "a.dng"
    write_dng(path, frame)
    with rawpy.imread(str(path)) as raw:
        assert sorted(raw.black_level_per_channel) == [510, 512, 513, 520]


@pytest.mark.parametrize("compress", [False, True])
def test_capture_data(tmp_path: Path, compress: bool) -> None:
    path = tmp_path / "a.dng"
    write_dng(path, made(), compress=compress)
    with path.open("rb") as stream:
        tags = {name: str(value) for name, value in exifread.process_file(stream).items()}
    assert tags["EXIF ExposureTime"] == "1/15"
    assert tags["EXIF FNumber"] == "28/5"
    assert tags["EXIF ISOSpeedRatings"] == "200"
    assert tags["EXIF DateTimeOriginal"] == "2031:06:14 15:09:26"
    assert tags["EXIF FocalLength"] == "90"
    assert tags["Image Make"] == "Halvorn"
    assert tags["Image Model"] == "Halvorn C6"
    with rawpy.imread(str(path)) as raw:
        assert raw.other.shutter_speed == pytest.approx(1 / 15)
        assert raw.other.iso_speed == 200
        assert raw.other.aperture == pytest.approx(5.6)
        assert raw.other.timestamp == datetime(2031, 6, 14, 15, 9, 26)


def test_what_is_unknown_is_left_out(tmp_path: Path) -> None:
    frame = made()
    bare = CaptureInfo(path=Path("x"), kind=CaptureKind.RAW)
    path = tmp_path / "a.dng"
    write_dng(path, replace(frame, info=bare))
    with path.open("rb") as stream:
        tags = exifread.process_file(stream)
    assert not {"EXIF ExposureTime", "EXIF DateTimeOriginal", "EXIF ISOSpeedRatings"} & set(tags)
    with rawpy.imread(str(path)) as raw:
        assert np.array_equal(raw.raw_image_visible, frame.counts)


def test_compression_saves_room_on_a_real_capture(tmp_path: Path) -> None:
    smooth = replace(made(), counts=(np.arange(702)[:, None] + np.arange(1334)).astype(np.uint16))
    write_dng(tmp_path / "a.dng", smooth, compress=True)
    write_dng(tmp_path / "b.dng", smooth)
    assert (tmp_path / "a.dng").stat().st_size < 0.6 * (tmp_path / "b.dng").stat().st_size


def test_same_frame_same_bytes_and_nothing_left_beside(tmp_path: Path) -> None:
    for name in ("a.dng", "b.dng"):
        write_dng(tmp_path / name, made(), compress=True)
    assert (tmp_path / "a.dng").read_bytes() == (tmp_path / "b.dng").read_bytes()
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.dng", "b.dng"]


def test_a_frame_with_a_curve_is_refused(tmp_path: Path) -> None:
    frame = replace(made(), curve=np.linspace(0, 1, 65536, dtype=np.float32))
    with pytest.raises(ValueError, match="curve"):
        write_dng(tmp_path / "a.dng", frame)
    assert not list(tmp_path.iterdir())


def test_missing_folder_is_one_clear_line(tmp_path: Path) -> None:
    with pytest.raises(WriteError, match=r"nowhere"):
        write_dng(tmp_path / "nowhere" / "a.dng", made())
