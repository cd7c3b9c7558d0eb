"""Pictures made ready for paper."""

import io

import numpy as np
import pytest
from PIL import Image

from platebench.core.errors import WriteError
from platebench.write.proof_picture import gray_jpeg, gray_pixels, picture_shape, size_fits

from ..refusals import refused

TARGET = "proof.pdf"


def scene(rows: int = 300, columns: int = 410) -> np.ndarray:
    down, across = np.mgrid[0:rows, 0:columns]
    return (90 + 60 * np.sin(across / 30) + 60 * down / rows).astype(np.uint8)


def decoded(encoded: bytes) -> Image.Image:
    return Image.open(io.BytesIO(encoded))


@pytest.fixture
def preview(tmp_path):
    path = tmp_path / "preview.jpg"
    Image.fromarray(scene()).save(path, quality=90)
    return path


def test_a_preview_near_its_printed_size_is_passed_on_untouched(preview):
    # 410 columns at 300 ppi are 34.7 mm, so at 40 mm nothing is gained by coding it anew
    assert gray_jpeg(TARGET, "1", preview, (40.0, 29.3)) == preview.read_bytes()


def test_a_larger_picture_is_reduced_to_300_pixels_an_inch(preview):
    width, height = 410 / 20, 300 / 20
    image = decoded(gray_jpeg(TARGET, "1", preview, (width, height)))
    assert image.mode == "L" and image.format == "JPEG"
    assert image.size == (round(width / 25.4 * 300), round(height / 25.4 * 300))
    # reduced means: a wave of 190 pixels keeps its mean and its place
    wanted = np.asarray(Image.fromarray(scene()).resize(image.size, Image.Resampling.BOX))
    assert abs(np.asarray(image).astype(float) - wanted).mean() < 2


def test_a_small_picture_is_not_blown_up():
    image = decoded(gray_jpeg(TARGET, "1", scene(), (200.0, 146.0)))
    assert image.size == (410, 300)


@pytest.mark.parametrize("mode", ["RGB", "CMYK", "P"])
def test_colour_files_become_gray(tmp_path, mode):
    path = tmp_path / ("c.png" if mode == "P" else "c.tif")
    Image.fromarray(scene()).convert(mode).save(path)
    image = decoded(gray_jpeg(TARGET, "1", path, (200.0, 146.0)))
    assert image.mode == "L"
    assert abs(np.asarray(image).astype(float) - scene()).mean() < 3


def test_sixteen_bit_positives_keep_their_tones(tmp_path):
    path = tmp_path / "positive.tif"
    values = np.arange(0, 65536, 13, dtype=np.uint16)[:5000].reshape(50, 100)
    Image.fromarray(values).save(path)
    nearest = np.rint(values / 65535 * 255)
    assert np.array_equal(np.asarray(gray_pixels(TARGET, "1", path)), nearest)


def test_a_part_is_cut_by_rows_then_columns():
    part = gray_pixels(TARGET, "1", scene(), (10, 20, 70, 140))
    assert np.array_equal(np.asarray(part), scene()[10:70, 20:140])


def test_shape_is_rows_then_columns(preview):
    assert picture_shape(TARGET, "1", preview) == (300, 410)
    assert picture_shape(TARGET, "1", scene()) == (300, 410)


def test_only_8_bit_gray_arrays_are_pictures():
    with pytest.raises(TypeError, match="uint8"):
        picture_shape(TARGET, "1", scene().astype(np.float32))


def test_a_folder_is_no_picture(tmp_path):
    with refused(WriteError, str(tmp_path), path=TARGET):
        picture_shape(TARGET, "1", tmp_path)


# A plate cut 1 % under on one side and full on the other is 1 % off its nominal shape
# (Clerc, section 239, as cited in core/formats.py).
@pytest.mark.parametrize(
    ("size", "fits"),
    [
        ((127.0, 101.6), True),
        ((127.0, 101.6 * 0.99), True),
        ((101.6, 127.0), False),
        ((127.0, 127.0), False),
        ((0.0, 0.0), False),
        ((float("nan"), 10.0), False),
        ((float("inf"), float("inf")), False),
    ],
)
def test_a_size_must_have_the_pictures_shape(size, fits):
    assert size_fits((800, 1000), size) is fits
