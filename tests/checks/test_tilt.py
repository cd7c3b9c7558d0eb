"""Tilt against corners projected by a pinhole camera."""

import re

import numpy as np
import pytest

from platebench.measure.checks.tilt import (
    CAMERA_TILT,
    judge_session_tilt,
    judge_tilt,
    tilt_from_corners,
)
from platebench.measure.checks.verdict import Severity

SHAPE, FOCAL = (4000, 6000), 15000.0  # 2.5 long sides


def projected(lean_deg=(0.0, 0.0), turn_deg=0.0, size_mm=(90.0, 120.0), distance_mm=450.0):
    """Return corners of a plate that leans about its middle: lower side, right side nearer."""
    h, w = size_mm[0] / 2, size_mm[1] / 2
    points = np.array([(-h, -w, 0.0), (-h, w, 0.0), (h, w, 0.0), (h, -w, 0.0)])
    down, right = np.deg2rad(lean_deg)
    turn_down = np.array(
        [[np.cos(down), 0, 0], [0, 1, 0], [-np.sin(down), 0, 1]]
    )  # (row, col, depth); depth shrinks towards the lower side
    turn_right = np.array([[1, 0, 0], [0, np.cos(right), 0], [0, -np.sin(right), 1]])
    spin = np.deg2rad(turn_deg)
    in_plane = np.array(
        [[np.cos(spin), np.sin(spin), 0], [-np.sin(spin), np.cos(spin), 0], [0, 0, 1]]
    )
    y, x, z = (in_plane @ turn_right @ turn_down @ points.T) + np.array([[0], [0], [distance_mm]])
    return np.stack([1999.5 + FOCAL * y / z, 2999.5 + FOCAL * x / z], axis=1)


@pytest.mark.parametrize("lean", [(2.0, 0.0), (-3.0, 0.0), (0.0, 1.5), (1.0, -2.0)])
def test_lean_comes_back(lean):
    tilt = tilt_from_corners(projected(lean), SHAPE, focal_px=FOCAL)
    assert tilt.depth_vertical_deg == pytest.approx(lean[0], abs=0.06)
    assert tilt.depth_horizontal_deg == pytest.approx(lean[1], abs=0.06)


@pytest.mark.parametrize("turn", [-4.0, 0.3, 2.5])
def test_turn_comes_back(turn):
    tilt = tilt_from_corners(projected(turn_deg=turn), SHAPE)
    assert tilt.turn_deg == pytest.approx(turn, abs=0.01)
    assert tilt.depth_vertical_deg == pytest.approx(0, abs=0.01)


def test_narrowing_is_the_ratio_of_opposite_sides():
    corners = np.array([(100.0, 100.0), (100.0, 500.0), (400.0, 508.0), (400.0, 92.0)])
    tilt = tilt_from_corners(corners, (600, 800))
    assert tilt.narrowing_vertical == pytest.approx(416 / 400 - 1)
    assert tilt.narrowing_horizontal == pytest.approx(0.0)


def test_verdicts():
    straight, good = judge_tilt(tilt_from_corners(projected(), SHAPE))
    assert straight.severity is good.severity is Severity.GOOD
    _, lean = judge_tilt(tilt_from_corners(projected((4.0, 0.0)), SHAPE))
    assert lean.severity is Severity.WARN
    assert "lower side" in lean.text
    turn, _ = judge_tilt(tilt_from_corners(projected(turn_deg=2.5), SHAPE))
    assert "2.5 degrees" in turn.text


def test_scanner_has_no_depth_tilt():
    (verdict,) = judge_tilt(tilt_from_corners(projected((4.0, 0.0)), SHAPE), camera=False)
    assert verdict.severity is Severity.GOOD


def cut_out_of_square(corners, degrees):
    """Return corners with the lower side longer, as a lean by so many degrees would show it."""
    lean = projected((degrees, 0.0)) - projected()
    return corners + lean


def test_plates_that_agree_show_the_camera():
    """The camera leans by 2 degrees, the plates are cut by up to half a degree's worth."""
    cuts = np.random.default_rng(7).normal(0, 0.3, 9)
    tilts = [
        tilt_from_corners(cut_out_of_square(projected((2.0, 0.0)), cut), SHAPE, focal_px=FOCAL)
        for cut in cuts
    ]
    verdict = judge_session_tilt(tilts)
    assert verdict.severity is Severity.NOTE
    assert verdict.topic == CAMERA_TILT
    assert "lower sides" in verdict.text
    found = float(re.search(r"about ([\d.]+) degrees", verdict.text)[1])
    assert found == pytest.approx(2.0, abs=3 * 0.3 / np.sqrt(9))  # three standard errors


def test_plates_that_do_not_agree_were_cut_so():
    tilts = [
        tilt_from_corners(cut_out_of_square(projected(), cut), SHAPE, focal_px=FOCAL)
        for cut in (-3.0, 0.1, 2.5, -0.2, 0.0, 3.5, -2.0)
    ]
    verdict = judge_session_tilt(tilts)
    assert verdict.severity is Severity.NOTE and not verdict.remedy
    assert "4 of them" in verdict.text


def test_two_plates_cannot_tell():
    assert judge_session_tilt([tilt_from_corners(projected((2.0, 0.0)), SHAPE)] * 2) is None
