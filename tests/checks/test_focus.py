"""Focus across the plate: simulated captures that are soft where we made them so."""

from dataclasses import replace

import numpy as np
import pytest
from captures import PLATE, bare_light, camera, capture_with_blur, known_noise

from platebench.measure.checks.edge_focus import measure_edges
from platebench.measure.checks.focus_verdict import judge_focus, side_means
from platebench.measure.checks.grain_focus import measure_grain
from platebench.measure.checks.verdict import Severity

CAM = camera()
ROWS, COLS = CAM.shape
TO_RIGHT = np.broadcast_to(np.linspace(0, 1, COLS, dtype=np.float32), CAM.shape)
TO_TOP = np.broadcast_to(np.linspace(1, 0, ROWS, dtype=np.float32)[:, None], CAM.shape)


def look(frame, corners, cam=CAM):
    grain = measure_grain(frame, corners, known_noise(cam), bare_light(cam))
    edges = measure_edges(frame, corners)
    return grain, edges, judge_focus(grain, edges)


def grainy(**changes):
    return replace(PLATE, **({"scene": "landscape", "grain_um": 0.6} | changes))


def texture(seed=4):
    """A picture that is plain on one side and all texture (1/f^1.3 noise) on the other."""
    rng = np.random.default_rng(seed)
    shape = (1000, 1400)
    f = np.hypot(np.fft.fftfreq(shape[0])[:, None], np.fft.rfftfreq(shape[1])[None, :])
    f[0, 0] = 1
    noise = np.fft.irfft2(np.fft.rfft2(rng.standard_normal(shape)) / f**1.3, s=shape)
    mask = np.clip((np.linspace(0, 1, shape[1]) - 0.45) / 0.1, 0, 1)
    return (0.3 * np.exp(0.5 * mask * noise / noise.std())).astype(np.float32)


def test_even_focus_is_good_and_measures_the_lens():
    grain, edges, (verdict,) = look(*capture_with_blur(grainy(), CAM))
    assert verdict.severity is Severity.GOOD
    assert (grain.fine_over_noise > 1).sum() >= 7
    assert {edge.side for edge in edges} == {"top", "right", "bottom", "left"}
    # The plate's rim is a hard step; blur 0.5 px on a grid of square pixels. Closed form:
    # exp(-2 pi^2 0.25 f^2) sinc(f) falls to a half at f = 0.323.
    f = np.linspace(0, 1, 10001)
    expected = f[np.argmax(np.exp(-(np.pi**2) * f**2 / 2) * np.sinc(f) < 0.5)]
    found = [edge.sfr50 for edge in edges if edge.sfr50 is not None]
    assert len(found) >= 8
    # a Gaussian of 0.5 px is itself coarsely sampled by the simulator's kernel
    assert np.median(found) == pytest.approx(expected, rel=0.2)


@pytest.mark.parametrize(
    ("weight", "side"),
    [(1 - TO_RIGHT, "left"), (TO_TOP, "top")],
)
def test_a_soft_side_is_named(weight, side):
    """Depth tilt: blur grows from 0.5 to 1.2 px across the plate."""
    _, _, (verdict,) = look(*capture_with_blur(grainy(), CAM, 1.2, weight))
    assert verdict.severity in (Severity.WARN, Severity.FAIL)
    assert f"the {side} side" in verdict.text


def test_a_soft_corner_is_named():
    weight = np.zeros(CAM.shape, np.float32)
    weight[ROWS * 65 // 100 :, COLS * 66 // 100 :] = 1
    _, _, (verdict,) = look(*capture_with_blur(grainy(scene=None, grain_um=1.5), CAM, 2.0, weight))
    assert verdict.severity is Severity.WARN
    assert "bottom right" in verdict.text


def test_texture_on_one_side_is_no_false_alarm():
    grain, _, (verdict,) = look(*capture_with_blur(grainy(scene=texture()), CAM))
    assert verdict.severity is Severity.GOOD
    sharp, strong = side_means(grain.sharpness), side_means(grain.strength)
    full, plain = sorted(("left", "right"), key=lambda side: sharp[side])
    assert sharp[full] < 0.7 * sharp[plain]  # this measure alone would raise the alarm
    assert strong[full] > strong[plain]


def test_stain_is_no_false_alarm():
    _, _, (verdict,) = look(*capture_with_blur(grainy(stain=(0.0, 0.0, 0.1)), CAM))
    assert verdict.severity is Severity.GOOD


def test_soft_everywhere():
    cam = camera(blur_px=2.5)
    _, edges, (verdict,) = look(*capture_with_blur(grainy(grain_um=3.0), cam), cam)
    assert verdict.severity is Severity.NOTE
    assert "soft everywhere" in verdict.text
    # Gaussian edge: width 2.507 sigma, sigma^2 = 2.5^2 + 1/12 (square pixel)
    expected = np.sqrt(2 * np.pi) * np.hypot(2.5, np.sqrt(1 / 12))
    # the ends of a soft flank are cut where grain hides them, which takes up to a fifth off
    assert 0.8 * expected < np.median([edge.width_px for edge in edges]) < 1.05 * expected


def test_no_grain_is_said():
    grain, _, (verdict,) = look(*capture_with_blur(grainy(scene=None, grain_um=0.0), CAM))
    assert not np.isfinite(grain.sharpness).any()
    assert "no grain" in verdict.text
    # what is left is noise alone, as the model foretells it
    assert np.nanmedian(grain.fine_over_noise) == pytest.approx(1.0, abs=0.03)


def test_refracting_rim_is_measured_but_not_called_an_sfr():
    _, edges, _ = look(*capture_with_blur(grainy(edge_mm=0.15, edge_density=1.0), CAM))
    assert len(edges) >= 8
    assert all(edge.sfr50 is None for edge in edges)


def test_no_plate_looks_at_the_whole_frame():
    frame, _ = capture_with_blur(grainy(), CAM)
    grain = measure_grain(frame, None, known_noise(CAM), bare_light(CAM))
    assert np.isfinite(grain.fine_over_noise).sum() >= 5
