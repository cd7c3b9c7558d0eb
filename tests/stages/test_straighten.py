"""Straightening against smooth pictures whose value is known at every place."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from skimage.transform import ProjectiveTransform

from platebench.image import MONO_PATTERN, Encoding, PlateImage
from platebench.stages.straighten import straighten

RGGB = np.array([[0, 1], [1, 2]], np.uint8)
TILTED = np.array([[31.2, 42.7], [24.4, 187.9], [118.8, 192.3], [125.9, 47.1]])


def smooth(rows, columns):
    """Slow waves, without any symmetry."""
    return 0.5 + 0.2 * np.sin(rows / 17 + 0.3) + 0.2 * np.cos(columns / 23) + rows * columns / 2e5


def smooth_image(shape=(150, 231), **more):
    rows, columns = np.mgrid[: shape[0], : shape[1]]
    pixels = smooth(rows, columns).astype(np.float32)
    return PlateImage(pixels=pixels, encoding=Encoding.TRANSMITTANCE, **more)


def expected(quad, shape):
    """The smooth function at the places an independent library's homography gives."""
    height, width = shape
    outer = [[-0.5, -0.5], [-0.5, width - 0.5], [height - 0.5, width - 0.5], [height - 0.5, -0.5]]
    transform = ProjectiveTransform.from_estimate(np.array(outer), np.array(quad))
    places = np.stack(np.mgrid[:height, :width], axis=-1).reshape(-1, 2)
    return smooth(*transform(places).T).reshape(shape)


# OpenCV's cubic kernel has a = -3/4, not Keys's -1/2, and so moves a ramp by up to 0.048 px each
# way (sum of k w(t - k) less t, worked out from the kernel); it also rounds places to 1/32 px. At
# the steepest slopes, 0.0129 and 0.0094 a pixel, that makes 1.4e-3.
TOLERANCE = 1.5e-3


def test_perspective_samples_the_known_function():
    found = straighten(smooth_image(), TILTED)
    assert found.shape == (95, 145)  # means of opposite sides: 94.5.. and 145.3..
    assert found.pixels.dtype == np.float32
    np.testing.assert_allclose(found.pixels, expected(TILTED, found.shape), atol=TOLERANCE)
    assert found.valid is None


