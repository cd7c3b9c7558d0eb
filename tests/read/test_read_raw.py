"""Raws written here with tifffile, read back through LibRaw: bit-exact counts, levels, refusals.

Expected values are the written arrays and the DNG 1.4 specification's meaning of each tag.
"""

from __future__ import annotations

import gc
from collections.abc import Callable
from copy import copy
from datetime import datetime
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
import rawpy
import tifffile
from numpy.typing import NDArray
from raw_writer import (
    LINEAR_RAW,
    RGGB,
    SRATIONAL,
    XTRANS,
    mosaic,
    set_tag,
    write_lossless,
    write_raw,
)

from platebench.core.errors import CaptureError
from platebench.core.image import MONO_PATTERN, CaptureInfo, CaptureKind, SensorFrame
from platebench.read.capture import read_capture
from platebench.read.file_kind import COPY_AGAIN, TO_DNG
from platebench.read.unread import refuse_unread
from platebench.synthetic import write_dng

from ..refusals import refused


@pytest.mark.parametrize("phase", [(0, 1, 1, 2), (1, 0, 2, 1), (1, 2, 0, 1), (2, 1, 1, 0)])
def test_every_bayer_phase_is_read_bit_exact(tmp_path: Path, phase: tuple[int, ...]) -> None:
    counts = mosaic()
    frame = read_capture(write_raw(tmp_path / "a.dng", counts, pattern=phase))
    np.testing.assert_array_equal(frame.counts, counts)
    np.testing.assert_array_equal(frame.pattern, np.reshape(phase, (2, 2)))
    # BlackLevel runs along the rows of its block, whatever the colours (DNG 1.4, BlackLevel).
    np.testing.assert_array_equal(frame.black, [[100, 110], [120, 130]])
    assert frame.white == 4095
    assert frame.curve is None
    assert frame.info.kind is CaptureKind.RAW


@pytest.mark.parametrize("top", [0, 2, 3])
@pytest.mark.parametrize("left", [0, 4, 5])
def test_pattern_and_black_follow_the_active_area(tmp_path: Path, top: int, left: int) -> None:
    """DNG 1.4: both repeat from the active area's top left; LibRaw may start a site further in."""
    counts = mosaic()
    path = write_raw(tmp_path / "a.dng", counts, active=(top, left, 120, 160))
    frame = read_capture(path)
    starts = [
        (y, x)
        for y in range(top, top + 2)
        for x in range(left, left + 2)
        if np.array_equal(frame.counts[:20, :20], counts[y : y + 20, x : x + 20])
    ]
    assert len(starts) == 1
    (y, x) = starts[0]
    for i in range(2):
        for j in range(2):
            site = 2 * ((y + i - top) % 2) + (x + j - left) % 2
            assert frame.pattern[i, j] == RGGB[site]
            assert frame.black[i, j] == (100, 110, 120, 130)[site]


@pytest.mark.parametrize("offset", [(0, 0), (6, 12), (4, 8), (2, 2)])
def test_six_by_six_pattern(tmp_path: Path, offset: tuple[int, int]) -> None:
    counts = mosaic()
    black = tuple(range(200, 236))
    path = write_raw(
        tmp_path / "x.dng",
        counts,
        pattern=XTRANS,
        repeat=(6, 6),
        black=black,
        black_repeat=(6, 6),
        active=(*offset, 120, 160),
    )
    frame = read_capture(path)
    np.testing.assert_array_equal(frame.counts, counts[offset[0] : 120, offset[1] : 160])
    np.testing.assert_array_equal(frame.pattern, np.reshape(XTRANS, (6, 6)))
    np.testing.assert_array_equal(frame.black, np.reshape(black, (6, 6)))


def test_black_block_larger_than_the_pattern(tmp_path: Path) -> None:
    black = tuple(range(100, 116))
    path = write_raw(tmp_path / "a.dng", mosaic(), black=black, black_repeat=(4, 4))
    frame = read_capture(path)
    np.testing.assert_array_equal(frame.black, np.reshape(black, (4, 4)))
    np.testing.assert_array_equal(frame.pattern, np.tile(np.reshape(RGGB, (2, 2)), (2, 2)))


