"""Blank frame against plate, evenness, dust: known drifts and known fields."""

from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np
import pytest
from captures import EXPOSURE_S

from platebench.core.formats import format_named
from platebench.core.image import SensorFrame
from platebench.measure.checks.dust import count_specks, find_specks, judge_moved_dust, moved_dust
from platebench.measure.checks.light_check import (
    BlankMatch,
    judge_blank,
    judge_match,
    judge_settings,
    judge_uniformity,
    measure_match,
    measure_uniformity,
    relative_cells,
)
from platebench.measure.checks.verdict import Severity
from platebench.plate.light import Uniformity, light_from_blanks
from platebench.synthetic import CameraModel, LightBox, PlateModel, simulate_blank, simulate_plate

CAM = CameraModel(shape=(420, 600), fill=0.7, tilt_deg=2.0)
BOX = LightBox()


def with_counts(frame, counts):
    return SensorFrame(
        counts=counts.astype(np.uint16),
        pattern=frame.pattern,
        black=frame.black,
        white=frame.white,
        info=frame.info,
    )


@pytest.mark.parametrize(
    ("drift", "exposure_s", "surround"),
    [(1.07, EXPOSURE_S, "bright"), (0.96, EXPOSURE_S / 4, "bright"), (1.02, EXPOSURE_S, "holder")],
)
def test_drift_of_the_light_comes_back(drift, exposure_s, surround):
    """Brighter lamp, other shutter time: the ratio is the lamp's alone."""
    box = replace(BOX, surround=surround, holder_mm=6.0)
    light = light_from_blanks([simulate_blank(box, CAM, exposure_s=EXPOSURE_S, seed=5)])
    lamp = replace(box, brightness=box.brightness * drift)
    shot = simulate_plate(PlateModel(), lamp, CAM, exposure_s=exposure_s, seed=6)
    match = measure_match(relative_cells(shot.frame, light), shot.corners, CAM.shape)
    assert match.ratio == pytest.approx(drift, abs=0.003)
    assert match.spread < 0.01
    assert match.density_offset == pytest.approx(np.log10(drift), abs=0.0015)


def test_moved_light_shows_as_spread():
    light = light_from_blanks([simulate_blank(BOX, CAM, exposure_s=EXPOSURE_S, seed=5)])
    shot = simulate_plate(
        PlateModel(), replace(BOX, uneven=0.6, light_seed=9), CAM, exposure_s=EXPOSURE_S, seed=6
    )
    match = measure_match(relative_cells(shot.frame, light), shot.corners, CAM.shape)
    assert match.spread > 0.05
    assert "blank" in judge_match(match).remedy


def test_slope_of_the_light_comes_back():
    """Light that has drifted left to right by a known share, and not top to bottom."""
    blank = simulate_blank(BOX, CAM, exposure_s=EXPOSURE_S, seed=5)
    shot = simulate_plate(PlateModel(), BOX, CAM, exposure_s=EXPOSURE_S, seed=6)
    black = CAM.black_level
    slope = np.linspace(0.985, 1.015, CAM.shape[1])[None, :]
    drifted = with_counts(shot.frame, black + (shot.frame.counts - black) * slope)
    light = light_from_blanks([blank])
    for frame, across in ((drifted, 0.03), (shot.frame, 0.0)):
        match = measure_match(relative_cells(frame, light), shot.corners, CAM.shape)
        assert match.across == pytest.approx(across, abs=0.002)
        assert match.down == pytest.approx(0, abs=0.002)
        verdict = judge_match(match)
        assert (verdict.severity is Severity.NOTE) == (across > 0)
        assert ("at the right than" in verdict.text) == (across > 0)


def test_what_lies_on_a_mask_is_not_the_light():
    """A second plate on the mask lets half of the light through; the box is as it was."""
    relative = np.full((60, 80), 0.003)
    relative[20:40, 10:40] = 0.3
    relative[20:40, 55:75] = 0.55
    corners = np.array([(160.0, 80.0), (160.0, 320.0), (320.0, 320.0), (320.0, 80.0)])
    assert measure_match(relative, corners, (480, 640), "dark") is None
    assert judge_match(None, masked=True).severity is Severity.NOTE


