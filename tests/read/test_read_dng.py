"""Plain DNGs, against the counts that were written and against LibRaw, an independent reader.

Streams come from two encoders besides: the one our simulator uses, and libjpeg-turbo's.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import imagecodecs
import numpy as np
import pytest
from numpy.typing import NDArray
from raw_writer import LINEAR_RAW, LONG, RGGB, SHORT, SRATIONAL, XTRANS, mosaic, write_raw

from platebench.core.errors import CaptureError
from platebench.core.image import SensorFrame
from platebench.read.capture import read_capture
from platebench.read.dng import UnusualJpegError, WrongCodesError, decode_lossless, read_plain_dng
from platebench.read.file_kind import COPY_AGAIN, find_kind
from platebench.read.raw import read_raw

from ..refusals import refused

RATIONAL = 5
LOSSLESS_JPEG = 7
# ExposureTime, FNumber, ISOSpeedRatings (Exif, CIPA DC-008).
EXPOSED = (
    (33434, RATIONAL, 1, (1, 8), True),
    (33437, RATIONAL, 1, (8, 1), True),
    (34855, SHORT, 1, 200, True),
)
Encoder = Any


def ours(tile: NDArray[np.uint16]) -> bytes:
    return bytes(imagecodecs.ljpeg_encode(tile, bitspersample=16))


def turbo(predictor: int, components: int = 1) -> Encoder:
    """Return libjpeg-turbo as an encoder of a row of N counts as N / c pixels of c components."""

    def encode(tile: NDArray[np.uint16]) -> bytes:
        rows, columns = tile.shape
        shape = (rows, columns // components, components)[: 2 if components == 1 else 3]
        return bytes(
            imagecodecs.jpeg8_encode(
                tile.reshape(shape),
                lossless=True,
                predictor=predictor,
                bitspersample=16,
                colorspace="unknown" if components > 1 else None,
                outcolorspace="unknown" if components > 1 else None,
            )
        )

    return encode


def tiles(counts: NDArray[np.uint16], tile: tuple[int, int], encode: Encoder) -> Iterator[bytes]:
    for top in range(0, counts.shape[0], tile[0]):
        for left in range(0, counts.shape[1], tile[1]):
            part = counts[top : top + tile[0], left : left + tile[1]]
            short = [(0, tile[i] - part.shape[i]) for i in (0, 1)]
            yield encode(np.pad(part, short, mode="edge"))


def write(
    path: Path,
    counts: NDArray[np.uint16],
    *,
    encode: Encoder = ours,
    tile: tuple[int, int] = (64, 48),
    data: list[bytes] | None = None,
    more: tuple[Any, ...] = (),
    **options: Any,
) -> Path:
    """Write a DNG of lossless tiles, or of ``data``, that says how it was exposed."""
    data = list(tiles(counts, tile, encode)) if data is None else data
    return write_raw(
        path,
        counts,
        data=data,
        tile=tile,
        compression=LOSSLESS_JPEG,
        more=(*EXPOSED, *more),
        **options,
    )


def decoded(data: bytes) -> NDArray[np.uint16]:
    return decode_lossless(data, (64, 48), (64, 48))


def plain(path: Path) -> SensorFrame | None:
    return read_plain_dng(path, find_kind(path).structure)


def assert_as_libraw_reads(path: Path, counts: NDArray[np.uint16]) -> None:
    frame, other = plain(path), read_raw(path, find_kind(path).structure)
    assert frame is not None, "was left to LibRaw"
    np.testing.assert_array_equal(frame.counts, counts)
    np.testing.assert_array_equal(frame.counts, other.counts)
    np.testing.assert_array_equal(frame.pattern, other.pattern)
    np.testing.assert_array_equal(frame.black, other.black)
    assert frame.white == other.white
    assert frame.info == other.info
    assert not frame.counts.flags.writeable


@pytest.mark.parametrize(
    "encode",
    [ours, *(turbo(p) for p in range(1, 8)), *(turbo(1, components=c) for c in (2, 4))],
)
def test_lossless_tiles(tmp_path: Path, encode: Encoder) -> None:
    assert_as_libraw_reads(write(tmp_path / "a.dng", mosaic(), encode=encode), mosaic())


def test_the_largest_differences(tmp_path: Path) -> None:
    """A difference of 32,768 has a code of its own (T.81, table H.2)."""
    rng = np.random.default_rng(8)
    counts = rng.choice(np.array([0, 1, 32767, 32768, 65535], np.uint16), (130, 100))
    path = write(tmp_path / "a.dng", counts, encode=turbo(1), white=(65535,))
    assert_as_libraw_reads(path, counts)


@pytest.mark.parametrize("phase", [(0, 1, 1, 2), (1, 0, 2, 1), (1, 2, 0, 1), (2, 1, 1, 0)])
@pytest.mark.parametrize("active", [None, (0, 0, 101, 99), (2, 6, 120, 160)])
def test_patterns_and_active_areas(
    tmp_path: Path, phase: tuple[int, ...], active: tuple[int, int, int, int] | None
) -> None:
    counts = mosaic()
    path = write(tmp_path / "a.dng", counts, pattern=phase, active=active)
    top, left, bottom, right = active or (0, 0, *counts.shape)
    assert_as_libraw_reads(path, counts[top:bottom, left:right])


def test_six_by_six_pattern(tmp_path: Path) -> None:
    path = write(
        tmp_path / "x.dng",
        mosaic(),
        pattern=XTRANS,
        repeat=(6, 6),
        black=tuple(range(200, 236)),
        black_repeat=(6, 6),
        active=(6, 12, 120, 160),
    )
    assert_as_libraw_reads(path, mosaic()[6:120, 12:160])


def test_monochrome(tmp_path: Path) -> None:
    path = write(
        tmp_path / "m.dng", mosaic(), photometric=LINEAR_RAW, black=(64,), black_repeat=(1, 1)
    )
    assert_as_libraw_reads(path, mosaic())


def _write_strips(path: Path, rows: int, order: str = "<") -> Path:
    data = [turbo(1)(mosaic()[top : top + rows]) for top in range(0, mosaic().shape[0], rows)]
    return write_raw(
        path,
        mosaic(),
        data=data,
        rowsperstrip=rows,
        compression=LOSSLESS_JPEG,
        byteorder=order,
        more=EXPOSED,
    )


@pytest.mark.parametrize("order", ["<", ">"])
def test_one_strip_and_orders_of_bytes(tmp_path: Path, order: str) -> None:
    assert_as_libraw_reads(_write_strips(tmp_path / "a.dng", 126, order), mosaic())


def test_several_strips(tmp_path: Path) -> None:
    """The last one is short (TIFF 6.0, section 3). LibRaw reads the first and leaves the rest."""
    frame = plain(_write_strips(tmp_path / "a.dng", 40))
    assert frame is not None
    np.testing.assert_array_equal(frame.counts, mosaic())


def test_counts_as_they_are_are_left_to_libraw(tmp_path: Path) -> None:
    assert plain(write_raw(tmp_path / "a.dng", mosaic(), more=EXPOSED)) is None


def test_rows_of_black_are_told_as_libraws_are(tmp_path: Path) -> None:
    deltas = tuple(part for row in range(mosaic().shape[0]) for part in (row % 11, 1))
    more = ((50716, SRATIONAL, mosaic().shape[0], deltas, True),)
    assert_as_libraw_reads(write(tmp_path / "a.dng", mosaic(), more=more), mosaic())


UNUSUAL = {
    "linearisation table": ((50712, SHORT, 4096, tuple(range(4096)), True),),
    "slanted grid": ((50711, SHORT, 1, 2, True),),
    "other colours": ((50710, 1, 3, (0, 2, 1), True),),
    "pixels that are not square": ((50718, RATIONAL, 2, (1, 1, 2, 1), True),),
    "rows interleaved": ((50975, SHORT, 1, 2, True),),
    "columns interleaved": ((52547, SHORT, 1, 2, True),),
}


@pytest.mark.parametrize("more", UNUSUAL.values(), ids=UNUSUAL)
def test_the_unusual_is_left_to_libraw(tmp_path: Path, more: tuple[Any, ...]) -> None:
    assert plain(write(tmp_path / "a.dng", mosaic(), more=more)) is None


@pytest.mark.parametrize(
    "options",
    [
        {"active": (1, 2, 101, 99)},  # where the pattern starts is a matter of opinion
        {"black": None},
        {"black": (0, 0, 0, 0)},
        {"pattern": (1, 1, 1, 1)},
    ],
)
def test_what_tags_leave_open_is_left_to_libraw(tmp_path: Path, options: dict[str, Any]) -> None:
    assert plain(write(tmp_path / "a.dng", mosaic(), **options)) is None


def test_without_its_exposure_libraw_is_asked(tmp_path: Path) -> None:
    data = list(tiles(mosaic(), (64, 48), ours))
    path = write_raw(
        tmp_path / "a.dng", mosaic(), data=data, tile=(64, 48), compression=LOSSLESS_JPEG
    )
    assert plain(path) is None
    np.testing.assert_array_equal(read_capture(path).counts, mosaic())


@pytest.mark.parametrize("version", [(1, 0, 0, 0), (1, 4, 0, 0)])
def test_before_version_1_1_large_differences_were_coded_otherwise(
    tmp_path: Path, version: tuple[int, ...]
) -> None:
    path = write(tmp_path / "a.dng", mosaic())
    data = path.read_bytes()
    entry = b"\x12\xc6\x01\x00\x04\x00\x00\x00"  # DNGVersion, four bytes
    assert data.count(entry) == 1
    path.write_bytes(data.replace(entry + bytes((1, 4, 0, 0)), entry + bytes(version)))
    assert (plain(path) is None) == (version == (1, 0, 0, 0))


def test_zeros_after_a_stream_are_padding() -> None:
    counts = mosaic(64, 48)
    np.testing.assert_array_equal(decoded(turbo(1)(counts) + b"\0" * 3), counts)


def test_a_cut_tile_is_refused(tmp_path: Path) -> None:
    """Its place is in the file, but the stream ends early: neither reader may pass that over."""
    whole = list(tiles(mosaic(), (64, 48), ours))
    cut = [*whole[:-3], whole[-3][: len(whole[-3]) // 3] + bytes([7] * 400), *whole[-2:]]
    path = write(tmp_path / "a.dng", mosaic(), data=cut)
    assert plain(path) is None
    with refused(CaptureError, path=path, remedy=COPY_AGAIN):
        read_capture(path)


@pytest.mark.parametrize("encode", [*(turbo(p) for p in range(1, 8)), turbo(1, 2)])
@pytest.mark.parametrize("lost", [40, 60, 400])
def test_codes_that_run_out_are_refused(encode: Encoder, lost: int) -> None:
    good = encode(mosaic(64, 48))
    middle = len(good) // 2
    with pytest.raises(WrongCodesError, match="fewer"):
        decoded(good[:middle] + good[middle + lost :])


@pytest.mark.parametrize("encode", [ours, turbo(1), turbo(1, 2)])
@pytest.mark.parametrize("lost", [60, 400])
def test_a_tile_that_lost_bytes_is_refused(tmp_path: Path, encode: Encoder, lost: int) -> None:
    """Its end mark is there, and codes before it are not."""
    whole = list(tiles(mosaic(), (64, 48), encode))
    whole[1] = whole[1][: len(whole[1]) // 2] + whole[1][len(whole[1]) // 2 + lost :]
    path = write(tmp_path / "a.dng", mosaic(), data=whole)
    with refused(CaptureError, path=path, remedy=COPY_AGAIN):
        plain(path)


def test_codes_left_over_behind_an_even_end_are_refused() -> None:
    """Zeros among the codes may stand for one difference, to the tile's end and beyond."""
    counts = mosaic(64, 48)
    counts[20:] = counts[20, :2].repeat(24)
    good = turbo(1)(counts)
    more = good[:-2].ljust(len(good) + 600, b"\0") + turbo(1)(mosaic(64, 48))[300:700] + good[-2:]
    with pytest.raises(WrongCodesError, match="more"):
        decoded(more)