def test_black_that_varies_from_row_to_row_is_averaged_and_said(tmp_path: Path) -> None:
    counts = mosaic()
    deltas = tuple(part for row in range(counts.shape[0]) for part in (row % 11, 1))
    more = ((50716, SRATIONAL, counts.shape[0], deltas, True),)
    frame = read_capture(write_raw(tmp_path / "a.dng", counts, more=more))
    mean = np.mean([row % 11 for row in range(counts.shape[0])])
    np.testing.assert_allclose(frame.black, np.array([[100, 110], [120, 130]]) + mean, rtol=1e-6)
    assert any("row to row" in note for note in frame.info.notes)


def test_monochrome(tmp_path: Path) -> None:
    counts = mosaic()
    path = write_raw(
        tmp_path / "m.dng", counts, photometric=LINEAR_RAW, black=(64,), black_repeat=(1, 1)
    )
    frame = read_capture(path)
    np.testing.assert_array_equal(frame.counts, counts)
    np.testing.assert_array_equal(frame.pattern, MONO_PATTERN)
    assert frame.black.tolist() == [[64]]


def test_three_planes_without_a_mosaic(tmp_path: Path) -> None:
    counts = np.stack([mosaic(), mosaic() + 100, mosaic() + 300], axis=-1)
    path = write_raw(
        tmp_path / "l.dng",
        counts,
        photometric=LINEAR_RAW,
        black=(60, 70, 80),
        black_repeat=(1, 1),
        white=(4095, 4000, 3900),
    )
    frame = read_capture(path)
    np.testing.assert_array_equal(frame.counts, counts)
    assert frame.counts.flags.c_contiguous
    assert frame.black.tolist() == [60, 70, 80]
    assert frame.white == 3900  # the lowest: above it one of the three is clipped
    assert any("no mosaic" in note for note in frame.info.notes)


def test_eight_bit_counts_become_uint16(tmp_path: Path) -> None:
    counts = (mosaic() >> 4).astype(np.uint8)
    frame = read_capture(write_raw(tmp_path / "a.dng", counts, black=(3,), black_repeat=(1, 1)))
    assert frame.counts.dtype == np.uint16
    np.testing.assert_array_equal(frame.counts, counts)


def test_lossless_tiles_are_read_bit_exact(tmp_path: Path) -> None:
    frame = read_capture(write_lossless(tmp_path / "a.dng", mosaic()))
    np.testing.assert_array_equal(frame.counts, mosaic())


def test_counts_outlive_the_file(tmp_path: Path) -> None:
    path = write_raw(tmp_path / "a.dng", mosaic())
    frames = [read_capture(path) for _ in range(3)]
    path.unlink()
    gc.collect()
    rng = np.random.default_rng(3)
    others = [rng.integers(0, 9, mosaic().shape).astype(np.uint16) for _ in range(20)]
    for frame in frames:  # whatever memory was freed is in use again
        np.testing.assert_array_equal(frame.counts, mosaic())
        assert not frame.counts.flags.writeable
    assert len(others) == 20


def test_no_black_level_is_said(tmp_path: Path) -> None:
    frame = read_capture(write_raw(tmp_path / "a.dng", mosaic(), black=None))
    assert not frame.black.any()
    assert any("black level" in note for note in frame.info.notes)


def test_metadata_and_orientation_are_recorded_not_applied(tmp_path: Path) -> None:
    counts = mosaic()
    info = CaptureInfo(
        path=tmp_path / "a.dng",
        kind=CaptureKind.RAW,
        camera="Invented Camera",
        taken=datetime(2024, 5, 17, 9, 8, 7),
        exposure_s=0.125,
        f_number=8.0,
        iso=200,
        focal_length_mm=60,
        orientation=6,
    )
    frame = SensorFrame(
        counts=counts,
        pattern=np.reshape(RGGB, (2, 2)).astype(np.uint8),
        black=np.full((2, 2), 256, np.float32),
        white=16383,
        info=info,
    )
    write_dng(info.path, frame)
    got = read_capture(info.path)
    np.testing.assert_array_equal(got.counts, counts)
    np.testing.assert_array_equal(got.black, frame.black)
    assert got.info.orientation == 6
    for name in ("taken", "exposure_s", "f_number", "iso", "focal_length_mm"):
        assert getattr(got.info, name) == getattr(info, name), name