def test_moved_dust_is_counted_and_what_stays_is_not():
    shot = simulate_plate(PlateModel(), BOX, CAM, exposure_s=EXPOSURE_S, seed=6)
    blank = simulate_blank(BOX, CAM, exposure_s=EXPOSURE_S, seed=5)

    def dusty(frame, places):
        light = frame.counts - CAM.black_level
        for row, col in places:
            light[row : row + 6, col : col + 6] *= 0.8
        return with_counts(frame, CAM.black_level + light)

    kept, gone = [(20, 30), (20, 560)], [(395, 100), (395, 300)]
    come = [(20, 100), (20, 200), (20, 400), (395, 500)]
    on_plate = [(210, 300)]
    here = dusty(shot.frame, [*kept, *come, *on_plate])
    moved = moved_dust(find_specks(here, shot.corners), find_specks(dusty(blank, [*kept, *gone])))
    assert (moved.come, moved.gone, moved.stayed) == (4, 2, 2)
    assert judge_moved_dust(moved).severity is Severity.NOTE
    clean = moved_dust(find_specks(shot.frame, shot.corners), find_specks(blank))
    assert (clean.come, clean.gone) == (0, 0)
    assert judge_moved_dust(clean).severity is Severity.GOOD


def test_black_mask_leaves_nothing_to_match():
    light = light_from_blanks([simulate_blank(BOX, CAM, exposure_s=EXPOSURE_S, seed=5)])
    shot = simulate_plate(
        PlateModel(), replace(BOX, surround="dark"), CAM, exposure_s=EXPOSURE_S, seed=6
    )
    assert measure_match(relative_cells(shot.frame, light), shot.corners, CAM.shape) is None
    assert judge_match(None).severity is Severity.NOTE


@pytest.mark.parametrize(
    ("ratio", "severity"),
    [
        (1.01, Severity.GOOD),
        (0.97, Severity.NOTE),
        (1.09, Severity.WARN),
        (0.5, Severity.FAIL),
    ],
)
def test_drift_verdicts(ratio, severity):
    verdict = judge_match(BlankMatch(ratio=ratio, spread=0.002, cells=400))
    assert verdict.severity is severity
    assert ("brighter" in verdict.text) == (ratio > 1)


def test_uniformity_of_a_known_slope():
    """A straight slope from 0.8 to 1: s.d. is range / sqrt(12), exact for a uniform spread."""
    blank = simulate_blank(LightBox(uneven=0, vignette=0), CAM, exposure_s=EXPOSURE_S, seed=3)
    slope = np.linspace(0.8, 1.0, CAM.shape[1])[None, :]
    black = CAM.black_level
    even = measure_uniformity(with_counts(blank, black + (blank.counts - black) * slope))
    assert even.sd_over_mean == pytest.approx(0.2 / np.sqrt(12) / 0.9, rel=0.03)
    assert even.range_over_max == pytest.approx(0.2, abs=0.01)


def test_uniformity_is_measured_against_the_class_of_the_plate():
    even = Uniformity(sd_over_mean=0.02, range_over_max=0.07)
    small = judge_uniformity(even, format_named("9x12 cm"))
    large = judge_uniformity(even, format_named("13x18 cm"))
    assert "3 stars of 2023, 1 star of 2016" in small.text
    assert "3 stars of 2023, no star of 2016" in large.text
    assert "measured against" in small.text
    assert judge_uniformity(Uniformity(0.15, 0.6), None).severity is Severity.WARN


def test_specks_are_counted():
    blank = simulate_blank(BOX, CAM, exposure_s=EXPOSURE_S, seed=3)
    assert count_specks(find_specks(blank)) == 0
    light = blank.counts - CAM.black_level
    for row, col in ((60, 90), (200, 400), (350, 210)):
        light[row : row + 6, col : col + 6] *= 0.7
    dusty = with_counts(blank, CAM.black_level + light)
    assert count_specks(find_specks(dusty)) == 3
    assert "3 dark" in judge_blank(dusty, 0.0)[0].text


def test_clipped_and_dark_blanks_fail():
    bright = simulate_blank(BOX, CAM, exposure_s=EXPOSURE_S * 2, seed=3)
    (clipped, *_) = judge_blank(bright, 0.5)
    assert clipped.severity is Severity.FAIL
    dim = simulate_blank(BOX, CAM, exposure_s=EXPOSURE_S / 100, seed=3)
    (dark,) = judge_blank(dim, 0.0)
    assert dark.severity is Severity.FAIL
    assert "nearly black" in dark.text


def test_settings_of_plate_and_blank():
    info = simulate_blank(BOX, CAM, exposure_s=EXPOSURE_S, seed=3).info
    noon = datetime(2024, 5, 1, 12, 0)
    info = replace(info, taken=noon)
    assert judge_settings(info, info) == []
    assert judge_settings(info, replace(info, exposure_s=1.0)) == []  # only the time may differ
    other = replace(
        info, iso=400.0, f_number=5.6, camera="Another One", taken=noon - timedelta(hours=20)
    )
    texts = [str(verdict) for verdict in judge_settings(info, other)]
    assert len(texts) == 4
    assert "100" in texts[0] and "400" in texts[0]
    assert "20 hours" in texts[3]
