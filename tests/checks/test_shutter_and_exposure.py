"""Shutter times, clipping and headroom on frames made by hand."""

import math
from pathlib import Path

import numpy as np
import pytest

from platebench.core.image import CaptureInfo, CaptureKind, SensorFrame
from platebench.measure.checks import exposure_check as shutter
from platebench.measure.checks.exposure_check import (
    judge_exposure,
    measure_clipping,
    measure_headroom,
)
from platebench.measure.checks.sites import INSIDE, OUTSIDE, region_map
from platebench.measure.checks.verdict import Severity

RGGB = np.array([[0, 1], [1, 2]], np.uint8)
BLACK, WHITE = 100.0, 4095.0
CORNERS = np.array([(20.0, 30.0), (20.0, 110.0), (78.0, 110.0), (78.0, 30.0)])


def frame(bare, plate, exposure_s=1 / 20, kind=CaptureKind.RAW):
    """Return an RGGB frame; levels are shares of full scale of red, green, blue."""
    shares = np.empty((100, 140))
    colours = np.tile(RGGB, (50, 70))
    for region, levels in ((np.s_[:, :], bare), (np.s_[20:79, 30:111], plate)):
        for colour, level in enumerate(levels):
            part = shares[region]
            part[colours[region] == colour] = level
    counts = np.clip(np.rint(BLACK + shares * (WHITE - BLACK)), 0, WHITE).astype(np.uint16)
    info = CaptureInfo(path=Path("plate_07.dng"), kind=kind, exposure_s=exposure_s)
    return SensorFrame(
        counts=counts,
        pattern=RGGB,
        black=np.full((2, 2), BLACK, np.float32),
        white=WHITE,
        info=info,
    )


def judge(shot, bare_outside=True, blank_levels=None):
    regions = region_map(shot.shape, CORNERS)
    clipping = measure_clipping(shot, regions)
    headroom = measure_headroom(shot, regions, bare_outside=bare_outside, blank_levels=blank_levels)
    return clipping, headroom, judge_exposure(shot, clipping, headroom)


def test_dial_is_a_third_of_a_stop_a_step():
    """Each time shown is nearest to its exact power of two (2^(1/3) = 1.26 a step)."""
    for third in range(-39, 16):
        text = shutter.shown(third).removesuffix(" s")
        number, _, part = text.partition("/")
        seconds = float(number) / float(part or 1)
        assert shutter.third_of(seconds) == third
        assert abs(3 * math.log2(seconds) - third) < 0.5


@pytest.mark.parametrize(
    ("time_s", "stops", "shown"),
    [
        (1 / 20, 1.34, "1/8 s"),
        (1 / 8, 1.0, "1/4 s"),
        (0.25, 1.67, "0.8 s"),
        (1 / 125, -1.0, "1/250 s"),
        (1.0, 0.34, "1.3 s"),
        (20.0, 2.0, None),
        (1 / 4000, -2.0, None),
    ],
)
def test_longer_by(time_s, stops, shown):
    assert shutter.longer_by(time_s, stops) == shown


def test_underexposed_names_stops_and_shutter_time():
    # Green, nearest to clipping, at 2^-1.5 of full scale: 1.3 stops under the aim of 0.2 stop
    # below clipping. 1/20 to 1/8 s is 1.33 stops and leaves 0.17.
    level = 2**-1.5
    _, headroom, verdicts = judge(frame((0.5 * level, level, 0.7 * level), (0.1, 0.2, 0.1)))
    assert headroom.least == pytest.approx(1.5, abs=0.01)
    assert headroom.stops["red"] == pytest.approx(2.5, abs=0.01)
    (verdict,) = verdicts
    assert verdict.severity is Severity.WARN
    assert "1.3 stops" in verdict.text
    assert "1/8 s" in verdict.remedy


@pytest.mark.parametrize("below", [0.15, 0.3, 0.42])
def test_just_below_clipping_is_good(below):
    level = 2**-below
    *_, (verdict,) = judge(frame((0.5, level, 0.7), (0.1, 0.2, 0.1)))
    assert verdict.severity is Severity.GOOD
    assert not verdict.remedy


def test_advice_never_clips():
    """Whatever the present exposure, the advised time leaves at least a tenth of a stop."""
    for below in np.arange(0.45, 5, 0.0707):
        third = shutter.third_of(1 / 60) + math.floor(3 * (below - 0.1) + 1e-6)
        *_, (verdict,) = judge(
            frame((0.02, 2**-below, 0.02), (0.01, 0.02, 0.01), exposure_s=1 / 64)
        )
        assert verdict.remedy == f"lengthen to {shutter.shown(third)}"
        left = below - (third - shutter.third_of(1 / 60)) / 3
        assert 0.1 <= left < 0.1 + 1 / 3


