"""The drawn plates cover what they promise."""

from collections import Counter

import numpy as np
import pytest

from platebench.synthetic import simulate_plate, true_corners, vary

DRAWN = [vary(seed) for seed in range(200)]


def test_same_seed_same_plate() -> None:
    _, box, camera = vary(17)
    assert vary(17)[1] == box
    assert vary(17)[2] == camera
    assert vary(18)[2] != camera


def test_plates_lie_inside_the_frame() -> None:
    for plate, _, camera in DRAWN:
        corners = true_corners(plate, camera)
        assert (corners >= 0.009 * np.array(camera.shape)).all()
        assert (corners <= 0.991 * np.array(camera.shape)).all()


def test_everything_is_drawn() -> None:
    surrounds = Counter(box.surround for _, box, _ in DRAWN)
    assert min(surrounds["bright"], surrounds["dark"], surrounds["holder"]) >= 30
    assert {camera.cfa for _, _, camera in DRAWN} == {
        "RGGB", "BGGR", "GRBG", "GBRG", "XTRANS", "MONO",
    }  # fmt: skip
    tilts = [camera.tilt_deg for _, _, camera in DRAWN]
    assert min(tilts) < -5 < 5 < max(tilts)
    assert max(abs(t) for t in tilts) <= 6
    turns = [plate.out_of_square_deg for plate, _, _ in DRAWN]
    assert min(turns) < -0.8 < 0.8 < max(turns) <= 1
    fills = [camera.fill for _, _, camera in DRAWN]
    assert 0.4 < min(fills) < 0.5
    assert 0.8 < max(fills) <= 0.9
    assert 30 <= sum(not any(plate.rebate_mm) for plate, _, _ in DRAWN) <= 80
    assert 30 <= sum(plate.coloured for plate, _, _ in DRAWN) <= 90
    assert any(plate.log_exposure < 0.7 for plate, _, _ in DRAWN)
    assert any(plate.log_exposure > 2.2 for plate, _, _ in DRAWN)


@pytest.mark.parametrize("seed", [1, 4])
def test_they_can_be_photographed(seed: int) -> None:
    plate, box, camera = vary(seed, shape=(240, 320))
    shot = simulate_plate(plate, box, camera, exposure_s=1 / 15, seed=seed)
    assert shot.frame.counts.shape == (240, 320)
    assert np.ptp(shot.transmittance) > 0.3
