"""Noise measured on a bracket, the plate's grain taken out; truth from the simulator."""

import numpy as np
import pytest

from platebench.plate.noise_model import ExposurePair, fit_terms, noise_from_pairs
from platebench.synthetic import CameraModel, LightBox, PlateModel
from platebench.synthetic.simulate import photograph, true_transmittance

BOX = LightBox(surround="dark")


@pytest.mark.parametrize("cfa", ["RGGB", "XTRANS", "MONO"])
@pytest.mark.parametrize("grain_um", [0.0, 4.0])
def test_shot_and_read_noise_are_told_from_grain(cfa, grain_um):
    camera = CameraModel(shape=(720, 960), cfa=cfa, read_noise_e=4.0)
    plate = PlateModel(log_exposure=2.2, grain_um=grain_um)
    truth = true_transmittance(plate, BOX, camera, seed=5)
    frames = [
        photograph(truth, BOX, camera, exposure_s=t, seed=n) for n, t in enumerate((4 / 15, 1 / 15))
    ]
    noise = noise_from_pairs([ExposurePair(frames[0], frames[1])])
    gain = camera.counts_per_e
    assert noise.gain == pytest.approx(gain, rel=0.04)
    # 4 electrons, and 1/12 for rounding to whole counts
    assert noise.read_known
    assert noise.read_variance == pytest.approx((4 * gain) ** 2 + 1 / 12, rel=0.12)


def test_frames_without_noise_have_none():
    camera = CameraModel(shape=(240, 320), shot_noise=False, read_noise_e=0.0)
    truth = np.full(camera.shape, 0.1, np.float32)
    frames = [photograph(truth, BOX, camera, exposure_s=1 / 15, seed=n) for n in (1, 2)]
    assert noise_from_pairs([ExposurePair(frames[0], frames[1])]) is None
    assert noise_from_pairs([]) is None


def test_fit_gives_back_exact_coefficients_and_leaves_dust_out():
    rng = np.random.default_rng(1)
    terms = np.stack([rng.uniform(1, 5000, 300), np.full(300, 17.0)], axis=1)
    variance = terms @ (0.33, 2.5)
    variance[::29] *= 40
    found, error = fit_terms(terms, variance)
    assert found == pytest.approx((0.33, 2.5), rel=1e-6)
    assert error < 1e-6
