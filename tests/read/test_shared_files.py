"""Real files, good, odd and broken: each gives a frame or one clear sentence, soon, in little room.

The files are not part of the project; without them this module is skipped. What each should give
follows from the README beside them and from their own declarations (``tiffinfo``, ``file``).
"""

from __future__ import annotations

import re
import resource
import time
from collections.abc import Mapping
from datetime import datetime
from fnmatch import fnmatch
from pathlib import Path
from typing import TypeVar

import cv2
import numpy as np
import pytest

from platebench.core.errors import CaptureError, PlateError
from platebench.core.image import CaptureKind
from platebench.core.settings import ScanSettings
from platebench.read.capture import read_capture
from platebench.read.file_kind import COPY_AGAIN

from ..refusals import refused

T = TypeVar("T")
DATA = Path(__file__).resolve().parents[3] / "shared" / "data"
FILES = sorted(path for path in DATA.glob("*/*") if path.is_file())
pytestmark = pytest.mark.skipif(not FILES, reason="no shared real files here")

REFUSED = {
    "IMG_1361.dng": "cut off",  # data past the end: LibRaw gives zeros
    "*-pruned.CR3": "cut off or damaged",
    "exiv2-*.crw": "cut off or damaged",
    "issue419.rw2": "not a raw file",
    "d664a73588796b59191ad8628065f04a.tif": "one bit a pixel",
    "m1-2743db7c68f091ddc61dcd582febff2d.tif": "damaged TIFF",
    "m1-5512ff2fc91566c07c8c8d3fd352a731.tif": "damaged TIFF",
    "m1-e07fcd0e2ea8a9f41c6baed2f651bb8d.tif": "one bit a pixel",
    "m2-63c8b14ea08a18c884d05a3431716047.tif": "one bit a pixel",
    "m3-42c19f8e79e582bef107f372f18a074b.tif": "damaged TIFF",
    "m4-42c19f8e79e582bef107f372f18a074b.tif": "damaged TIFF",
    "m5-63c8b14ea08a18c884d05a3431716047.tif": "unknown kind",
    "m6-d1d366d7965db766c19a66c7a2ccbb6b.tif": "not a raw file",
    "m8-42c19f8e79e582bef107f372f18a074b.tif": "damaged",
    "m12-42c19f8e79e582bef107f372f18a074b.tif": "damaged",
    "m18-42c19f8e79e582bef107f372f18a074b.tif": "damaged",
}
SHAPES = {
    "*_0304.CRW": (1720, 2312),
    "*_0112.CRW": (1720, 2312),
    "*_P003908.KDC": (976, 848),
    "*_P003912.KDC": (976, 848),
    "*_DC0009L.KDC": (512, 768),
    "*_YRGB.kdc": (912, 1216, 3),
    "*_1952x1112.dng": (1112, 1952),
    "221209eb0a273029efa18f4c61f6628a.tif": (396, 500, 3),
    "a516905c06cbc05e8adac7b0b7e4f514.tif": (384, 512, 3),
    "BigTIFFMotorolaLongStrips.tif": (64, 64, 3),
    "issue247-1.nef": (3008, 2000, 3),  # a JPEG by its bytes
}


def _expected(path: Path, table: Mapping[str, T]) -> T | None:
    return next((value for name, value in table.items() if fnmatch(path.name, name)), None)


def _peak_bytes() -> int:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.name)
def test_a_frame_or_one_sentence(path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    before, start = _peak_bytes(), time.process_time()
    try:
        frame = read_capture(path)
    except PlateError as error:
        text = str(error)
        assert re.fullmatch(rf"{re.escape(str(path))} [^\n]+; [^\n]+", text), text
        expected = "is a text file" if path.suffix == ".txt" else _expected(path, REFUSED)
        assert expected is not None, text
        assert re.search(expected, text), text
    else:
        assert _expected(path, REFUSED) is None
        assert frame.info.path == path
        shape = _expected(path, SHAPES)
        assert path.parent.name == "plates" or frame.counts.shape == shape
        assert np.ptp(frame.counts) > 0.1 * frame.white * (path.suffix != ".KDC")
    assert time.process_time() - start < 10
    assert _peak_bytes() - before < 300e6  # the largest here is 18 MB of pixels
    assert capfd.readouterr().err == ""


def _named(pattern: str) -> Path:
    return next(path for path in FILES if fnmatch(path.name, pattern))


@pytest.mark.parametrize("zone", ["UTC", "America/New_York"])
def test_crw_clock_does_not_depend_on_the_reader_s_time_zone(
    zone: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("TZ", zone)
    time.tzset()
    try:
        info = read_capture(_named("*_0304.CRW")).info
    finally:
        monkeypatch.undo()
        time.tzset()
    assert info.taken == datetime(2022, 1, 20, 8, 13, 24)  # CIFF record 0x180e, seconds from 1970
    assert info.exposure_s == pytest.approx(1 / 50, rel=0.02)
    assert info.f_number == 4.0
    assert info.iso == 50


def test_raw_levels() -> None:
    frame = read_capture(_named("*_0112.CRW"))
    assert frame.info.kind is CaptureKind.RAW
    assert frame.pattern.tolist() == [[0, 1], [1, 2]]
    assert frame.white == 1023  # 10 bits
    assert (frame.counts >= frame.white).any()  # its README: clipped areas
    cinema = read_capture(_named("*_1952x1112.dng"))
    assert cinema.black.tolist() == [[256, 256], [256, 256]]  # tag 50714
    assert cinema.white == 51080  # tag 50717, after the linearisation table
    assert cinema.pattern.tolist() == [[1, 2], [0, 1]]  # tag 33422: GBRG


def test_oblong_pixels_and_headless_raws_are_said() -> None:
    notes = read_capture(_named("*_P003908.KDC")).info.notes
    assert any("not square" in note for note in notes)
    notes = read_capture(_named("*_YRGB.kdc")).info.notes
    assert any("no header" in note for note in notes)
    assert any("no mosaic" in note for note in notes)


def test_positive_scans_are_read_as_they_are() -> None:
    plates = [path for path in FILES if path.parent.name == "plates"]
    assert plates
    for path in plates[::3]:
        frame = read_capture(path, ScanSettings(shows="positive"))
        assert frame.info.shows_positive
        shown = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE)
        assert np.array_equal(frame.counts, shown * np.uint16(257))


@pytest.mark.parametrize("name", ["*_0304.CRW", "*_1952x1112.dng"])
@pytest.mark.parametrize("share", [0.95, 0.6])
def test_real_raws_cut_off(
    tmp_path: Path, name: str, share: float, capfd: pytest.CaptureFixture[str]
) -> None:
    data = _named(name).read_bytes()
    path = tmp_path / "cut.raw"
    path.write_bytes(data[: int(len(data) * share)])
    with refused(CaptureError, path=path, remedy=COPY_AGAIN):
        read_capture(path)
    assert capfd.readouterr().err == ""