class _Opened:
    """Stands for an open raw of a kind there is no free file of."""

    raw_type = None
    color_desc = b"RGBG"
    num_colors = 3
    black_level_per_channel = (64, 65, 66, 67)
    white_level = 16383
    camera_white_level_per_channel: list[int] | None = None
    sizes = SimpleNamespace(
        raw_height=64, raw_width=64, top_margin=0, left_margin=0, flip=0, pixel_aspect=1.0
    )
    raw_pattern: NDArray[np.uint8] | None = None

    def __init__(self, counts: NDArray[np.uint16], **fields: Any) -> None:
        self.raw_image_visible = counts
        vars(self).update(fields)

    def __enter__(self) -> _Opened:
        return self

    def __exit__(self, *_: object) -> None:
        self.raw_image_visible = None  # as LibRaw does: nothing may be read after closing

    def raw_color(self, row: int, column: int) -> int:
        assert self.raw_pattern is not None
        return int(self.raw_pattern[row % 2, column % 2])


def _read_opened(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, opened: _Opened) -> SensorFrame:
    path = tmp_path / "a.raw"
    path.write_bytes(b"FOVb" + bytes(40))
    monkeypatch.setattr(rawpy, "imread", lambda _path: copy(opened))  # opened twice
    return read_capture(path)


