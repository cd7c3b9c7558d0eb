"""Resampling against scikit-image, and against what sampling theory says must vanish."""

import numpy as np
import pytest
from PIL import Image
from skimage.transform import resize

from platebench.printing.print_picture import Resampler

RNG = np.random.default_rng(11)
MIDDLE = 32768.0


def whole(picture, shape):
    return Resampler(picture, shape).rows(0, shape[0])


def wave(shape, frequency, amplitude=20000.0):
    """A sine across and down, ``frequency`` cycles a pixel."""
    rows, columns = np.mgrid[: shape[0], : shape[1]]
    value = np.sin(2 * np.pi * frequency * columns) * np.cos(2 * np.pi * frequency * rows)
    return np.rint(MIDDLE + amplitude * value).astype(np.uint16)


@pytest.mark.parametrize("shape", [(97, 61), (301, 233), (150, 400), (83, 57)])
def test_bands_join_without_a_seam(shape):
    picture = RNG.integers(0, 65536, (150, 117)).astype(np.uint16)
    bands = [
        Resampler(picture, shape).rows(t, min(t + 17, shape[0])) for t in range(0, shape[0], 17)
    ]
    joined = np.concatenate(bands).astype(int)
    assert joined.shape == shape
    assert np.abs(joined - whole(picture, shape)).max() <= 1  # the last bit of a float32


@pytest.mark.parametrize("shape", [(301, 233), (150, 400), (83, 57)])
def test_it_is_pillows_own_resampling(shape):
    picture = RNG.integers(8000, 50000, (150, 117)).astype(np.uint16)
    plain = Image.fromarray(picture.astype(np.float32))
    reference = np.asarray(plain.resize(shape[::-1], Image.Resampling.LANCZOS)).clip(0, 65535)
    assert np.abs(whole(picture, shape) - reference).max() <= 1


def test_the_same_size_is_the_same_picture():
    picture = RNG.integers(0, 65536, (40, 30)).astype(np.uint16)
    assert np.array_equal(Resampler(picture, (40, 30)).rows(5, 20), picture[5:20])


@pytest.mark.parametrize("scale", [0.31, 0.5, 0.65])
def test_detail_the_film_cannot_hold_is_taken_out_not_aliased(scale):
    """Above the new grid's half sampling frequency nothing may be left."""
    picture = wave((240, 260), 0.5 * scale * 1.45)
    shape = round(240 * scale), round(260 * scale)
    inside = (slice(8, -8),) * 2
    left = whole(picture, shape)[inside] - MIDDLE
    reference = resize(picture / 65535, shape, order=1, anti_aliasing=True)[inside] * 65535
    assert left.std() < 0.06 * (picture - MIDDLE).std()
    assert left.std() < 1.5 * (reference - reference.mean()).std()


@pytest.mark.parametrize("scale", [1.3, 2.0, 2.7])
def test_enlarged_detail_is_the_wave_itself(scale):
    """A band-limited wave has one continuous form: what is between its samples is known."""
    picture = wave((120, 130), 0.15)
    shape = round(120 * scale), round(130 * scale)
    rows, columns = np.mgrid[: shape[0], : shape[1]]
    at = [(each + 0.5) * old / new - 0.5 for each, old, new in
          zip((rows, columns), picture.shape, shape, strict=True)]  # fmt: skip
    truth = MIDDLE + 20000 * np.sin(0.3 * np.pi * at[1]) * np.cos(0.3 * np.pi * at[0])
    inside = (slice(12, -12),) * 2
    ours = np.abs(whole(picture, shape) - truth)[inside]
    straight = np.abs(resize(picture / 65535, shape, order=1) * 65535 - truth)[inside]
    assert ours.max() < 20000 * 0.03
    assert ours.mean() < straight.mean() / 8


def test_kept_detail_keeps_its_contrast_where_the_picture_gets_smaller():
    picture = wave((240, 260), 0.1)
    left = whole(picture, (120, 130))[8:-8, 8:-8] - MIDDLE
    assert left.std() == pytest.approx((picture - MIDDLE).std(), rel=0.06)


def test_tones_keep_their_mean_and_stay_within_16_bits():
    picture = np.where(RNG.random((90, 80)) > 0.5, 65535, 0).astype(np.uint16)
    for shape in ((300, 250), (31, 29)):
        assert whole(picture, shape).mean() == pytest.approx(picture.mean(), abs=400)