@pytest.mark.parametrize("mirror", [False, True])
@pytest.mark.parametrize("rotate", [0, 90, 180, 270])
@pytest.mark.parametrize(
    "quad", [TILTED, [[20.5, 30.5], [20.5, 200.5], [99.5, 200.5], [99.5, 30.5]]]
)
def test_mirror_then_clockwise_turn(mirror, rotate, quad):
    plain = straighten(smooth_image(), quad).pixels
    turned = straighten(smooth_image(), quad, mirror=mirror, rotate=rotate).pixels
    for _ in range(rotate // 90):  # undo clockwise turns, then the mirror
        turned = np.rot90(turned)
    if mirror:
        turned = turned[:, ::-1]
    np.testing.assert_allclose(turned, plain, atol=2 * TOLERANCE)


def test_clockwise_is_clockwise():
    pixels = np.array([[1, 2, 3], [4, 5, 6]], np.float32)
    image = PlateImage(pixels=pixels, encoding=Encoding.TRANSMITTANCE)
    whole = [[-0.5, -0.5], [-0.5, 2.5], [1.5, 2.5], [1.5, -0.5]]
    assert straighten(image, whole, rotate=90).pixels.tolist() == [[4, 1], [5, 2], [6, 3]]
    assert straighten(image, whole, mirror=True).pixels.tolist() == [[3, 2, 1], [6, 5, 4]]


def test_turn_keeps_angles_and_scale():
    angle = np.deg2rad(3.0)  # down the column as one goes right: clockwise
    height, width, centre = 81, 120, np.array([75.0, 110.0])
    box = np.array([[-1, -1], [-1, 1], [1, 1], [1, -1]]) / 2 * [height, width]
    right = np.array([np.sin(angle), np.cos(angle)])
    down = np.array([np.cos(angle), -np.sin(angle)])
    rectangle = centre + box[:, :1] * down + box[:, 1:] * right
    found = straighten(smooth_image(), rectangle, how="turn")
    assert found.shape == (height, width)
    np.testing.assert_allclose(found.pixels, expected(rectangle, found.shape), atol=TOLERANCE)
    # Leaning out the right side by 2 px must not shear the picture: the sides' mean turn rules.
    leaning = rectangle + np.array([[0, 0], [2, 0], [-2, 0], [0, 0]])
    again = straighten(smooth_image(), leaning, how="turn")
    middle = again.pixels[again.shape[0] // 2, again.shape[1] // 2]
    assert middle == pytest.approx(smooth(*centre), abs=0.02)


def test_nearly_upright_is_cut_without_resampling_and_keeps_its_pattern():
    image = smooth_image(pattern=RGGB)
    quad = np.array([[10.6, 20.4], [10.4, 99.6], [60.6, 99.5], [60.3, 20.6]])
    found = straighten(image, quad)
    # Outer edges 10.475 and 60.45 lie in pixels 10 and 60; the mean top left is (10.475, 20.525).
    np.testing.assert_array_equal(found.pixels, image.pixels[11:61, 21:100])
    np.testing.assert_array_equal(found.pattern, [[2, 1], [1, 0]])  # site (11, 21) is blue


@pytest.mark.parametrize("pattern", [RGGB, np.arange(6, dtype=np.uint8).reshape(2, 3) % 3])
@pytest.mark.parametrize("mirror", [False, True])
@pytest.mark.parametrize("rotate", [0, 90, 180, 270])
@pytest.mark.parametrize("size", [(7, 10), (8, 11), (1, 1), (1, 9)])
def test_pattern_follows_every_flip(pattern, mirror, rotate, size):
    # The picture shows its own pattern, so the carried pattern must describe the pixels.
    pixels = np.tile(pattern, (20, 20))[:30, :41].astype(np.float32)
    image = PlateImage(pixels=pixels, encoding=Encoding.TRANSMITTANCE, pattern=pattern)
    top, left = 3, 4
    bottom, right = top + size[0], left + size[1]
    quad = np.array([[top, left], [top, right], [bottom, right], [bottom, left]]) - 0.5
    found = straighten(image, quad, mirror=mirror, rotate=rotate)
    tiled = np.tile(found.pattern, (12, 12))[: found.shape[0], : found.shape[1]]
    np.testing.assert_array_equal(found.pixels, tiled)


def test_resampling_clears_the_pattern():
    assert straighten(smooth_image(pattern=RGGB), TILTED).pattern is MONO_PATTERN


def test_invalid_pixels_stay_invalid():
    valid = np.ones((150, 231), bool)
    valid[70, 100] = False
    found = straighten(smooth_image(valid=valid), TILTED)
    assert found.valid is not None
    bad = np.argwhere(~found.valid)
    assert 1 <= len(bad) <= 9  # one pixel touches at most 3 x 3 results
    transform = ProjectiveTransform.from_estimate(
        np.array([[-0.5, -0.5], [-0.5, 144.5], [94.5, 144.5], [94.5, -0.5]]), TILTED
    )
    assert np.abs(transform(bad) - [70, 100]).max() < 1.1


@pytest.mark.parametrize("how", ["perspective", "turn", "none"])
def test_outside_the_frame_is_invalid(how):
    quad = TILTED - [60.0, 0.0]
    found = straighten(smooth_image(), quad, how=how)
    assert found.valid is not None
    assert not found.valid[0].any()
    assert found.valid[-12:, 12:-12].all()
    assert np.isfinite(found.pixels).all()


def test_none_cuts_the_upright_rectangle_around():
    image = smooth_image(pattern=RGGB)
    found = straighten(image, TILTED, how="none")
    # Rows 24.4..125.9 and columns 42.7..192.3: pixels whose centres lie inside.
    np.testing.assert_array_equal(found.pixels, image.pixels[25:126, 43:193][: found.shape[0]])


def test_colour_and_mask_are_carried():
    rows, columns = np.mgrid[:150, :231]
    pixels = np.stack([smooth(rows, columns) * k for k in (0.5, 1.0, 0.8)], axis=2)
    image = PlateImage(pixels=pixels.astype(np.float32), encoding=Encoding.TRANSMITTANCE)
    found = straighten(image, TILTED, rotate=180, mirror=True)
    assert found.pixels.shape == (95, 145, 3)
    np.testing.assert_allclose(found.pixels[..., 0], found.pixels[..., 1] / 2, atol=1e-5)


def test_input_is_left_alone():
    image = smooth_image()
    before = image.pixels.copy()
    straighten(image, TILTED)
    np.testing.assert_array_equal(image.pixels, before)


@given(st.floats(-6, 6), st.floats(0.3, 30), st.floats(0.3, 60))
@settings(max_examples=40, deadline=None)
def test_any_size_down_to_a_pixel(tilt, half_height, half_width):
    angle = np.deg2rad(tilt)
    right = np.array([np.sin(angle), np.cos(angle)])
    down = np.array([np.cos(angle), -np.sin(angle)])
    box = np.array([[-1, -1], [-1, 1], [1, 1], [1, -1]]) * [half_height, half_width]
    quad = [75.0, 115.0] + box[:, :1] * down + box[:, 1:] * right
    found = straighten(smooth_image(), quad)
    assert found.shape == (round(2 * half_height), round(2 * half_width))


@pytest.mark.parametrize(
    ("quad", "words"),
    [
        ([[0, 0], [0, 9], [9, 0], [9, 9]], "convex"),
        ([[0, 0], [9, 0], [9, 9], [0, 9]], "convex"),  # the wrong way round
        ([[0, 0], [0, 0.2], [0.2, 0.2], [0.2, 0]], "less than a pixel"),
        ([[0, 0], [0, np.nan], [9, 9], [9, 0]], "finite"),
    ],
)
def test_corners_that_are_no_plate(quad, words):
    with pytest.raises(ValueError, match=words):
        straighten(smooth_image(), quad)
