"""Dark frames that fit, levels whose pattern is longer than a band, places to the half cell."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from platebench.core.errors import FrameMismatchError
from platebench.core.image import CaptureInfo, CaptureKind, PlateImage, SensorFrame
from platebench.plate.bands import banded
from platebench.plate.bracket.merge import merge_bracket, shifted_frame
from platebench.plate.bracket.plan import plan_bracket
from platebench.plate.finding.overview import overview_of
from platebench.plate.flatten import SiteCorrection, stain_step, transmittance_from_counts
from platebench.plate.glare_evidence import own_dark_cells
from platebench.plate.light import (
    Dark,
    Light,
    LightSource,
    dark_from_frames,
    dark_note,
    light_from_blanks,
)
from platebench.plate.light_estimate import cells_inside
from platebench.plate.smooth_field import row_field, site_classes
from platebench.synthetic import CameraModel, LightBox, simulate_blank, simulate_dark

from ..refusals import refused

BAYER = np.array([[0, 1], [1, 2]], np.uint8)
SHAPE = (150, 170)
INFO = CaptureInfo(
    path=Path("p.dng"), kind=CaptureKind.RAW, exposure_s=0.1, iso=100.0, f_number=8.0
)


def pattern_of(period: int) -> np.ndarray:
    """Return a filter pattern repeated so that it shares a period with the black levels."""
    side = np.lcm(period, 2)
    return np.tile(BAYER, (side // 2, side // 2))


def frame(signal: np.ndarray, period: int, **info: object) -> SensorFrame:
    """Return counts over a black level that differs from row to row, every ``period`` rows."""
    pattern = pattern_of(period)
    rows = 200.0 + 40.0 * (np.arange(len(pattern)) % period)
    black = np.tile(rows[:, None], (1, len(pattern))).astype(np.float32)
    repeats = (-(-SHAPE[0] // len(pattern)), -(-SHAPE[1] // len(pattern)))
    levels = np.tile(black, repeats)[: SHAPE[0], : SHAPE[1]]
    return SensorFrame(
        counts=np.rint(signal + levels).astype(np.uint16),
        pattern=pattern,
        black=black,
        white=16383.0,
        info=replace(INFO, **info),  # type: ignore[arg-type]
    )


def even_light(pattern: np.ndarray, level: float, gains: tuple[float, ...] = ()) -> Light:
    kinds = int(site_classes(pattern).max()) + 1
    fields = np.full((kinds, 4, 5), level, np.float32)
    for kind, gain in enumerate(gains):
        fields[kind] *= gain
    return Light(
        fields=fields, shape=SHAPE, pattern=pattern, channels=1, source=LightSource.BLANK, info=INFO
    )


@pytest.mark.parametrize("period", [5, 7, 16])
def test_black_levels_of_any_period(period: int) -> None:
    signal = np.full(SHAPE, 5000.0)
    light = even_light(pattern_of(period), 10000.0)
    image = transmittance_from_counts(frame(signal, period), light)
    np.testing.assert_allclose(image.pixels, 0.5, atol=1e-6)
    short = frame(signal / 4, period, exposure_s=0.025, path=Path("s.dng"))
    both = [frame(signal, period), short]
    merged = merge_bracket(both, light, plan=plan_bracket(both, light))
    np.testing.assert_allclose(merged.image.pixels, 0.5, atol=1e-5)


def test_stain_comes_off_alike_wherever_a_band_begins() -> None:
    pattern = pattern_of(5)
    kinds = int(site_classes(pattern).max()) + 1
    correction = SiteCorrection(
        gains=np.ones((kinds, 2, 2), np.float32), exponents=np.array([1.0, 1.0, 0.8], np.float32)
    )
    step = stain_step(correction, pattern, SHAPE, 1)
    rng = np.random.default_rng(3)
    whole = rng.uniform(0.1, 0.9, SHAPE).astype(np.float32)
    pieces = whole.copy()
    step(whole, 0, SHAPE[0])
    for start in range(0, SHAPE[0], 7):
        stop = min(start + 7, SHAPE[0])
        step(pieces[start:stop], start, stop)
    np.testing.assert_allclose(pieces, whole, rtol=1e-6)


def test_a_moved_exposure_keeps_its_own_darkness() -> None:
    """Dark frames at 300 where the file says 0: moved onto other colours, light moves, dark not."""
    gains = (0.5, 1.0, 1.0, 0.7)  # by site of the pattern
    light = even_light(BAYER, 8000.0, gains)
    colours = np.tile(np.array(gains).reshape(2, 2), (SHAPE[0] // 2, SHAPE[1] // 2))
    counts = np.rint(300 + 0.25 * 8000 * colours).astype(np.uint16)
    shot = SensorFrame(
        counts=counts, pattern=BAYER, black=np.zeros((2, 2), np.float32), white=16383.0, info=INFO
    )
    dark = Dark(level=np.full(4, 300.0, np.float32), shape=SHAPE, info=INFO)
    field = row_field(1 / light.fields, site_classes(BAYER), SHAPE, channels=1)
    moved = shifted_frame(shot, (0, 1), field, dark)
    np.testing.assert_allclose(moved.counts, counts, atol=1)  # an even plate, moved, is the same


def test_cells_are_marked_to_the_half_cell() -> None:
    # A plate in the middle of the frame: what is marked has to mirror.
    for shape, grid in (((800, 1000), (80, 100)), ((801, 1003), (40, 50))):
        top, left = shape[0] * 0.253 - 0.5, shape[1] * 0.253 - 0.5
        bottom, right = shape[0] * 0.747 - 0.5, shape[1] * 0.747 - 0.5
        corners = np.array([[top, left], [top, right], [bottom, right], [bottom, left]])
        inside = cells_inside(corners, shape, grid, grow=0.0)
        np.testing.assert_array_equal(inside, inside[::-1, ::-1])
        assert inside.sum() == pytest.approx(0.25 * inside.size, rel=0.12)


def dark_of(image: PlateImage, corners: NDArray[np.float64]) -> NDArray[np.intp] | None:
    """Return the tiles of what is opaque around a plate."""
    bare = np.ones((96, 128))
    seen = overview_of(banded(image))
    found = own_dark_cells(seen, bare, 0 * bare, corners, masked=True, level=1.0)
    return None if found is None else found.tiles


def test_glare_beside_a_plate_is_read_alike_on_both_sides() -> None:
    """A plate in the middle of a black mask: what is taken for opaque has to mirror."""
    pixels = np.full((1200, 1600), 0.004, np.float32)
    pixels[300:900, 400:1200] = 0.3
    image = PlateImage(pixels=pixels)
    corners = np.array([[300, 400], [300, 1199], [899, 1199], [899, 400]], np.float64)
    found = []
    for turn in (slice(None), slice(None, None, -1)):
        lit = pixels.copy()
        lit[:, :800][lit[:, :800] < 0.1] = 0.5  # one side is no mask
        turned = PlateImage(pixels=np.ascontiguousarray(lit[turn, turn]))
        tiles = dark_of(turned, corners)
        assert tiles is not None
        found.append(tiles[turn, turn] > 0)
    assert np.array_equal(*found)
    assert dark_of(image, corners) is not None


CAMERA = CameraModel(shape=(240, 336))
BOX = LightBox()


def test_a_dark_frame_of_another_iso_is_refused() -> None:
    blank = simulate_blank(BOX, CAMERA, exposure_s=1 / 16, seed=1)
    dark = dark_from_frames([simulate_dark(replace(CAMERA, iso=400.0), exposure_s=1 / 16, seed=2)])
    with refused(FrameMismatchError, "ISO", "400", "100"):
        light_from_blanks([blank], dark)
    light = light_from_blanks([blank])
    with refused(FrameMismatchError, "ISO", "400"):
        transmittance_from_counts(blank, light, dark)
    frames = [blank, simulate_blank(BOX, CAMERA, exposure_s=1 / 64, seed=3)]
    with refused(FrameMismatchError, "ISO", "400"):
        merge_bracket(frames, light, dark)


def test_a_dark_frame_of_another_time_is_said() -> None:
    frames = [simulate_blank(BOX, CAMERA, exposure_s=t, seed=1) for t in (1 / 16, 1.0)]
    dark = dark_from_frames([simulate_dark(CAMERA, exposure_s=1 / 16, seed=2)])
    assert dark_note(frames[:1], dark) == () == dark_note(frames, None)
    (note,) = dark_note(frames, dark)
    assert "1/16 s, the plate 1 s" in note


def test_blank_and_plate_of_two_kinds_are_refused() -> None:
    blank = simulate_blank(BOX, CAMERA, exposure_s=1 / 16, seed=1)
    light = light_from_blanks([blank])
    scan = replace(blank, info=replace(blank.info, kind=CaptureKind.SCAN))
    with refused(FrameMismatchError, "camera raw", "scan", plate=scan.info.path):
        transmittance_from_counts(scan, light)


@pytest.mark.parametrize("full_well_e", [4000.0, 48000.0])
def test_noise_of_the_light_whatever_a_count_is_worth(full_well_e: float) -> None:
    """Stated standard error of the smoothed light against its scatter over blanks."""
    camera = replace(CAMERA, shape=(600, 800), cfa="MONO", full_well_e=full_well_e)
    lights = [
        light_from_blanks([simulate_blank(BOX, camera, exposure_s=1 / 16, seed=seed)])
        for seed in range(8)
    ]
    fields = np.stack([light.fields for light in lights])
    scatter = float(np.sqrt(np.mean((fields.std(axis=0, ddof=1) / fields.mean(axis=0)) ** 2)))
    stated = float(np.mean([light.noise_share for light in lights]))
    assert stated == pytest.approx(scatter, rel=0.15)
