"""Measuring plates: step tablet, slanted edge, star."""

import numpy as np
import pytest
from scipy.special import erf

from platebench.synthetic import (
    CameraModel,
    LightBox,
    PlateModel,
    SlantedEdge,
    StepTablet,
    edge_plate,
    star_plate,
    tablet_plate,
    true_transmittance,
)
from platebench.synthetic.camera import map_points, plate_to_sensor

BOX = LightBox()


def test_tablet_steps_are_where_they_say() -> None:
    camera = CameraModel(shape=(500, 700), tilt_deg=2.0)
    plate = tablet_plate()
    truth = true_transmittance(plate, BOX, camera, seed=1)
    target = StepTablet()
    at = np.rint(map_points(plate_to_sensor(plate.size_mm, camera), target.centres_mm())).astype(
        int
    )
    measured = -np.log10(truth[at[:, 0], at[:, 1]])
    # The 21-step tablet: 0.05 to 3.05 by 0.15, half a stop each.
    assert measured == pytest.approx(0.05 + 0.15 * np.arange(21), abs=2e-4)
    order = np.diff(at, axis=0)
    assert (order[:6, 1] > 0).all()


def test_edge_profile_is_the_box_blurred_by_a_gaussian() -> None:
    # An upright edge seen by a square site through a Gaussian lens: the running mean, one site
    # wide, of (1 + erf(x / (sigma sqrt 2))) / 2, whose integral is known in closed form.
    sigma = 1.3
    camera = CameraModel(shape=(60, 81), fill=1.4, blur_px=sigma, finer=4)
    plate = PlateModel(target=SlantedEdge(angle_deg=0.0), grain_um=0.0, size_mm=(60.0, 80.0))
    truth = true_transmittance(plate, BOX, camera, seed=1)[30]
    thin, dense = 10**-0.10, 10**-0.70206

    def integral(x: np.ndarray) -> np.ndarray:
        z = x / (sigma * np.sqrt(2))
        return x * (1 + erf(z)) / 2 + sigma * np.exp(-(z**2)) / np.sqrt(2 * np.pi)

    x = np.arange(81) - 40.0
    share = integral(x + 0.5) - integral(x - 0.5)
    # The edge falls between two places of the fine grid: variance 1/96 site^2 too small there.
    assert truth[10:70] == pytest.approx((thin + (dense - thin) * share)[10:70], abs=6e-4)


def test_slanted_edge_is_four_to_one_and_leans_right_at_the_top() -> None:
    camera = CameraModel(shape=(300, 400), blur_px=0)
    truth = true_transmittance(edge_plate(), BOX, camera, seed=1)
    assert truth[150, 60] / truth[150, 340] == pytest.approx(4.0, rel=1e-3)
    middle = (truth[150, 60] + truth[150, 340]) / 2
    crossing = [int((truth[row, 60:340] > middle).sum()) for row in (60, 240)]
    # tan 5 deg = 0.08749 columns a row, from trigonometry
    assert crossing[0] - crossing[1] == pytest.approx(180 * 0.08749, abs=1)


def test_star_has_its_spokes() -> None:
    camera = CameraModel(shape=(800, 1000), blur_px=0, fill=0.9)
    truth = true_transmittance(star_plate(spokes=36), BOX, camera, seed=1)
    angles = np.linspace(0, 2 * np.pi, 7200, endpoint=False)
    rows = np.rint(399.5 + 200 * np.sin(angles)).astype(int)
    cols = np.rint(499.5 + 200 * np.cos(angles)).astype(int)
    wave = truth[rows, cols] - (10**-0.10 + 10**-1.30) / 2
    wave = np.convolve(np.concatenate([wave, wave[:41]]), np.ones(41) / 41, "valid")
    assert int((np.diff(np.sign(wave)) != 0).sum()) == 2 * 36
    assert truth[rows, cols].max() == pytest.approx(10**-0.10, abs=0.01)
    assert truth[rows, cols].min() == pytest.approx(10**-1.30, abs=0.01)