def test_clipped_bare_light_without_a_blank():
    clipping, _, (verdict,) = judge(frame((0.6, 1.2, 0.8), (0.1, 0.4, 0.2)))
    assert clipping.outside == {"red": 0.0, "green": 1.0, "blue": 0.0}
    assert clipping.worst_inside == 0.0
    assert verdict.severity is Severity.WARN
    assert "green" in verdict.text and "1/30 s" in verdict.remedy


def test_clipped_bare_light_with_a_blank_says_by_how_much():
    full = WHITE - BLACK
    levels = {0: 0.8 * full, 1: 1.6 * full, 2: 1.0 * full}
    *_, (verdict,) = judge(frame((0.8, 1.6, 1.0), (0.1, 0.4, 0.2)), blank_levels=levels)
    # log2 1.6 = 0.68 stop over white, 0.88 over the aim; 1 stop shorter on the dial.
    assert "0.9 stops" in verdict.text and "1/40 s" in verdict.remedy


def test_clipping_inside_the_plate_fails():
    clipping, _, verdicts = judge(frame((0.5, 1.2, 0.7), (0.5, 1.2, 0.5)))
    assert clipping.inside == {"red": 0.0, "green": 1.0, "blue": 0.0}
    assert verdicts[0].severity is Severity.FAIL
    assert "100 % of the green" in verdicts[0].text


def test_clipped_shares_are_counted_by_colour():
    shot = frame((0.5, 0.6, 0.7), (0.2, 0.2, 0.2))
    counts = shot.counts.copy()
    counts[30, 40:60:2] = 4095  # row 30 is even: red sites, well inside the plate
    counts[1, 1:21:2] = 4095  # odd row: blue sites, outside
    shot = SensorFrame(counts=counts, pattern=RGGB, black=shot.black, white=WHITE, info=shot.info)
    regions = region_map(shot.shape, CORNERS)
    clipping = measure_clipping(shot, regions)
    red = np.zeros(shot.shape, bool)
    red[::2, ::2] = True
    blue = np.roll(red, (1, 1), (0, 1))
    assert clipping.inside["red"] == pytest.approx(10 / (red & (regions == INSIDE)).sum())
    assert clipping.outside["blue"] == pytest.approx(10 / (blue & (regions == OUTSIDE)).sum())
    assert clipping.inside["green"] == clipping.outside["green"] == 0


def test_dark_surround_uses_the_blank_then_the_plate():
    full = WHITE - BLACK
    shot = frame((0.001, 0.001, 0.001), (0.3, 0.5, 0.4))
    *_, headroom, _ = judge(shot, bare_outside=False, blank_levels={0: 0.4, 1: 0.8 * full, 2: 0.6})
    assert headroom.reference == "blank frame"
    assert headroom.least == pytest.approx(math.log2(1 / 0.8), abs=0.01)
    *_, headroom, _ = judge(shot, bare_outside=False)
    assert headroom.reference == "thinnest part of the plate"
    assert headroom.least == pytest.approx(1.0, abs=0.01)


def test_no_shutter_time_and_beyond_the_dial():
    *_, (verdict,) = judge(frame((0.1, 0.25, 0.1), (0.1, 0.1, 0.1), exposure_s=None))
    assert "1.8 stops" in verdict.remedy
    *_, (verdict,) = judge(frame((0.1, 0.25, 0.1), (0.1, 0.1, 0.1), exposure_s=25.0))
    assert "aperture" in verdict.remedy and "1.8 stops" in verdict.remedy


def test_black_frame_fails():
    *_, (verdict,) = judge(frame((0.0, 0.0, 0.0), (0.0, 0.0, 0.0)))
    assert verdict.severity is Severity.FAIL


def test_plate_brighter_than_what_lies_around_it():
    """What lies around cannot be bare light box then; the plate itself must not clip."""
    *_, headroom, _ = judge(frame((0.1, 0.1, 0.1), (0.5, 0.8, 0.6)))
    assert headroom.reference == "thinnest part of the plate"
    assert headroom.least == pytest.approx(math.log2(1 / 0.8), abs=0.01)


def test_clipped_scan_is_told_to_scan_again():
    *_, (verdict,) = judge(frame((0.5, 0.5, 0.7), (0.5, 1.2, 0.5), kind=CaptureKind.SCAN))
    assert verdict.severity is Severity.WARN
    assert "scan again" in verdict.remedy


def test_scan_is_not_told_to_change_its_shutter():
    assert judge(frame((0.1, 0.1, 0.1), (0.1, 0.1, 0.1), kind=CaptureKind.SCAN))[2] == []


def test_region_map_leaves_the_edge_out():
    regions = region_map((100, 140), CORNERS)
    assert regions[49, 70] == INSIDE
    assert regions[2, 2] == OUTSIDE
    assert regions[20, 70] not in (INSIDE, OUTSIDE)
    assert (region_map((10, 20), None) == INSIDE).all()
