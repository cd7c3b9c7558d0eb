"""Transmittance made in bands is the transmittance made at once, whatever is asked for."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from platebench.core.image import MONO_PATTERN, CaptureInfo, CaptureKind, PlateImage, SensorFrame
from platebench.plate.bands import BandedImage, banded, bands
from platebench.plate.densities import code_from_transmittance
from platebench.plate.finding.overview import overview_of
from platebench.plate.flatten import flatten
from platebench.plate.light import light_from_blanks
from platebench.plate.print_positive import print_positive
from platebench.plate.smooth_field import class_means, grid_shape, site_classes
from platebench.plate.straighten import plan_straighten, straighten_rows

RGGB = np.array([[0, 1], [1, 2]], np.uint8)
SHAPE = (131, 186)
PLATE = np.array([[20.0, 30], [26, 160], [110, 152], [103, 24]])  # not square, corners all inside


def _image(*, pattern: np.ndarray = RGGB, channels: int = 1, clipped: bool = False) -> PlateImage:
    rng = np.random.default_rng(4)
    ramp = np.linspace(0.05, 0.9, SHAPE[0])[:, None] * np.linspace(1.0, 0.6, SHAPE[1])
    pixels = (ramp * rng.uniform(0.97, 1.03, SHAPE)).astype(np.float32)
    if channels == 3:
        pixels = np.stack([pixels, pixels * 0.8, pixels * 0.5], axis=-1).astype(np.float32)
    valid = None
    if clipped:
        valid = np.ones(SHAPE, bool)
        valid[40:44, 61:63] = False
    return PlateImage(pixels=pixels, valid=valid, pattern=pattern)


def _first_site_doubled(band: np.ndarray, start: int, stop: int) -> None:
    assert len(band) == stop - start
    band[::2, ::2] *= 2  # red of RGGB, if and only if the band starts with its pattern


@pytest.mark.parametrize("start", [0, 1, 2, 7])
@pytest.mark.parametrize("channels", [1, 3])
def test_rows_are_those_of_the_whole(start: int, channels: int) -> None:
    image = _image(channels=channels, pattern=RGGB if channels == 1 else MONO_PATTERN, clipped=True)
    picture = banded(image)
    part = picture.rows(start, start + 50)
    np.testing.assert_array_equal(part.pixels, image.pixels[start : start + 50])
    assert part.valid is not None and image.valid is not None
    np.testing.assert_array_equal(part.valid, image.valid[start : start + 50])
    np.testing.assert_array_equal(picture.whole().pixels, image.pixels)


@pytest.mark.parametrize("start", [0, 3])
def test_steps_know_their_sites_wherever_a_band_starts(start: int) -> None:
    image = _image()
    expected = image.pixels.copy()
    expected[::2, ::2] *= 2
    part = banded(image).then(_first_site_doubled).rows(start, start + 9)
    np.testing.assert_array_equal(part.pixels, expected[start : start + 9])
    np.testing.assert_array_equal(image.pixels, _image().pixels)  # nothing was done in place


def test_black_levels_of_a_long_pattern_stay_with_their_rows() -> None:
    """A black level that repeats over five rows, and bands that start anywhere."""
    rng = np.random.default_rng(5)
    info = CaptureInfo(path=Path("a.dng"), kind=CaptureKind.RAW, exposure_s=1.0)
    black = np.array([[500.0], [510], [520], [530], [540]], np.float32)
    level = np.tile(black, (SHAPE[0] // 5 + 1, SHAPE[1]))[: SHAPE[0]]
    light = rng.integers(900, 1000, SHAPE)
    mono = np.ones((5, 1), np.uint8)

    def frame(counts: np.ndarray) -> SensorFrame:
        return SensorFrame(
            counts=(counts + level).astype(np.uint16), pattern=mono, black=black, white=9000.0,
            info=info,
        )  # fmt: skip

    flat = frame(np.full(SHAPE, 2000))
    picture = flatten(frame(light), replace(light_from_blanks([flat]), pattern=mono))
    for start, stop in ((0, SHAPE[0]), (17, 60)):
        # light / 2000, exact by definition
        np.testing.assert_allclose(
            picture.rows(start, stop).pixels, light[start:stop] / 2000, rtol=1e-5
        )


@pytest.mark.parametrize("long_side", [62, 93, 186])
@pytest.mark.parametrize("channels", [1, 3])
def test_overview_is_the_mean_over_blocks(long_side: int, channels: int) -> None:
    pattern = RGGB if channels == 1 else MONO_PATTERN
    image = _image(channels=channels, pattern=pattern, clipped=True)
    seen = overview_of(banded(image), long_side)
    block = 186 // long_side
    rows, columns = (n // block for n in SHAPE)
    cut = image.pixels[: rows * block, : columns * block].astype(np.float64)
    means = cut.reshape(rows, block, columns, block, *image.pixels.shape[2:]).mean(axis=(1, 3))
    np.testing.assert_allclose(seen.pixels, means, rtol=2e-6)
    assert seen.valid is not None and image.valid is not None
    good = image.valid[: rows * block, : columns * block].reshape(rows, block, columns, block)
    np.testing.assert_array_equal(seen.valid, good.all(axis=(1, 3)))
    p = len(pattern)  # a rest of the pattern at the bottom is left out
    sampled = image.pixels[: SHAPE[0] // p * p]
    cells = class_means(sampled, site_classes(pattern), grid_shape(SHAPE), sampled=(p, SHAPE[0]))
    np.testing.assert_allclose(seen.cells, cells, rtol=1e-5)


def test_places_of_an_overview() -> None:
    seen = overview_of(banded(_image()), 62)
    # Blocks of three: the first block's centre is the capture's second site.
    np.testing.assert_allclose(seen.places(np.array([[1.0, 4.0]])), [[0, 1]])
    there = seen.at_most(31)
    np.testing.assert_allclose(there.places_in_capture(there.places(PLATE)), PLATE)
    assert max(there.pixels.shape) == 31
    assert there.at_most(31) is there
    assert seen.image.pattern.shape == (1, 1)  # of blocks of three by three
    assert overview_of(banded(_image()), 186).image.pattern.shape == (2, 2)


def test_sampled_cells_are_close_to_all_of_them() -> None:
    """A tall frame's cells are read on one row pair in 24."""
    tall = (1700, 64)
    down = np.linspace(0.2, 0.8, tall[0], dtype=np.float32)[:, None]
    pixels = np.repeat(down, tall[1], axis=1)
    pixels[::2, ::2] *= np.float32(0.9)
    image = PlateImage(pixels=pixels, pattern=RGGB)
    cells = overview_of(banded(image), 850).cells
    full = class_means(pixels, site_classes(RGGB), grid_shape(tall))
    # A cell is 13 rows of a slope of 0.6 in 1700: rows picked in it are off by 12 of them at most.
    assert np.abs(cells - full).max() < 12 * 0.6 / 1700
    np.testing.assert_allclose(cells[0] / cells[1], 0.9, rtol=0.003)