def test_two_greens_at_every_pixel_are_averaged(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A camera that shifts its sensor by a photosite gives red, green, blue, green everywhere."""
    planes = np.stack([mosaic(), mosaic() + 10, mosaic() + 20, mosaic() + 15], axis=-1)
    frame = _read_opened(tmp_path, monkeypatch, _Opened(planes))
    np.testing.assert_array_equal(frame.counts[..., 0], mosaic())
    np.testing.assert_array_equal(frame.counts[..., 1], mosaic() + 13)  # 12.5 rounded up
    np.testing.assert_array_equal(frame.counts[..., 2], mosaic() + 20)
    assert frame.black.tolist() == [64, 65, 66]


def test_saturation_the_camera_states_below_full_scale(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    opened = _Opened(
        mosaic(),
        raw_pattern=np.array([[0, 1], [3, 2]], np.uint8),
        camera_white_level_per_channel=[15000, 14800, 15000, 0],
    )
    frame = _read_opened(tmp_path, monkeypatch, opened)
    assert frame.white == 14800
    assert frame.pattern.tolist() == [[0, 1], [1, 2]]
    assert frame.black.tolist() == [[64, 65], [67, 66]]  # by LibRaw's colour index


def test_other_colours_and_slanted_grids_are_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    bayer = np.array([[0, 1], [3, 2]], np.uint8)
    cyan = _Opened(mosaic(), raw_pattern=bayer, color_desc=b"GMCY")
    with refused(CaptureError, "GMCY"):
        _read_opened(tmp_path, monkeypatch, cyan)
    slanted = _Opened(mosaic(), raw_pattern=bayer)
    monkeypatch.setattr(slanted, "raw_color", lambda y, x: int(bayer[(y + x // 2) % 2, x % 2]))
    with refused(CaptureError, remedy=TO_DNG):
        _read_opened(tmp_path, monkeypatch, slanted)


# ------------------------------------------------------------------- files that are not whole


def cut(path: Path, share: float) -> Path:
    data = path.read_bytes()
    path.write_bytes(data[: int(len(data) * share)])
    return path


@pytest.mark.parametrize("share", [0.98, 0.6, 0.2])
@pytest.mark.parametrize("write", [write_raw, write_lossless])
def test_cut_off_raw_is_refused_in_one_line(
    tmp_path: Path,
    write: Callable[[Path, NDArray[np.uint16]], Path],
    share: float,
    capfd: pytest.CaptureFixture[str],
) -> None:
    path = cut(write(tmp_path / "a.dng", mosaic()), share)
    with refused(CaptureError, path=path, remedy=COPY_AGAIN):
        read_capture(path)
    assert capfd.readouterr().err == ""  # LibRaw's own lines are kept off stderr


def test_data_past_the_end_of_the_file(tmp_path: Path) -> None:
    """LibRaw opens such a file and gives zeros."""
    path = write_raw(tmp_path / "a.dng", mosaic(), software="x" * 3000)
    size = path.stat().st_size
    set_tag(path, 273, size + 4096)
    with refused(CaptureError, path=path, remedy=COPY_AGAIN):
        read_capture(path)


def test_all_zero_counts_are_refused(tmp_path: Path) -> None:
    path = write_raw(tmp_path / "a.dng", np.zeros((126, 170), np.uint16))
    with refused(CaptureError, path=path, remedy=COPY_AGAIN):
        read_capture(path)


def test_a_copy_that_never_finished_is_refused(tmp_path: Path) -> None:
    """The whole size was kept free, and the rest of it is zeros: packed data become grey."""
    path = write_lossless(tmp_path / "a.dng", mosaic())
    with tifffile.TiffFile(path) as tiff:
        page = tiff.pages[0]
        start = page.dataoffsets[-1]
        assert page.databytecounts[-1] > 400
    data = bytearray(path.read_bytes())
    data[start + 100 :] = bytes(len(data) - start - 100)
    path.write_bytes(data)
    with refused(CaptureError, path=path, remedy=COPY_AGAIN):
        read_capture(path)


def test_damage_in_the_middle_of_packed_data_is_refused(tmp_path: Path) -> None:
    path = write_lossless(tmp_path / "a.dng", mosaic())
    data = bytearray(path.read_bytes())
    middle = len(data) // 2
    data[middle : middle + 200] = b"\xff" * 200
    path.write_bytes(data)
    with refused(CaptureError, path=path, remedy=COPY_AGAIN):
        read_capture(path)


def test_missing_tiles_are_refused(tmp_path: Path) -> None:
    path = write_lossless(tmp_path / "a.dng", mosaic())
    set_tag(path, 257, 4000)  # rows: many more than there are tiles for
    with refused(CaptureError, path=path, remedy=COPY_AGAIN):
        read_capture(path)


def test_float_counts_are_refused(tmp_path: Path) -> None:
    """LibRaw scales them by the frame's own maximum: plate and blank would not compare."""
    path = write_raw(tmp_path / "a.dng", (mosaic() / 4096).astype(np.float32), black=None)
    with refused(CaptureError, "floating-point", path=path):
        read_capture(path)


WHITE = 4095.0


def test_rows_that_repeat_to_the_end_are_refused() -> None:
    counts = mosaic()
    counts[-20:] = counts[-21]
    with refused(CaptureError, " 20 ", remedy=COPY_AGAIN):
        refuse_unread(Path("a"), counts, WHITE)
    counts = mosaic()
    counts[-20:] = np.tile(counts[-22:-20], (10, 1))
    with refused(CaptureError, " 20 ", remedy=COPY_AGAIN):
        refuse_unread(Path("a"), counts, WHITE)


def test_rows_empty_to_the_end_are_refused() -> None:
    counts = mosaic()
    counts[-20:] = 0
    with refused(CaptureError, " 20 ", remedy=COPY_AGAIN):
        refuse_unread(Path("a"), counts, WHITE)


def _honest_frames() -> dict[str, NDArray[np.uint16]]:
    y, x = np.mgrid[:126, :170]
    ramp = (500 + 8 * x).astype(np.uint16)
    clipped, flat, bright, black_edge, few = (mosaic() for _ in range(5))
    clipped[-40:] = 4095
    flat[-40:] = np.resize([1500, 900], 170)  # two filter colours, even light, no noise
    bright[-40:] = 4000
    black_edge[-8:] = 0
    few[-2:] = few[-3]
    return {
        "noise": mosaic(),
        "across only": ramp,
        "down only": (500 + 8 * y).astype(np.uint16),
        "one value": np.full((126, 170), 700, np.uint16),
        "clipped surround": clipped,
        "even surround without noise": flat,
        "bright surround": bright,
        "a narrow black edge": black_edge,
        "a few equal rows": few,
        "dark frame": np.random.default_rng(1).poisson(0.3, (126, 170)).astype(np.uint16),
    }


@pytest.mark.parametrize("apart", [1, 2, 40])
def test_a_few_rows_that_repeat_others_are_refused(apart: int) -> None:
    """Also of a raw cut short by less than a hundredth, and in its middle."""
    for last in (126, 80):
        counts = mosaic()
        for row in range(last - 5, last):
            counts[row] = counts[row - apart]
        with refused(CaptureError, remedy=COPY_AGAIN):
            refuse_unread(Path("a"), counts, WHITE)


@pytest.mark.parametrize("name", _honest_frames())
def test_honest_frames_are_let_pass(name: str) -> None:
    refuse_unread(Path("a"), _honest_frames()[name], WHITE)
