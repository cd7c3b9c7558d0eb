"""Coarse grids against the functions they were sampled from."""

from __future__ import annotations

import numpy as np
import pytest

from platebench.plate.smooth_field import (
    class_means,
    grid_shape,
    row_field,
    site_classes,
    smooth_cells,
)

BAYER = np.array([[0, 1], [1, 2]], np.uint8)
SIX = np.array(
    [
        [1, 1, 0, 1, 1, 2],
        [1, 1, 2, 1, 1, 0],
        [2, 0, 1, 0, 2, 1],
        [1, 1, 2, 1, 1, 0],
        [1, 1, 0, 1, 1, 2],
        [0, 2, 1, 2, 0, 1],
    ],
    np.uint8,
)


def _falloff(shape: tuple[int, int]) -> np.ndarray:
    y, x = np.meshgrid(np.linspace(-1, 1, shape[0]), np.linspace(-1, 1, shape[1]), indexing="ij")
    return (1 - 0.3 * (0.8 * x * x + 0.4 * y * y) + 0.05 * x - 0.03 * y).astype(np.float32)


def test_classes_keep_two_greens_apart_and_six_by_six_by_colour() -> None:
    assert site_classes(BAYER).tolist() == [[0, 1], [2, 3]]
    assert np.array_equal(site_classes(SIX), SIX)


@pytest.mark.parametrize("pattern", [BAYER, SIX, np.ones((1, 1), np.uint8)])
@pytest.mark.parametrize("shape", [(613, 907), (906, 610)])
def test_grid_gives_back_a_smooth_light(pattern: np.ndarray, shape: tuple[int, int]) -> None:
    # Linear interpolation between cells of size h errs by h^2 f''/8: far below 0.1 % here. At
    # the very corner of so small a frame (8-site cells, 6-site pattern) extrapolation adds 0.3 %.
    classes = site_classes(pattern)
    light = 9000 * _falloff(shape)
    fields = smooth_cells(class_means(light, classes, grid_shape(shape)))
    rows = row_field(fields, classes, shape, channels=1).rows(0, shape[0])
    assert np.abs(rows / light - 1).max() < 4e-3
    assert np.abs(rows / light - 1)[20:-20, 20:-20].max() < 1e-3


def test_each_kind_of_site_reads_its_own_field() -> None:
    shape, classes = (90, 132), site_classes(BAYER)
    frame = np.zeros(shape, np.float32)
    for kind, level in enumerate((100.0, 200.0, 300.0, 400.0)):
        frame[kind // 2 :: 2, kind % 2 :: 2] = level
    fields = class_means(frame, classes, grid_shape(shape))
    rows = row_field(fields, classes, shape, channels=1).rows(0, shape[0])
    np.testing.assert_allclose(rows, frame, rtol=1e-6)


def test_rows_do_not_depend_on_the_band() -> None:
    shape, classes = (97, 131), site_classes(BAYER)
    field = row_field(
        class_means(_falloff(shape), classes, grid_shape(shape)), classes, shape, channels=1
    )
    whole = field.rows(0, 97)
    np.testing.assert_array_equal(np.vstack([field.rows(0, 40), field.rows(40, 97)]), whole)


def test_three_channels_stay_interleaved() -> None:
    light = np.stack([_falloff((80, 120)) * k for k in (1, 2, 3)], axis=-1)
    classes = np.zeros((1, 1), np.uint8)
    fields = class_means(light, classes, grid_shape((80, 120)))
    rows = row_field(fields, classes, (80, 120), channels=3).rows(0, 80).reshape(80, 120, 3)
    np.testing.assert_allclose(rows[..., 2] / rows[..., 0], 3.0, rtol=1e-5)


def test_smoothing_takes_dust_off_the_lamp() -> None:
    cells = np.ones((1, 30, 40), np.float32)
    cells[0, 12, 17] = 0.6
    np.testing.assert_allclose(smooth_cells(cells), 1.0, rtol=1e-6)
