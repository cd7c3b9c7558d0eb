"""Means over small areas: unbiased, with honest errors, by colour."""

from __future__ import annotations

import numpy as np
import pytest

from platebench.core.image import PlateImage
from platebench.measure.patch import quad_around, read_patch

RGGB = np.array([[0, 1], [1, 2]], np.uint8)
QUAD = quad_around(np.array([30.0, 52.0]), 20, 31)


def picture(pixels: np.ndarray, **other: np.ndarray) -> PlateImage:
    return PlateImage(pixels=pixels.astype(np.float32), **other)


def test_density_of_the_mean_not_mean_of_densities() -> None:
    # Half of the sites at T = 0.1, half at 0.001: mean T is 0.0505, D = -log10(0.0505) = 1.29671
    # (arithmetic); the mean of the densities would be 2.
    pixels = np.full((60, 110), 0.1)
    pixels[:, ::2] = 0.001
    patch = read_patch(picture(pixels), quad_around(np.array([30.0, 50.5]), 20, 40), robust=False)
    assert patch is not None and patch.all.density == pytest.approx(1.29671, abs=1e-5)


def test_a_tilted_quad_takes_the_sites_inside_it() -> None:
    quad = np.array([[10.0, 20.0], [14.0, 60.0], [34.0, 58.0], [30.0, 18.0]])  # both turns
    pixels = np.zeros((60, 110))
    rows, cols = np.mgrid[:60, :110]
    along = (cols - 20) * 4 - (rows - 10) * 40  # 0 on the first side
    pixels[along <= 0] = 1.0
    one = read_patch(picture(pixels), quad, robust=False)
    other = read_patch(picture(pixels), quad[::-1], robust=False)
    # The area of the parallelogram is |40 * 20 - 4 * -2| = 808 (shoelace).
    assert one is not None and one == other and one.all.sites == pytest.approx(808, rel=0.06)
    assert one.all.transmittance == 1.0


def test_channels_of_a_mosaic() -> None:
    pixels = np.tile(np.array([[0.5, 0.4], [0.4, 0.1]]), (30, 55))
    patch = read_patch(picture(pixels, pattern=RGGB), QUAD, robust=True)
    assert patch is not None
    read = {name: mean.transmittance for name, mean in patch.colours.items()}
    assert read == pytest.approx({"red": 0.5, "green": 0.4, "blue": 0.1})


def test_three_channels() -> None:
    pixels = np.broadcast_to(np.array([0.5, 0.4, 0.1]), (60, 110, 3)).copy()
    patch = read_patch(picture(pixels), QUAD, robust=True)
    assert patch is not None and patch.colours["blue"].transmittance == pytest.approx(0.1)
    assert patch.all.sites == patch.colours["red"].sites


@pytest.mark.parametrize("slope", [0.0, 0.004], ids=["even", "sloping"])
def test_standard_error_is_that_of_the_noise_alone(slope: float) -> None:
    rng = np.random.default_rng(8)
    truth = 0.3 + slope * np.arange(110)[None] * np.ones((60, 1))
    errors, sigmas = [], []
    for _ in range(300):
        noisy = picture(truth + rng.normal(0, 0.02, truth.shape), pattern=RGGB)
        patch = read_patch(noisy, QUAD, robust=False)
        assert patch is not None
        errors.append(patch.all.transmittance)
        sigmas.append(patch.all.sigma)
    # sigma / sqrt(n), by definition, and the scatter of 300 means is known to 1 / sqrt(600) = 4 %.
    sites = patch.all.sites
    assert np.mean(sigmas) == pytest.approx(0.02 / np.sqrt(sites), rel=0.02)
    assert np.std(errors) == pytest.approx(0.02 / np.sqrt(sites), rel=0.13)


def test_dust_is_left_out_of_a_step_but_not_of_a_spot() -> None:
    rng = np.random.default_rng(2)
    pixels = 0.5 + rng.normal(0, 0.01, (60, 110))
    pixels[25:29, 45:50] = 0.05
    step = read_patch(picture(pixels), QUAD, robust=True)
    spot = read_patch(picture(pixels), QUAD, robust=False)
    assert step is not None and spot is not None
    assert step.all.transmittance == pytest.approx(0.5, abs=0.003) and 0 < step.left_out < 0.15
    # 20 sites of 20 x 31 are 0.45 lower.
    assert spot.all.transmittance == pytest.approx(0.5 - 0.45 * 20 / 620, abs=0.003)


def test_clipped_sites_and_the_border() -> None:
    valid = np.ones((60, 110), bool)
    valid[:, 52:] = False
    pixels = np.where(valid, 0.2, 5.0)
    patch = read_patch(picture(pixels, valid=valid), QUAD, robust=False)
    assert patch is not None and patch.all.transmittance == pytest.approx(0.2)
    assert patch.left_out == pytest.approx(0.5, abs=0.03)
    assert read_patch(picture(pixels), QUAD + 500, robust=False) is None
    assert read_patch(picture(pixels, valid=np.zeros((60, 110), bool)), QUAD, robust=False) is None