TABLE = np.arange(65535, -1, -1).astype(np.uint16)


@pytest.mark.parametrize("mirror", [False, True])
@pytest.mark.parametrize("rotate", [0, 90, 180, 270])
@pytest.mark.parametrize("how", ["perspective", "none"])
def test_positive_is_the_straightened_plate_through_the_table(
    how: str, rotate: int, mirror: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("platebench.plate.print_positive._ROWS", 16)
    ramp = np.linspace(0.3, 0.9, SHAPE[0])[:, None] * np.linspace(1.0, 0.6, SHAPE[1])
    image = PlateImage(pixels=ramp.astype(np.float32))
    plan = plan_straighten(SHAPE, PLATE, how=how, mirror=mirror, rotate=rotate)  # type: ignore[arg-type]
    got = print_positive(banded(image), plan, TABLE)
    at_once, _ = straighten_rows(image, plan, 0, plan.shape[0])
    expected = TABLE[code_from_transmittance(at_once)]
    assert got.shape == expected.shape == plan.shape
    # OpenCV places samples to 1/32 pixel and each way may round the other way; the steepest slope
    # is 0.005 a pixel at T 0.3, and one code is 2 root(T) root(1.6) / 65535.
    bound = 3 if plan.whole_pixels else 0.005 / 32 * 2 / (2 * np.sqrt(0.18 * 1.6) / 65535)
    assert np.abs(got.astype(int) - expected).max() <= bound


def test_each_row_is_made_once(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("platebench.plate.print_positive._ROWS", 16)
    image, made = _image(), []
    picture = banded(image)

    def counted(start: int, stop: int):  # type: ignore[no-untyped-def]
        made.extend(range(start, stop))
        return picture.make(start, stop)

    plan = plan_straighten(SHAPE, PLATE)
    source = BandedImage(shape=SHAPE, channels=1, pattern=MONO_PATTERN, make=counted)
    print_positive(source, plan, TABLE)
    assert len(made) == len(set(made))
    assert min(made) >= 20 - 5 and max(made) <= 110 + 5  # the plate's rows and the kernel's reach


def test_bands_cover_a_height() -> None:
    spans = bands(131, 24)
    assert spans[0][0] == 0 and spans[-1][1] == 131
    assert all(before[1] == after[0] for before, after in pairwise(spans))