@pytest.mark.parametrize("mark", [0xD0, 0xD3, 0xD9, 0xFF])
def test_marks_among_codes_are_refused(mark: int) -> None:
    """All that follows one would be made up. T.81, B.1.1.5: a code's FF is followed by 00."""
    good = turbo(1)(mosaic(64, 48))
    middle = len(good) // 2
    with pytest.raises(UnusualJpegError, match="mark"):
        decoded(good[:middle] + bytes((0xFF, mark)) + good[middle + 2 :])


def test_what_looks_filled_up_is_libraws_to_read(tmp_path: Path) -> None:
    counts = mosaic()
    counts[70:, 90:] = 3000
    path = write(tmp_path / "a.dng", counts)
    assert plain(path) is None
    np.testing.assert_array_equal(read_capture(path).counts, counts)


def test_counts_that_were_never_written(tmp_path: Path) -> None:
    counts = mosaic()
    counts[60:] = counts[59]
    with refused(CaptureError, " 66 ", path=tmp_path / "a.dng", remedy=COPY_AGAIN):
        plain(write(tmp_path / "a.dng", counts, encode=turbo(1)))
    counts[60:] = 0
    with refused(CaptureError, " 66 ", path=tmp_path / "b.dng", remedy=COPY_AGAIN):
        read_capture(write(tmp_path / "b.dng", counts))


