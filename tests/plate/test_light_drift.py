"""Light that drifts across the frame between blank and plate: found around the plate, taken off."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from platebench.core.settings import PlateSettings
from platebench.measure.density_errors import errors_of_view
from platebench.measure.spot import Spot, open_probe, read_spots
from platebench.plate.bare_light import plane_of
from platebench.plate.job import PlateJob
from platebench.plate.light import light_from_blanks
from platebench.plate.look import look_at_plate
from platebench.synthetic import (
    CameraModel,
    LightBox,
    PlateModel,
    StepTablet,
    photograph,
    simulate_blank,
    true_transmittance,
    write_dng,
)

CAMERA = CameraModel(shape=(304, 456), fill=0.72)
EXPOSURE_S = 1 / 16
FIELDS = (0.3, 0.3, 0.3, 1.0, 1.0, 1.0)
TARGET = StepTablet(densities=FIELDS, grid=(2, 3), size_mm=(70.0, 100.0))
PLATE = PlateModel(size_mm=(90.0, 120.0), target=TARGET, grain_um=0.0)


def job(folder: Path, change: np.ndarray, surround: str = "bright", seed: int = 1) -> PlateJob:
    """Return a plate whose light has changed since the blank, by place."""
    box = LightBox(light_seed=seed)
    blank = simulate_blank(box, CAMERA, exposure_s=EXPOSURE_S, seed=seed)
    here = replace(box, surround=surround)  # type: ignore[arg-type]
    truth = true_transmittance(PLATE, here, CAMERA, seed=seed) * change
    shot = photograph(truth.astype(np.float32), here, CAMERA, exposure_s=EXPOSURE_S, seed=seed + 1)
    write_dng(folder / "plate.dng", shot)
    return PlateJob(
        folder=folder,
        output=folder,
        settings=PlateSettings(id="p", captures=("plate.dng",), format="9x12 cm", emulsion="light"),
        light=light_from_blanks([blank]),
    )


def plane(across: float, down: float) -> np.ndarray:
    """Return a plane in the light's logarithm: its change from edge to edge."""
    y, x = np.meshgrid(*((np.arange(n) + 0.5) / n - 0.5 for n in CAMERA.shape), indexing="ij")
    return np.asarray(np.exp(across * x + down * y))


@pytest.mark.parametrize(("across", "down"), [(0.025, 0.0), (-0.02, 0.03)])
def test_a_drift_is_found_and_taken_off(tmp_path: Path, across: float, down: float) -> None:
    work = job(tmp_path, 0.985 * plane(across, down))
    view = look_at_plate(work)
    assert view.drift is not None and any("drifted" in note for note in view.notes)
    assert view.drift.across == pytest.approx(across, abs=0.002)
    assert view.drift.down == pytest.approx(down, abs=0.002)
    probe = open_probe(work)
    spots = [
        Spot(x=float(x + 60), y=float(y + 45), size=8.0, unit="mm") for y, x in TARGET.centres_mm()
    ]
    for reading, true in zip(read_spots(probe, spots), FIELDS, strict=True):
        assert reading.density is not None and reading.sigma is not None
        # Without it, 2 % are 0.009 D; a third of that reaches the fields at the sides.
        assert reading.density == pytest.approx(true, abs=0.0015)
        assert abs(reading.density - true) < 2 * reading.sigma


def test_its_error_is_in_that_of_the_light(tmp_path: Path) -> None:
    view = look_at_plate(job(tmp_path, plane(0.02, 0.0)))
    assert view.drift is not None
    sure, unsure = (
        errors_of_view(replace(view, drift=replace(view.drift, sigma=sigma))).light
        for sigma in (0.0, 0.02)
    )
    assert unsure**2 - sure**2 == pytest.approx((0.02 / 4) ** 2)
    bent = view.light
    assert errors_of_view(replace(view, light=bent)).light < 0.005


def test_what_is_no_drift_is_left(tmp_path: Path) -> None:
    """An even change, one within noise, one too large, a stripe, and a mask that shows no light."""
    assert look_at_plate(job(tmp_path, plane(0.0, 0.0) * 0.97)).drift is None
    assert look_at_plate(job(tmp_path, plane(0.003, 0.0))).drift is None
    assert look_at_plate(job(tmp_path, plane(0.4, 0.0))).drift is None
    assert look_at_plate(job(tmp_path, plane(0.03, 0.0), surround="dark")).drift is None


def test_a_plane_is_fitted_without_outliers() -> None:
    rng = np.random.default_rng(4)
    places = rng.uniform(-0.5, 0.5, (60, 2))
    values = 0.01 + places @ np.array([0.03, -0.02]) + 1e-4 * rng.standard_normal(60)
    values[:6] += 0.1  # a card's shadow, a hand
    (middle, down, across), sigma = plane_of(places, values)
    assert (middle, down, across) == pytest.approx((0.01, 0.03, -0.02), abs=4 * sigma)
    # Of a uniform spread over one, variance 1/12, sixty values of 1e-4: 1e-4 / sqrt(60 / 12).
    assert sigma == pytest.approx(1e-4 / np.sqrt(5), rel=0.4)
