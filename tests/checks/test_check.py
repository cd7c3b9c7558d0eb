"""The whole check of one capture: every role, every kind of frame, bad frames."""

import json
import time
from dataclasses import replace
from functools import lru_cache
from pathlib import Path

import numpy as np
import pytest
from captures import EXPOSURE_S, Place

from platebench.core.image import MONO_PATTERN, CaptureInfo, CaptureKind, SensorFrame
from platebench.measure.checks import Severity, check_capture
from platebench.measure.checks.dust import find_specks
from platebench.plate.finding.overview import overview_of
from platebench.plate.flatten import flatten
from platebench.plate.glare import measure_glare
from platebench.plate.glare_evidence import session_glare
from platebench.plate.light import dark_from_frames, light_from_blanks, light_of_scanner
from platebench.synthetic import (
    CameraModel,
    LightBox,
    PlateModel,
    simulate_blank,
    simulate_box_off,
    simulate_dark,
    simulate_plate,
)

PLATE = PlateModel(edge_mm=0.4)
CAM = CameraModel(shape=(420, 580), tilt_deg=1.5)


@lru_cache(maxsize=4)
def session(box=LightBox(), cam=CAM, exposure_s=EXPOSURE_S, plate=PLATE):  # noqa: B008
    shot = simulate_plate(plate, box, cam, exposure_s=exposure_s, seed=3)
    blanks = [simulate_blank(box, cam, exposure_s=EXPOSURE_S, seed=10 + i) for i in range(2)]
    darks = [simulate_dark(cam, exposure_s=EXPOSURE_S, seed=20 + i) for i in range(2)]
    return shot.frame, Place(shot.corners, box.surround), blanks, darks


def topics(check):
    return {verdict.topic for verdict in check.verdicts}


ALL_TOPICS = {
    "exposure", "blank match", "light uniformity", "noise floor", "glare", "focus", "tilt",
    "camera tilt",
}  # fmt: skip


@pytest.mark.parametrize("cfa", ["RGGB", "XTRANS", "MONO"])
@pytest.mark.parametrize("surround", ["bright", "dark", "holder"])
def test_a_good_capture_is_called_good(cfa, surround):
    box = LightBox(surround=surround, glare=0.0005)
    frame, place, blanks, darks = session(box, replace(CAM, cfa=cfa))
    check = check_capture(frame, blanks=blanks, darks=darks, found=place)
    assert topics(check) - {"dust"} == ALL_TOPICS
    assert surround != "dark" or "dust" not in topics(check)
    assert check.severity in (Severity.GOOD, Severity.NOTE), [str(v) for v in check.verdicts]
    (glare,) = (verdict for verdict in check.verdicts if verdict.topic == "glare")
    assert "card" in glare.remedy


def test_faults_are_all_found():
    box = LightBox(surround="dark", glare=0.008, uneven=0.9, vignette=0.5)
    cam = replace(CAM, perspective=(0.02, 0.0))
    frame, place, blanks, darks = session(box, cam, exposure_s=EXPOSURE_S / 4)
    light = light_from_blanks(blanks, dark_from_frames(darks))
    off = simulate_box_off(box, cam, exposure_s=64 * EXPOSURE_S / 4, seed=9)
    light = replace(light, glare=session_glare(light, None, boxes_off=[off]))
    seen = overview_of(flatten(frame, light))
    glare = measure_glare(seen, light, corners=place.corners, surround=place.surround)
    check = check_capture(frame, blanks=blanks, darks=darks, found=place, glare=glare)
    bad = {v.topic for v in check.verdicts if v.severity in (Severity.WARN, Severity.FAIL)}
    assert {"exposure", "glare", "light uniformity", "camera tilt"} <= bad
    assert all(v.remedy for v in check.verdicts if v.severity is not Severity.GOOD)
    assert check.figures.glare.share == pytest.approx(0.008, rel=0.1)
    assert check.figures.glare_bound is None


def test_overexposed_plate_with_a_good_blank():
    frame, place, blanks, darks = session(exposure_s=EXPOSURE_S * 2)
    check = check_capture(frame, blanks=blanks, darks=darks, found=place)
    assert check.severity is Severity.FAIL  # the clear rebate clips
    texts = [str(verdict) for verdict in check.verdicts]
    # brightness 13/s for 2/15 s fills 1.73 of the well at the brightest spot
    assert any("1/15 s" in text for text in texts)


def test_light_and_noise_prepared_once_give_the_same_figures():
    frame, place, blanks, darks = session()
    whole = check_capture(frame, blanks=blanks, darks=darks, found=place)
    dark = dark_from_frames(darks)
    again = check_capture(
        frame,
        light=light_from_blanks(blanks, dark),
        dark=dark,
        noise=whole.figures.noise,
        specks=find_specks(blanks[0]),
        found=place,
    )
    assert again.as_json() == whole.as_json()


