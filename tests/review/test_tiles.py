"""Tiles: which part of a picture each shows, against plain slicing and an independent resampler."""

from __future__ import annotations

import numpy as np
import pytest
from skimage.transform import ProjectiveTransform, warp

from platebench.plate.straighten import plan_straighten
from platebench.review.plate_pixels import half_sizes
from platebench.review.tiles import TILE, DeepSize, codes_of_preview, codes_of_tile

IDENTITY = np.eye(3)


def ramps(rows: int, columns: int) -> np.ndarray:
    """A picture that no flip, turn or shift leaves as it is."""
    y, x = np.mgrid[0:rows, 0:columns]
    return (20 * y + 7 * x + 300 * np.sin(y / 9) * np.cos(x / 7) + 1000).astype(np.uint16)


@pytest.mark.parametrize("shape", [(1300, 700), (1, 1), (513, 1025), (37, 53)])
def test_tiles_cover_every_level_once(shape: tuple[int, int]) -> None:
    size = DeepSize(rows=shape[0], columns=shape[1])
    assert size.level_shape(size.last_level) == shape and size.level_shape(0) == (1, 1)
    for level in range(size.last_level + 1):
        rows, columns = size.level_shape(level)
        seen = np.zeros((rows, columns), int)
        for row in range(-(-rows // TILE)):
            for column in range(-(-columns // TILE)):
                top, left, bottom, right = size.tile_box(level, column, row)
                seen[top:bottom, left:right] += 1
        assert (seen == 1).all()
        assert size.tile_box(level, -(-columns // TILE), 0) is None
        assert size.tile_box(level, 0, -(-rows // TILE)) is None
    assert size.tile_box(size.last_level + 1, 0, 0) is None
    assert size.tile_box(0, -1, 0) is None


def test_the_last_level_is_the_capture_pixel_by_pixel() -> None:
    codes = ramps(900, 701)
    size = DeepSize(rows=900, columns=701)
    for column, row in ((0, 0), (1, 1)):
        box = size.tile_box(size.last_level, column, row)
        tile = codes_of_tile(half_sizes(codes), IDENTITY, size, size.last_level, box)
        top, left, bottom, right = box
        assert (tile == codes[top:bottom, left:right]).all()


def test_a_turned_plate_is_where_another_library_puts_it() -> None:
    """scikit-image's warp, bilinear, from the same homography."""
    codes = ramps(700, 900)
    corners = np.array([[40.0, 55], [22, 840], [610, 861], [633, 70]])
    plan = plan_straighten(codes.shape, corners, how="perspective", mirror=True, rotate=90)
    size = DeepSize(rows=plan.shape[0], columns=plan.shape[1])
    expected = warp(
        codes.astype(float), ProjectiveTransform(plan.source), output_shape=plan.shape, order=1
    )
    box = size.tile_box(size.last_level, 0, 0)
    tile = codes_of_tile(half_sizes(codes), plan.source, size, size.last_level, box)
    # cv2 keeps the share of each neighbour in 1/32: half a step, of up to 60 codes a pixel
    assert np.abs(tile - expected[: box[2], : box[3]]).max() < 3


def test_smaller_levels_show_the_same_places() -> None:
    """A smooth picture, so that its means are its middles: exact but for rounding."""
    y, x = np.mgrid[0:1600, 0:2000]
    codes = (10 * y + 13 * x + 500).astype(np.uint16)
    levels = half_sizes(codes)
    size = DeepSize(rows=1600, columns=2000)
    for level in range(size.last_level - 3, size.last_level):
        scale = 2 ** (size.last_level - level)
        top, left, bottom, right = box = size.tile_box(level, 0, 0)
        tile = codes_of_tile(levels, IDENTITY, size, level, box)
        rows, columns = np.mgrid[top:bottom, left:right]
        middles_y, middles_x = (rows + 0.5) * scale - 0.5, (columns + 0.5) * scale - 0.5
        error = tile - (10 * middles_y + 13 * middles_x + 500)
        assert np.abs(error[2:-2, 2:-2]).max() <= 2


def test_a_preview_is_as_long_as_asked_and_never_larger_than_the_picture() -> None:
    codes = ramps(900, 600)
    size = DeepSize(rows=900, columns=600)
    assert codes_of_preview(half_sizes(codes), IDENTITY, size, 300).shape == (300, 200)
    assert codes_of_preview(half_sizes(codes), IDENTITY, size, 4000).shape == (900, 600)


def test_half_sizes_end_small_and_keep_the_mean() -> None:
    levels = half_sizes(ramps(1501, 1003))
    assert max(levels[-1].shape) <= 400
    for level in levels[1:]:
        assert level.mean() == pytest.approx(levels[0].mean(), rel=0.002)
