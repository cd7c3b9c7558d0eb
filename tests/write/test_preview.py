"""JPEG previews, read by Pillow."""

from io import BytesIO

import numpy as np
import pytest
from PIL import Image

from platebench.core.errors import WriteError
from platebench.write.colour import gray_gamma22_profile
from platebench.write.preview import reduced, write_preview
from platebench.write.xmp import PictureNote, xmp_packet

from ..refusals import refused


def picture(shape=(360, 600), dtype=np.uint16):
    rows, columns = np.indices(shape)
    top = np.iinfo(dtype).max
    values = 0.1 + 0.5 * rows / shape[0] + 0.35 * columns / shape[1]
    return (top * values).astype(dtype)


def means_along(values, count):
    """Return the mean of each of ``count`` equal parts of the rows, fractions of rows included.

    From the running sum: the mean over [a, b) is (S(b) - S(a)) / (b - a).
    """
    sums = np.vstack([np.zeros(values.shape[1]), np.cumsum(values, axis=0)])
    edges = np.linspace(0, values.shape[0], count + 1)
    at_edges = np.array([np.interp(edges, np.arange(len(sums)), column) for column in sums.T]).T
    return np.diff(at_edges, axis=0) / np.diff(edges)[:, None]


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_preview_is_a_small_grey_picture_of_the_same(tmp_path, dtype):
    note = xmp_packet(PictureNote(identifier="p", mime="image/jpeg", role="preview"))
    path = tmp_path / "a.jpg"
    write_preview(path, picture(dtype=dtype), long_side=200, ppi=900.0, xmp=note)
    with Image.open(path) as image:
        assert (image.format, image.mode, image.size) == ("JPEG", "L", (200, 120))
        assert image.info["dpi"] == (300, 300)  # a third of the pixels on the same inch
        assert image.info["icc_profile"] == gray_gamma22_profile()
        assert image.info["xmp"] == note
        got = np.asarray(image).astype(float)
    # Every preview pixel is the mean of the 3 x 3 it covers; JPEG costs a step or two.
    scale = 255 / np.iinfo(dtype).max
    means = picture(dtype=dtype).reshape(120, 3, 200, 3).mean(axis=(1, 3)) * scale
    np.testing.assert_allclose(got, means, atol=3)


def test_reduced_is_the_mean_of_what_it_covers():
    noisy = np.random.default_rng(5).integers(0, 65536, (60, 90), dtype=np.uint16)
    means = noisy.reshape(20, 3, 30, 3).mean(axis=(1, 3)) / 257
    np.testing.assert_allclose(reduced(noisy, 30), means, atol=0.51)


@pytest.mark.parametrize("shape", [(1410, 2116), (1001, 2005), (1600, 37)])
def test_much_reduced_is_still_the_mean(shape):
    pixels = picture(shape)
    got = reduced(pixels, 230)
    exact = means_along(means_along(pixels / 257, got.shape[0]).T, got.shape[1]).T
    # Half a code of rounding, and an odd row and column left out: 0.13 + 0.05 codes of the ramp.
    np.testing.assert_allclose(got, exact, atol=0.69)


def test_sixteen_bit_ends_are_eight_bit_ends():
    ends = np.array([[0, 128, 129, 65406, 65407, 65535]], np.uint16)
    assert reduced(ends, 100).tolist() == [[0, 0, 1, 254, 255, 255]]  # 257 codes each


@pytest.mark.parametrize(
    ("shape", "long_side", "expected"),
    [
        ((100, 150), 200, (100, 150)),
        ((300, 200), 150, (150, 100)),
        ((1, 4000), 2000, (1, 2000)),
        ((401, 599), 300, (201, 300)),
    ],
)
def test_longest_side_sets_the_size_and_nothing_grows(shape, long_side, expected):
    assert reduced(picture(shape), long_side).shape == expected


def test_no_resolution_no_density(tmp_path):
    write_preview(tmp_path / "a.jpg", picture(), long_side=200)
    with Image.open(tmp_path / "a.jpg") as image:
        assert "dpi" not in image.info


def test_same_picture_same_bytes(tmp_path):
    for name in ("a.jpg", "b.jpg"):
        write_preview(tmp_path / name, picture(), ppi=600)
    assert (tmp_path / "a.jpg").read_bytes() == (tmp_path / "b.jpg").read_bytes()


def test_higher_quality_keeps_more(tmp_path):
    noisy = np.random.default_rng(5).integers(0, 256, (60, 90), dtype=np.uint8)
    error = []
    for quality in (50, 95):
        write_preview(tmp_path / "a.jpg", noisy, quality=quality)
        with Image.open(BytesIO((tmp_path / "a.jpg").read_bytes())) as image:
            error.append(np.std(np.asarray(image).astype(float) - noisy))
    assert error[1] < error[0] / 3


def test_no_folder_is_one_clear_error(tmp_path):
    with refused(WriteError, path=tmp_path / "gone" / "a.jpg", cause=FileNotFoundError):
        write_preview(tmp_path / "gone" / "a.jpg", picture())