def test_json_is_plain_and_repeatable():
    frame, place, blanks, darks = session()
    one, other = (
        json.dumps(check_capture(frame, blanks=blanks, darks=darks, found=place).as_json())
        for _ in range(2)
    )
    assert one == other
    read = json.loads(one, parse_constant=lambda name: pytest.fail(f"{name} is not JSON"))
    assert read["capture"] == "simulated.dng"
    assert {"severity", "topic", "text", "remedy"} == set(read["verdicts"][0])
    assert read["figures"]["depth"]["snr10"] > 2


def test_without_blank_or_plate():
    frame, place, _, _ = session()
    check = check_capture(frame, found=place)
    assert any("blank" in verdict.text for verdict in check.verdicts)
    assert check.figures.noise.upper_bound
    assert check_capture(frame).figures.tilt is None


def test_doubtful_corners_are_not_used_for_tilt_and_edges():
    frame, place, blanks, darks = session()
    doubtful = replace(place, doubts=("the left side is not straight",))
    check = check_capture(frame, blanks=blanks, darks=darks, found=doubtful)
    assert check.figures.tilt is None
    assert check.figures.edges == ()
    assert "tilt" not in topics(check)


def test_blank_and_dark_roles():
    _, _, blanks, darks = session()
    blank = check_capture(blanks[0], role="blank", blanks=blanks, darks=darks)
    assert topics(blank) == {"exposure", "light uniformity", "noise floor"}
    assert blank.figures.noise.source == "two blank frames and two dark frames"
    dark = check_capture(darks[0], role="dark")
    assert dark.severity is Severity.GOOD
    lit = check_capture(blanks[0], role="dark")
    assert lit.severity is Severity.WARN
    assert "holds light" in lit.verdicts[0].text


def scan(pixels, curve=None):
    counts = np.ascontiguousarray(pixels, np.uint16)
    info = CaptureInfo(path=Path("scan_3.tif"), kind=CaptureKind.SCAN)
    black = np.zeros(3 if counts.ndim == 3 else (1, 1), np.float32)
    return SensorFrame(
        counts=counts, pattern=MONO_PATTERN.copy(), black=black, white=65535, info=info, curve=curve
    )


@pytest.mark.parametrize("channels", [1, 3])
def test_scans(channels):
    rng = np.random.default_rng(8)
    ramp = np.linspace(3000, 52000, 300)[None, :] * np.ones((220, 1))
    pixels = np.clip(rng.normal(ramp, 40 + np.sqrt(ramp)), 0, 65535)
    pixels = np.repeat(pixels[:, :, None], 3, axis=2) if channels == 3 else pixels
    curve = (np.linspace(0, 1, 65536) ** 2.2).astype(np.float32)
    frame = scan(pixels, curve)
    check = check_capture(frame, light=light_of_scanner(frame))
    json.dumps(check.as_json(), allow_nan=False)
    assert not any("shutter" in str(v) or "lengthen" in str(v) for v in check.verdicts)


@pytest.mark.parametrize("level", [0, 512, 16383])
@pytest.mark.parametrize("role", ["plate", "blank", "dark"])
def test_black_and_white_frames_get_a_verdict(level, role):
    frame = simulate_dark(CAM, exposure_s=EXPOSURE_S, seed=1)
    flat = SensorFrame(
        counts=np.full(frame.counts.shape, level, np.uint16),
        pattern=frame.pattern,
        black=frame.black,
        white=frame.white,
        info=frame.info,
    )
    corners = np.array([(80.0, 90.0), (80.0, 490.0), (340.0, 490.0), (340.0, 90.0)])
    check = check_capture(flat, role=role, found=Place(corners))
    json.dumps(check.as_json(), allow_nan=False)
    expected = Severity.GOOD if role == "dark" else Severity.FAIL
    if role == "dark" and level == 16383:
        expected = Severity.WARN
    assert check.severity is expected


def test_tiny_and_odd_frames():
    cam = replace(CAM, shape=(37, 53), cfa="XTRANS")
    frame, place, blanks, darks = session(cam=cam)
    json.dumps(check_capture(frame, blanks=blanks, darks=darks, found=place).as_json())


@pytest.mark.big
def test_24_megapixels_take_less_than_two_seconds():
    cam = replace(CAM, shape=(4000, 6000))
    frame, place, blanks, darks = session(cam=cam)
    start = time.perf_counter()
    check_capture(frame, blanks=blanks, darks=darks, found=place)
    assert time.perf_counter() - start < 2.0