@pytest.mark.parametrize("width", [1, 2, 15])
def test_slivers_are_no_plates(tmp_path: Path, width: int) -> None:
    with refused(CaptureError, path=tmp_path / "a.dng"):
        read_capture(write(tmp_path / "a.dng", mosaic()[:, :width]))


def _marker(data: bytes, kind: int) -> int:
    at = data.index(bytes((0xFF, kind)))
    return at + 4  # past marker and length


def _changed(data: bytes, at: int, value: int) -> bytes:
    return data[:at] + bytes((value,)) + data[at + 1 :]


def _hostile() -> dict[str, bytes]:
    good = turbo(1)(mosaic(64, 48))
    frame, scan = _marker(good, 0xC3), _marker(good, 0xDA)
    restart = bytes((0xFF, 0xDD, 0, 4, 0, 8))
    return {
        "nothing": b"",
        "no JPEG": b"\0" * 600,
        "start only": good[:2],
        "header cut": good[: scan + 1],
        "half": good[: len(good) // 2],
        "all but its end": good[:-2],
        "more rows than it shall have": _changed(good, frame + 1, 0xFF),
        "fewer columns": _changed(good, frame + 4, 40),
        "no bits": _changed(good, frame, 0),
        "more components than described": _changed(good, frame + 5, 3),
        "components of two sizes": _changed(good, frame + 7, 0x21),
        "a picture of 8 x 8 blocks": good.replace(bytes((0xFF, 0xC3)), bytes((0xFF, 0xC0)), 1),
        "bits shifted out": _changed(good, scan + 5, 2),
        "no predictor": _changed(good, scan + 3, 0),
        "restarts": good[:2] + restart + good[2:],
    }


@pytest.mark.parametrize("data", _hostile().values(), ids=_hostile())
def test_hostile_streams(data: bytes) -> None:
    with pytest.raises(UnusualJpegError):
        decoded(data)


def test_any_bit_changed_is_refused_or_decodes_to_the_same_size() -> None:
    """Lossless JPEG has no checksum: a changed bit may pass, but never beyond the tile."""
    good = ours(mosaic(64, 48))
    rng = np.random.default_rng(5)
    passed = 0
    for _ in range(300):
        at = int(rng.integers(len(good)))
        bad = _changed(good, at, good[at] ^ (1 << int(rng.integers(8))))
        try:
            assert decoded(bad).shape == (64, 48)
        except (UnusualJpegError, WrongCodesError):
            continue
        passed += 1
    assert 0 < passed < 300


def test_tags_of_the_simulators_own_files_are_plain(tmp_path: Path) -> None:
    path = write(tmp_path / "a.dng", mosaic(), pattern=RGGB, more=((50780, LONG, 1, 1, True),))
    assert plain(path) is not None
