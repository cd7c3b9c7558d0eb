"""The Exif IFD of TIFF and JPEG, read by exiv2, ExifRead, Pillow and tifffile."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import exifread
import exiv2
import numpy as np
import pytest
import tifffile
from PIL import Image

from platebench.write.exif import CaptureFacts
from platebench.write.preview import write_preview
from platebench.write.tiff import write_picture

FACTS = CaptureFacts(
    exposure_s=0.125,
    f_number=5.6,
    iso=100,
    focal_length_mm=90,
    digitised=datetime(2026, 3, 4, 15, 6, 7),
)
PIXELS = (np.indices((40, 60)).sum(0) * 500).astype(np.uint16)


def written(path: Path, facts: CaptureFacts, *, compression: str = "none") -> Path:
    if path.suffix == ".jpg":
        write_preview(path, PIXELS, exif=facts)
    else:
        write_picture(
            path, PIXELS, ppi=1000, description="d", software="s", taken=None, xmp=b"",
            exif=facts, compression=compression,
        )  # fmt: skip
    return path


@pytest.mark.parametrize("name", ["a.tif", "a.jpg", "packed.tif"])
def test_other_readers_find_what_the_capture_says(tmp_path: Path, name: str) -> None:
    how = {"compression": "deflate"} if name == "packed.tif" else {}
    path = written(tmp_path / name, FACTS, **how)
    image = exiv2.ImageFactory.open(str(path))
    image.readMetadata()
    found = {datum.key(): str(datum.value()) for datum in image.exifData()}
    assert found["Exif.Photo.ExposureTime"] == "1/8"
    assert found["Exif.Photo.FNumber"] == "28/5"
    assert found["Exif.Photo.ISOSpeedRatings"] == "100"
    assert found["Exif.Photo.FocalLength"] == "90/1"
    assert found["Exif.Photo.DateTimeDigitized"] == "2026:03:04 15:06:07"
    assert "Exif.Photo.DateTimeOriginal" not in found  # whose time that is readers disagree about
    with path.open("rb") as stream:
        tags = exifread.process_file(stream, details=False)
    assert str(tags["EXIF ExposureTime"]) == "1/8"
    with Image.open(path) as opened:
        assert opened.getexif().get_ifd(0x8769)[0x829D] == pytest.approx(5.6)


def test_nothing_known_leaves_the_version_alone(tmp_path: Path) -> None:
    path = written(tmp_path / "a.tif", CaptureFacts())
    with tifffile.TiffFile(path) as tif:
        assert tif.pages[0].tags[34665].value == {"ExifVersion": "0232"}
        np.testing.assert_array_equal(tif.asarray(), PIXELS)


def test_in_a_bigtiff(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("platebench.write.tiff.CLASSIC_LIMIT", 100)
    path = written(tmp_path / "a.tif", FACTS)
    with tifffile.TiffFile(path) as tif:
        assert tif.is_bigtiff
        found = tif.pages[0].tags[34665].value
        assert found["ExposureTime"] == (1, 8) and found["ISOSpeedRatings"] == 100
        np.testing.assert_array_equal(tif.asarray(), PIXELS)
