"""From photons to speed: the reference plate's steps, photographed by the simulator and read."""

from __future__ import annotations

import numpy as np
import pytest

from platebench.plate.flatten import transmittance_from_counts
from platebench.plate.light import light_from_blanks
from platebench.sensitometry import figures_of, pair_readings, speeds_of
from platebench.synthetic import (
    CameraModel,
    LightBox,
    StepTablet,
    simulate_blank,
    simulate_plate,
    tablet_plate,
)
from platebench.synthetic.camera import map_points, plate_to_sensor

from .reference_plate import DENSITIES, LOG_H

EXPOSURE_S = 1 / 16
HALF = 14  # of a patch, photosites


def test_gamma_to_1_percent_and_speed_to_2_from_a_photographed_plate() -> None:
    box, camera = LightBox(), CameraModel(shape=(500, 700), tilt_deg=0.7)
    target = StepTablet(densities=tuple(DENSITIES.tolist()), surround=0.10)
    plate = tablet_plate()
    plate = type(plate)(target=target, grain_um=0.0)
    taken = simulate_plate(plate, box, camera, exposure_s=EXPOSURE_S, seed=5)
    blanks = [simulate_blank(box, camera, exposure_s=EXPOSURE_S, seed=seed) for seed in (1, 2, 3)]
    through = transmittance_from_counts(taken.frame, light_from_blanks(blanks)).pixels
    middles = map_points(plate_to_sensor(plate.size_mm, camera), target.centres_mm())
    density, sigma = [], []
    for row, col in np.rint(middles).astype(int):
        patch = through[row - HALF : row + HALF + 1, col - HALF : col + HALF + 1]
        mean, error = float(patch.mean()), float(patch.std() / np.sqrt(patch.size))
        density.append(-np.log10(mean))
        sigma.append(error / mean / np.log(10))  # sigma_D = 0.4343 sigma_T / T
    readings = pair_readings(
        "plate", LOG_H, density, sigma=sigma, absolute=True, base_fog=0.10, base_fog_sigma=0.001
    )
    figures = figures_of(readings, rng=np.random.default_rng(1), trials=40)
    speeds = speeds_of(figures)
    assert figures.gamma.value == pytest.approx(0.68118, rel=0.01)
    assert speeds.point is not None and speeds.to_fog is not None
    assert speeds.point.value.value == pytest.approx(2.0, rel=0.02)
    assert (speeds.point.kind, speeds.point.standard) == ("arithmetic speed", 2.0)
    assert speeds.to_fog.hurter_driffield.value == pytest.approx(89.27, rel=0.02)
    assert figures.gamma.sigma is not None and figures.gamma.sigma < 0.01
