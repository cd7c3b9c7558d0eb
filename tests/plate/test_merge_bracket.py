"""Brackets with known truth: variance against the inverse-variance bound, bias, range, movement.

Every expected figure comes from the simulator's own noise (shot noise of the electrons, read noise,
rounding to whole counts: 1/12) and the bound of inverse-variance weighting,
``1 / var = sum_i t_i^2 / var_i`` (check-values section 9).
"""

from __future__ import annotations

import math
import tracemalloc
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from platebench.core.errors import BracketError, FrameMismatchError
from platebench.core.image import CaptureKind, SensorFrame
from platebench.plate.bracket.merge import merge_bracket
from platebench.plate.flatten import transmittance_from_counts
from platebench.plate.light import Light, light_from_blanks
from platebench.synthetic import CameraModel, LightBox, PlateModel, simulate_blank
from platebench.synthetic.simulate import photograph, true_transmittance

from ..refusals import refused

TIMES = (1 / 15, 4 / 15, 16 / 15)
EVEN = LightBox(uneven=0.0, vignette=0.0)  # the bare light fills 13 / 15 of the well in 1/15 s
SHAPE = (240, 336)  # whole patterns of 1, 2 and 6
# Steps well off the levels at which the longer exposures clip (D 1.14 and 0.54 in green).
STEPS = (0.05, 0.35, 0.85, 1.5, 2.0, 2.5, 3.0, 3.5, 4.0, 4.3)


def camera(**changes) -> CameraModel:
    return CameraModel(**({"shape": SHAPE} | changes))


def light_of(cam: CameraModel, box: LightBox = EVEN) -> Light:
    """The bare light from enough blanks that their noise does not matter."""
    return light_from_blanks(
        [simulate_blank(box, cam, exposure_s=TIMES[0], seed=900 + n) for n in range(4)]
    )


