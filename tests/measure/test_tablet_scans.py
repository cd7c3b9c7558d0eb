"""Step tablets scanned in 8 bits: codes lie far apart where it is dense, and errors say so."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from platebench.core.settings import ScanSettings
from platebench.measure.checks.noise import noise_from_plate
from platebench.measure.site_noise import noise_of_sites
from platebench.measure.tablet.calibration_fit import fit_calibration
from platebench.measure.tablet.known_tablet import STANDARD
from platebench.measure.tablet.read_tablet import TabletReading, read_tablet
from platebench.plate.flatten import transmittance_from_counts
from platebench.plate.light import light_of_scanner
from platebench.read.capture import read_capture
from platebench.session.calibrate_session import calibrate_session
from platebench.synthetic import LightBox, true_transmittance
from platebench.synthetic.targets import TABLET_21

from ..tablet_scenes import CAMERA, strip


def scan_of_tablet(path: Path, *, seed: int, noise: float, gain: float = 1.0) -> Path:
    """Write an 8-bit scan, gamma 2.2, whose noise is a share of a code."""
    scanner = replace(CAMERA, cfa="MONO", blur_px=0.8)
    light = true_transmittance(strip(), LightBox(), scanner, seed=1)
    codes = np.clip(light * gain, 0, 1) ** (1 / 2.2) * 255
    codes = codes + np.random.default_rng(seed).normal(0, noise, codes.shape)
    Image.fromarray(np.clip(np.rint(codes), 0, 255).astype(np.uint8)).save(path)
    return path


def read(path: Path) -> TabletReading:
    frame = read_capture(path, ScanSettings())
    light = light_of_scanner(frame)
    image = transmittance_from_counts(frame, light)
    noise = noise_of_sites(image, frame, light, noise_from_plate(frame))
    return read_tablet(image, path, noise)


@pytest.mark.big
@pytest.mark.parametrize("noise", [0.0, 0.6], ids=["noiseless", "noise of 0.6 codes"])
def test_rounding_is_in_the_error_of_every_step(tmp_path: Path, noise: float) -> None:
    pulls = []
    for seed in range(5):
        # The lamp differs a little from scan to scan, so that densities fall anywhere on a code.
        gain = 0.93 + 0.008 * seed
        path = scan_of_tablet(tmp_path / f"{seed}.tif", seed=seed, noise=noise, gain=gain)
        reading = read(path)
        for step in reading.steps:
            true = TABLET_21[step.place] - np.log10(gain / reading.found.level)
            assert step.density_sigma > 0
            pulls.append((step.density - true) / step.density_sigma)
    assert len(pulls) >= 5 * 18
    # Without noise the errors are evenly spread over a code, and none is beyond half of one, which
    # is 1.4 of what is stated for 72 of 100; edges and blur of the steps make them less.
    # With noise a step's own scatter counts as if its parts were uneven: never understated.
    ratio = float(np.sqrt(np.mean(np.square(pulls))))
    assert 0.5 < ratio < 1.15 and np.mean(np.abs(pulls) <= 1) > 0.6
    if noise == 0.0:
        assert np.mean(np.abs(pulls) <= 1) < 0.9 and np.max(np.abs(pulls)) < 1.6


def test_such_a_scan_calibrates(tmp_path: Path) -> None:
    scan_of_tablet(tmp_path / "tablet.tif", seed=1, noise=0.0)
    (tmp_path / "session.toml").write_text(
        '[[plate]]\nid = "t"\ncaptures = ["tablet.tif"]\nskip = true\n', encoding="utf-8"
    )
    done = calibrate_session(tmp_path, Path("tablet.tif"), steps="21")
    assert all(step.measured_sigma > 0 for step in done.calibration.steps)
    # Nothing was wrong with the scanner: Q = 1, g = 0, and the stated errors say how sure that is.
    assert abs(done.calibration.callier - 1) < 3 * done.calibration.callier_sigma + 0.01
    assert done.calibration.glare_share < 3 * done.calibration.glare_sigma + 1e-4


def test_one_code_a_step_is_enough(tmp_path: Path) -> None:
    """The densest steps of a noiseless scan: codes 10 to 13 of 255."""
    path = scan_of_tablet(tmp_path / "t.tif", seed=1, noise=0.0)
    calibration = fit_calibration(read(path), STANDARD["21"], path=path)
    assert np.isfinite([s.measured_sigma for s in calibration.steps]).all()
    dense = [s for s in calibration.steps if s.known > 2.4]
    # A code at D 2.5: 255 * 10 ** (-2.5 / 2.2) = 18.6; rounding it, 1 / sqrt(12) of a code, is
    # 2.2 * 0.4343 / 18.6 / sqrt(12) = 0.0148 D (arithmetic).
    assert dense and min(s.measured_sigma for s in dense) > 0.012
