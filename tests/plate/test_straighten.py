"""Straightening against functions sampled at known places."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from platebench.core.image import PlateImage
from platebench.plate.straighten import plan_straighten, straighten_rows

SHAPE = (157, 211)


def _smooth(row: np.ndarray, column: np.ndarray) -> np.ndarray:
    """A picture known everywhere: slow waves, different along each axis."""
    return 0.5 + 0.2 * np.sin(row / 17.0) + 0.25 * np.cos(column / 23.0 + 0.3) + 0.0005 * column


def _image(valid: np.ndarray | None = None, channels: int = 1) -> PlateImage:
    row, column = np.mgrid[: SHAPE[0], : SHAPE[1]]
    pixels = _smooth(row, column).astype(np.float32)
    if channels == 3:
        pixels = np.stack([pixels, pixels * 0.5, pixels * 0.25], axis=-1)
    return PlateImage(pixels=pixels, valid=valid)


def _turned(height: float, width: float, degrees: float, middle: tuple[float, float]) -> np.ndarray:
    """Corners of a rectangle turned clockwise about its middle."""
    angle = np.radians(degrees)
    turn = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
    box = np.array([[-1, -1], [-1, 1], [1, 1], [1, -1]]) * np.array([height / 2, width / 2])
    return box @ turn.T + np.array(middle)


def straighten(image: PlateImage, corners: np.ndarray, **how: object) -> np.ndarray:
    """Return a plate alone, all its rows at once."""
    plan = plan_straighten(image.shape, corners, **how)  # type: ignore[arg-type]
    return straighten_rows(image, plan, 0, plan.shape[0])[0]


@pytest.mark.parametrize("how", ["perspective", "turn"])
@pytest.mark.parametrize("degrees", [-5.0, 0.4, 3.0])
def test_turned_plate_comes_out_straight(how: str, degrees: float) -> None:
    corners = _turned(90, 130, degrees, (78.3, 104.6))
    plate = straighten(_image(), corners, how=how)
    assert plate.shape == (90, 130)
    # Truth: pixel (r, c) of the result is at its place in the plate's own frame, turned back.
    angle = np.radians(degrees)
    r, c = np.mgrid[:90, :130] - np.array([44.5, 64.5])[:, None, None]
    row = np.cos(angle) * r + np.sin(angle) * c + 78.3
    column = -np.sin(angle) * r + np.cos(angle) * c + 104.6
    # OpenCV's cubic kernel (a = -0.75) moves a straight slope by up to 0.048 pixel along each axis
    # (derived: (2a + 1)(2t^3 - 3t^2 + t)); the picture's slopes are 0.012 and 0.0114 a pixel.
    atol = 0.048 * (0.012 + 0.0114) + 2e-4
    np.testing.assert_allclose(plate, _smooth(row, column), atol=atol)


def test_perspective_maps_the_four_corners() -> None:
    corners = np.array([[20.0, 30], [26, 180], [140, 172], [133, 24]])
    plan = plan_straighten(SHAPE, corners)
    rows, columns = plan.shape
    ends = np.array(
        [
            [-0.5, -0.5, 1],
            [columns - 0.5, -0.5, 1],
            [columns - 0.5, rows - 0.5, 1],
            [-0.5, rows - 0.5, 1],
        ]
    )
    mapped = ends @ plan.source.T
    np.testing.assert_allclose((mapped[:, :2] / mapped[:, 2:])[:, ::-1], corners, atol=1e-9)


def test_straight_plate_is_copied_not_resampled() -> None:
    image = _image()
    corners = np.array([[10.4, 20.4], [10.6, 149.6], [99.6, 149.4], [99.4, 20.6]])
    plan = plan_straighten(SHAPE, corners)
    assert plan.whole_pixels
    plate = straighten(image, corners)
    np.testing.assert_array_equal(plate, image.pixels[11:100, 21:150])


@pytest.mark.parametrize("how", ["perspective", "turn", "none"])
@pytest.mark.parametrize("mirror", [False, True])
@pytest.mark.parametrize("quarter", [0, 1, 2, 3])
def test_mirror_then_rotate(how: str, mirror: bool, quarter: int) -> None:
    image = _image()
    corners = np.array([[9.5, 19.5], [9.5, 150.5], [99.5, 150.5], [99.5, 19.5]])
    upright = image.pixels[10:100, 20:151]
    expected = np.rot90(upright[:, ::-1] if mirror else upright, -quarter)
    plate = straighten(image, corners, how=how, mirror=mirror, rotate=90 * quarter)
    np.testing.assert_array_equal(plate, expected)


def test_mask_travels_with_the_pixels() -> None:
    valid = np.ones(SHAPE, bool)
    valid[60:70, 90:100] = False
    plan = plan_straighten(SHAPE, _turned(90, 130, 4.0, (78.0, 104.0)))
    mask = straighten_rows(_image(valid), plan, 0, plan.shape[0])[1]
    assert mask is not None
    assert np.count_nonzero(~mask) == pytest.approx(100, abs=12)  # ten by ten pixels, turned
    assert straighten_rows(_image(), plan, 0, plan.shape[0])[1] is None


def test_three_channels() -> None:
    plate = straighten(_image(channels=3), _turned(90, 130, 2.0, (78.0, 104.0)), rotate=90)
    assert plate.shape == (130, 90, 3)
    np.testing.assert_allclose(plate[..., 2], plate[..., 0] / 4, rtol=1e-5)


@settings(max_examples=25, deadline=None)
@given(
    degrees=st.floats(-8, 8),
    band=st.integers(5, 60),
    mirror=st.booleans(),
    rotate=st.sampled_from([0, 90, 180, 270]),
)
def test_bands_make_the_whole(degrees: float, band: int, mirror: bool, rotate: int) -> None:
    image = _image()
    corners = _turned(80, 120, degrees, (78.0, 104.0))
    plan = plan_straighten(SHAPE, corners, mirror=mirror, rotate=rotate)
    whole, _ = straighten_rows(image, plan, 0, plan.shape[0])
    parts = [
        straighten_rows(image, plan, top, min(top + band, plan.shape[0]))[0]
        for top in range(0, plan.shape[0], band)
    ]
    # OpenCV places samples to 1/32 pixel; a band may round the other way. The steepest slope of
    # the picture is 0.012 a pixel.
    np.testing.assert_allclose(np.vstack(parts), whole, atol=0.012 / 32 * 2)


def test_outside_the_capture_repeats_the_border() -> None:
    corners = np.array([[-10.5, -10.5], [-10.5, 50.5], [40.5, 50.5], [40.5, -10.5]])
    plate = straighten(_image(), corners, how="none")
    assert plate.shape == (51, 61)
    assert plate[0, 0] == _image().pixels[0, 0]
    assert plate[15, 20] == _image().pixels[5, 10]


def test_bad_orders_are_refused() -> None:
    corners = _turned(90, 130, 0, (78, 104))
    with pytest.raises(ValueError, match="rotate must be 0, 90"):
        plan_straighten(SHAPE, corners, rotate=45)
    with pytest.raises(ValueError, match="enclose no pixel"):
        plan_straighten(SHAPE, np.zeros((4, 2)))


def test_input_is_left_alone() -> None:
    image = _image()
    before = image.pixels.copy()
    straighten(image, _turned(90, 130, 3, (78, 104)))
    np.testing.assert_array_equal(image.pixels, before)