def step_wedge(shape=SHAPE, densities=STEPS) -> np.ndarray:
    """Vertical strips of even density, with a faint slope so that cells are not all alike."""
    strips = np.array(densities)[np.arange(shape[1]) * len(densities) // shape[1]]
    return np.float32(10.0 ** -np.tile(strips, (shape[0], 1)))


def bracket(truth, cam, *, box=EVEN, times=TIMES, true_times=None, seed=0) -> list[SensorFrame]:
    """Exposures whose stated times are ``times``."""
    frames = []
    for n, (stated, given) in enumerate(zip(times, true_times or times, strict=True)):
        frame = photograph(truth, box, cam, exposure_s=given, seed=seed * 10 + n)
        info = replace(frame.info, exposure_s=stated, path=Path(f"{n}.dng"))
        frames.append(replace(frame, info=info))
    return frames


def gains_of(cam: CameraModel) -> np.ndarray:
    """Colour gain of every site."""
    pattern = photograph(np.ones(cam.shape, np.float32), EVEN, cam, exposure_s=1e-3, seed=0).pattern
    gains = np.array(cam.colour_gains if pattern.size > 1 else (1.0, 1.0, 1.0))[pattern]
    repeats = (cam.shape[0] // gains.shape[0], cam.shape[1] // gains.shape[1])
    return np.tile(gains, repeats)


def bound(truth, cam, times=TIMES) -> np.ndarray:
    """Least variance of T at every site, clipped exposures left out."""
    read = cam.read_noise_e**2 + 1 / 12 / cam.counts_per_e**2
    information = np.zeros(truth.shape)
    for time in times:
        scale = gains_of(cam) * EVEN.brightness * time * cam.full_well_e  # electrons at T = 1
        electrons = truth * scale
        used = electrons < 0.9 * cam.full_well_e
        information += np.where(used, scale**2 / (electrons + read), 0)
    return 1 / np.maximum(information, 1e-9)


@pytest.mark.parametrize("cfa", ["RGGB", "XTRANS", "MONO"])
def test_variance_is_within_a_twentieth_of_the_bound_and_the_mean_is_true(cfa):
    cam = camera(cfa=cfa)
    light, truth = light_of(cam), step_wedge()
    brackets = 10
    errors = []
    for seed in range(brackets):
        merged = merge_bracket(bracket(truth, cam, seed=seed), light)
        assert merged.image.valid is None
        errors.append(merged.image.pixels - truth.astype(np.float64))
    errors, least = np.array(errors), bound(truth, cam)
    for density in STEPS:
        at = truth == np.float32(10.0**-density)
        at &= cv2.erode(at.astype(np.uint8), np.ones((1, 13))) > 0  # weights know their neighbours
        relative = errors[:, at] ** 2 / least[at]
        scatter = math.sqrt(2 / relative.size)
        assert 1 - 4 * scatter < relative.mean() < 1.05 + 3 * scatter, density
        # 0.1 %: what the measured ratio of exposures may be off (0.0004 D)
        limit = 4 * math.sqrt(float(least[at].mean()) / relative.size) + 0.001 * 10**-density
        assert abs(float(errors[:, at].mean())) < limit, density


def test_an_exposure_is_left_without_a_step_where_it_begins_to_clip():
    """Near clipping the low sites must not be picked: a slow ramp across it stays unbiased."""
    cam = camera(cfa="MONO", full_well_e=4000.0, read_noise_e=2.0)
    light = light_of(cam)
    # the long exposure clips at T = 15 / (13 * 16) = 0.0721
    ramp = np.float32(np.geomspace(0.055, 0.095, SHAPE[1]))
    truth = np.tile(ramp, (SHAPE[0], 1))
    truth[:60] = step_wedge((60, SHAPE[1]), (0.1, 1.6, 2.2))
    errors = np.array(
        [
            merge_bracket(bracket(truth, cam, seed=seed), light).image.pixels / truth - 1
            for seed in range(12)
        ]
    )[:, 64:]
    by_level = errors.reshape(12, -1, SHAPE[1] // 8, 8).mean(axis=(0, 1, 3))
    # Chosen by counts of their own, sites near clipping would be off by 0.4 k s: the share k of the
    # other exposure is 0.8 and s, its noise there, 1.6 %, so by 0.5 %. Here 0.1 % is allowed.
    assert np.abs(by_level).max() < 0.001


def test_dense_plate_gains_the_range_that_noise_theory_says():
    """The density at which one site's signal is ten times its noise, solved from the model."""
    cam = camera(cfa="MONO")
    read = cam.read_noise_e**2 + 1 / 12 / cam.counts_per_e**2
    full = EVEN.brightness * cam.full_well_e

    def depth(times: Sequence[float]) -> float:
        def snr2(density: float) -> float:
            light = 10**-density * full
            return sum((light * t) ** 2 / (light * t + read) for t in times)

        low, high = 0.0, 6.0
        for _ in range(60):
            middle = (low + high) / 2
            low, high = (middle, high) if snr2(middle) > 100 else (low, middle)
        return low

    alone, merged = depth(TIMES[:1]), depth(TIMES)
    assert merged - alone > 1.2  # 21 times the light: 1.32 D where shot noise rules
    truth = step_wedge(densities=(0.2, 1.5, merged, alone))
    light = light_of(cam)
    frames = [bracket(truth, cam, seed=seed) for seed in range(6)]
    for density, pictures in (
        (alone, [transmittance_from_counts(b[0], light).pixels for b in frames]),
        (merged, [merge_bracket(b, light).image.pixels for b in frames]),
    ):
        at = truth == np.float32(10.0**-density)
        at &= cv2.erode(at.astype(np.uint8), np.ones((1, 13))) > 0
        values = np.array([picture[at] for picture in pictures])
        # 6 x 14,000 sites tell a standard deviation to 0.25 %
        assert 10**-density / values.std() == pytest.approx(10, rel=0.025)


def test_five_per_cent_of_error_in_the_times_is_found():
    cam = camera()
    truth = step_wedge()
    real = (TIMES[0], TIMES[1] * 1.05, TIMES[2] * 0.95)
    merged = merge_bracket(bracket(truth, cam, true_times=real, seed=3), light_of(cam))
    assert merged.plan.order == (2, 1, 0) and merged.plan.reference == 2
    assert merged.plan.ratios == pytest.approx([0.95 * 16, 1.05 * 4, 1], rel=1e-3)
    assert any("+5.0%" in note for note in merged.plan.notes)
    for density in (1.5, 2.0, 2.5):
        at = truth == np.float32(10.0**-density)
        assert merged.image.pixels[at].mean() == pytest.approx(10**-density, rel=2e-3)


def test_times_need_not_be_known():
    cam = camera()
    truth = step_wedge()
    frames = bracket(truth, cam, seed=4)
    unknown = [replace(f, info=replace(f.info, exposure_s=None)) for f in frames]
    plan = merge_bracket(unknown, light_of(cam)).plan
    assert plan.order == (2, 1, 0)
    assert plan.ratios == pytest.approx([16, 4, 1], rel=2e-3)
    assert plan.stated == (None, None, None)


def test_valid_is_false_only_where_even_the_shortest_clips():
    cam = camera()
    truth = step_wedge()
    truth[100:120, 50:70] = 2.0  # a hole in the mask, brighter than the box: every exposure clips
    frames = bracket(truth, cam, seed=5)
    merged = merge_bracket(frames, light_of(cam)).image
    shortest = frames[0]
    np.testing.assert_array_equal(~merged.valid, shortest.counts >= shortest.white)
    assert not merged.valid[100:120, 50:70][gains_of(cam)[100:120, 50:70] == 1].any()
    assert np.isfinite(merged.pixels).all()


def test_one_exposure_is_merely_flattened():
    cam = camera(colour_gains=(0.4, 1.0, 0.6))
    box = LightBox()
    frame = bracket(step_wedge(), cam, box=box, seed=6)[0]
    light = light_of(cam, box)
    merged = merge_bracket([frame], light).image
    flat = transmittance_from_counts(frame, light)
    np.testing.assert_allclose(merged.pixels, flat.pixels, rtol=2e-6, atol=1e-9)
    np.testing.assert_array_equal(merged.pattern, flat.pattern)


def test_repeats_of_one_exposure_average():
    cam = camera(cfa="MONO")
    truth = step_wedge()
    merged = merge_bracket(bracket(truth, cam, times=(TIMES[1],) * 4, seed=7), light_of(cam))
    at = truth == np.float32(10.0**-2.5)
    one = bound(truth, cam, TIMES[1:2])[at].mean()
    assert merged.image.pixels[at].var() == pytest.approx(one / 4, rel=0.06)


class ReadOnce(Sequence):
    """Captures that count how often they are read."""

    def __init__(self, frames):
        self.frames, self.reads = frames, 0

    def __len__(self):
        return len(self.frames)

    def __getitem__(self, place):
        self.reads += 1
        return self.frames[place]


def test_files_are_read_once():
    cam = camera()
    frames = ReadOnce(bracket(step_wedge(), cam, seed=8))
    merged = merge_bracket(frames, light_of(cam))
    assert frames.reads == 3 + 1  # and once past the end, as iteration does
    again = merge_bracket(frames.frames, light_of(cam), plan=merged.plan)
    np.testing.assert_array_equal(again.image.pixels, merged.image.pixels)


@pytest.mark.big
def test_no_more_memory_than_one_float_frame_and_bands():
    cam = camera(shape=(1920, 2880))
    frames = bracket(step_wedge(cam.shape), cam)
    light = light_of(cam)
    sites = cam.shape[0] * cam.shape[1]
    tracemalloc.start()
    try:
        merge_bracket(frames, light)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    # the result, and about ten bands of 48 rows at 4 bytes
    assert peak < 4 * sites + 14 * 48 * cam.shape[1] * 4


@pytest.fixture(scope="module")
def plate() -> np.ndarray:
    """A neutral plate with 20 rows and columns to spare on each side, to cut moved frames from."""
    model = PlateModel(log_exposure=2.2, grain_um=1.0)
    return true_transmittance(model, EVEN, camera(shape=(520, 700)), seed=2)


def cut(picture: np.ndarray, shift=(0, 0)) -> np.ndarray:
    """A frame of the plate that lies ``shift`` farther down and right."""
    top, left = 12 - shift[0], 12 - shift[1]
    return np.ascontiguousarray(picture[top : top + 480, left : left + 660])


@pytest.mark.parametrize("cfa", ["RGGB", "XTRANS", "MONO"])
@pytest.mark.parametrize("shift", [(0, 0), (0, 1), (-1, 2), (2, -2)])
def test_movement_of_a_pixel_or_two_is_put_right(plate, cfa, shift):
    cam = camera(shape=(480, 660), cfa=cfa)
    box = LightBox(uneven=0.1, vignette=0.1)
    light = light_of(cam, box)
    still = bracket(cut(plate), cam, box=box, seed=11)
    moved = bracket(cut(plate, shift), cam, box=box, seed=12)
    frames = [still[0], replace(moved[1], info=still[1].info), still[2]]
    merged = merge_bracket(frames, light)
    assert merged.plan.shifts == ((0, 0), shift, (0, 0))
    if shift == (0, 0):
        return
    inside = (slice(4, -4), slice(4, -4))
    truth = cut(plate)
    off = (merged.image.pixels - truth)[inside]
    best = (merge_bracket(still, light).image.pixels - truth)[inside]
    wrong = merge_bracket(frames, light, plan=merge_bracket(still, light).plan)
    left = (wrong.image.pixels - truth)[inside]
    dense = truth[inside] < 0.06  # where the long exposures count
    # Put right, it is nearly as good as if nothing had moved; left alone it is far worse.
    assert np.sqrt(np.mean(off[dense] ** 2)) < 1.1 * np.sqrt(np.mean(best[dense] ** 2))
    assert np.sqrt(np.mean(left[dense] ** 2)) > 2 * np.sqrt(np.mean(best[dense] ** 2))


def moved_bracket(picture, shift, cam):
    still = bracket(cut(picture), cam, seed=13)
    moved = bracket(cut(picture, shift), cam, seed=14)
    return [still[0], replace(moved[1], info=still[1].info), still[2]]


class Stained:
    """A plate with 15 % more density at the blue sites of the frame, wherever the plate lies."""

    def __init__(self, neutral):
        self.neutral = neutral

    def __getitem__(self, where):
        picture = self.neutral[where].copy()
        picture[1::2, 1::2] **= 1.15
        return picture


def test_stained_plate_that_moved_onto_other_colours_is_refused(plate):
    cam = camera(shape=(480, 660))
    with refused(BracketError, "0 rows", "1 columns", differs="place of a stained plate"):
        merge_bracket(moved_bracket(Stained(plate), (0, 1), cam), light_of(cam))


def test_stained_plate_may_move_by_whole_patterns(plate):
    cam = camera(shape=(480, 660))
    merged = merge_bracket(moved_bracket(Stained(plate), (2, -2), cam), light_of(cam))
    assert merged.plan.shifts == ((0, 0), (2, -2), (0, 0))


@pytest.mark.parametrize("shift", [(3, 0), (-4, 5)])
def test_movement_beyond_two_pixels_is_refused(plate, shift):
    cam = camera(shape=(480, 660))
    with refused(BracketError, differs="place"):
        merge_bracket(moved_bracket(plate, shift, cam), light_of(cam))


def test_turned_plate_is_refused(plate):
    cam = camera(shape=(480, 660))
    turn = cv2.getRotationMatrix2D((350, 260), 0.4, 1)  # 0.4 deg: 2.8 px in the corners
    turned = cv2.warpAffine(plate, turn, (700, 520), borderMode=cv2.BORDER_REPLICATE)
    still = bracket(cut(plate), cam, seed=15)
    other = bracket(cut(turned), cam, seed=16)
    with refused(BracketError, differs="turn"):
        merge_bracket([still[0], replace(other[1], info=still[1].info)], light_of(cam))


def changed(frames, **info):
    return [frames[0], replace(frames[1], info=replace(frames[1].info, **info)), *frames[2:]]


@pytest.mark.parametrize(
    ("info", "differs", "shown"),
    [
        ({"iso": 200.0}, "ISO", ("100", "200")),
        ({"f_number": 11.0}, "aperture", ("8", "11")),
        ({"camera": "Another"}, "camera", ("Halvorn C6", "Another")),
        ({"kind": CaptureKind.SCAN}, "kind", ("1.dng",)),
        ({"exposure_s": TIMES[1] * 2}, "light", ("4.00",)),
    ],
)
def test_settings_that_differ_are_named(info, differs, shown):
    cam = camera()
    frames = changed(bracket(step_wedge(), cam, seed=17), **info)
    with refused(BracketError, *shown, differs=differs):
        merge_bracket(frames, light_of(cam))


def test_other_sizes_and_patterns_are_refused():
    cam = camera()
    frames = bracket(step_wedge(), cam, seed=18)
    small = bracket(step_wedge((216, 336)), camera(shape=(216, 336)), seed=18)
    with refused(BracketError, "336 x 240 x 1", "336 x 216 x 1", differs="size"):
        merge_bracket([frames[0], small[1]], light_of(cam))
    other = bracket(step_wedge(), camera(cfa="BGGR"), seed=18)
    with refused(BracketError, differs="pattern"):
        merge_bracket([frames[0], other[1]], light_of(cam))
    with pytest.raises(FrameMismatchError):
        merge_bracket(frames, light_of(camera(shape=(216, 336))))


def test_another_plate_is_refused(plate):
    cam = camera(shape=(480, 660))
    frames = bracket(cut(plate), cam, seed=19)
    other = bracket(cut(plate)[::-1, ::-1], cam, seed=20)
    with refused(BracketError, differs="picture"):
        merge_bracket([frames[0], replace(other[1], info=frames[1].info)], light_of(cam))


def test_nothing_in_common_and_no_times_is_refused():
    cam = camera()
    frames = bracket(np.full(SHAPE, 0.9, np.float32), cam, times=(1 / 15, 8.0), seed=21)
    unknown = [replace(f, info=replace(f.info, exposure_s=None)) for f in frames]
    with refused(BracketError, differs="time"):
        merge_bracket(unknown, light_of(cam))


@pytest.mark.parametrize("shape", [(37, 53), (7, 19), (50, 131)])
@pytest.mark.parametrize("cfa", ["RGGB", "XTRANS", "MONO"])
def test_frames_of_any_size(shape, cfa):
    cam = camera(shape=shape, cfa=cfa)
    truth = np.full(shape, 0.02, np.float32)
    merged = merge_bracket(bracket(truth, cam, seed=22), light_of(cam))
    # 0.02 of 13 x 16/15 x 48,000 electrons x 0.55 in red: 0.5 % a site, and sizes so small are
    # mixed by the stated times
    assert merged.image.pixels == pytest.approx(0.02, rel=0.04)
    assert merged.image.shape == shape


def test_an_all_black_and_an_all_clipped_exposure_do_no_harm():
    cam = camera()
    truth = step_wedge(densities=(2.0, 2.3, 2.6))
    frames = bracket(truth, cam, times=(1e-5, 16 / 15, 400.0), seed=23)
    merged = merge_bracket(frames, light_of(cam))
    assert merged.image.valid is None
    alone = transmittance_from_counts(frames[1], light_of(cam))
    off, best = (np.std(p.pixels / truth - 1) for p in (merged.image, alone))
    assert off == pytest.approx(best, rel=0.02)
