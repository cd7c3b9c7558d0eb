"""Stain measured and taken off, against the simulator's truth."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from platebench.core.image import PlateImage
from platebench.plate.bands import banded
from platebench.plate.colours import separate_colours
from platebench.plate.densities import density_from_transmittance
from platebench.plate.finding.overview import overview_of
from platebench.plate.flatten import stain_step, transmittance_from_counts
from platebench.plate.light import light_from_blanks
from platebench.plate.stain import measure_stain
from platebench.synthetic import (
    CameraModel,
    LightBox,
    PlateModel,
    Simulation,
    simulate_blank,
    simulate_plate,
)

CAMERA = CameraModel(shape=(620, 846), tilt_deg=0.8)
BOX = LightBox()
EXPOSURE_S = 1 / 16


@cache
def _simulated(
    stain: tuple[float, float, float], veil: tuple[float, float, float], cfa: str
) -> Simulation:
    camera = CameraModel(shape=CAMERA.shape, tilt_deg=CAMERA.tilt_deg, cfa=cfa)
    plate = PlateModel(stain=stain, veil=veil, log_exposure=2.2)
    return simulate_plate(plate, BOX, camera, exposure_s=EXPOSURE_S, seed=11)


def _light(cfa: str):  # type: ignore[no-untyped-def]
    camera = CameraModel(shape=CAMERA.shape, tilt_deg=CAMERA.tilt_deg, cfa=cfa)
    return light_from_blanks(
        [simulate_blank(BOX, camera, exposure_s=EXPOSURE_S, seed=seed) for seed in (1, 2)]
    )


def _inside(simulation: Simulation) -> tuple[slice, slice]:
    low, high = simulation.corners.min(axis=0), simulation.corners.max(axis=0)
    return (
        slice(int(low[0]) + 25, int(high[0]) - 25),
        slice(int(low[1]) + 25, int(high[1]) - 25),
    )


@pytest.mark.parametrize("cfa", ["RGGB", "XTRANS"])
def test_neutral_plate_has_no_stain(cfa: str) -> None:
    neutral = _simulated((0, 0, 0), (0, 0, 0), cfa)
    image = transmittance_from_counts(neutral.frame, _light(cfa))
    stain = measure_stain(overview_of(banded(image)), neutral.corners)
    assert stain is not None and not stain.found
    assert abs(stain.red) < 0.005 and abs(stain.blue) < 0.005


@pytest.mark.parametrize("cfa", ["RGGB", "XTRANS"])
@pytest.mark.parametrize(
    ("stain", "veil"), [((0.0, 0.0, 0.10), (0, 0, 0)), ((0.03, 0.0, 0.08), (0.02, 0.0, 0.05))]
)
def test_stain_is_measured_and_taken_off(
    cfa: str, stain: tuple[float, float, float], veil: tuple[float, float, float]
) -> None:
    stained, neutral = _simulated(stain, veil, cfa), _simulated((0, 0, 0), (0, 0, 0), cfa)
    light = _light(cfa)
    image = transmittance_from_counts(stained.frame, light)
    found = measure_stain(overview_of(banded(image)), stained.corners)
    assert found is not None and found.found
    # Truth: D_blue = D_green * (1 + share) + veil, shares as given to the simulator.
    assert found.blue_share == pytest.approx(stain[2], abs=0.02)
    assert found.red_share == pytest.approx(stain[0], abs=0.02)
    corrected = transmittance_from_counts(
        stained.frame,
        light,
        steps=[stain_step(found.correction, stained.frame.pattern, stained.frame.shape, 1)],
    )
    where = _inside(neutral)
    truth = -np.log10(neutral.transmittance[where])
    before = density_from_transmittance(image.pixels[where]) - truth
    after = density_from_transmittance(corrected.pixels[where]) - truth
    plain = transmittance_from_counts(neutral.frame, light)
    noise = density_from_transmittance(plain.pixels[where]) - truth
    assert np.sqrt(np.mean(after**2)) < 0.6 * np.sqrt(np.mean(before**2))
    # No worse than a neutral plate of the same noise, within the veil's green share and 0.005 D.
    assert np.sqrt(np.mean(after**2)) < np.sqrt(np.mean(noise**2)) + 0.006


def test_one_colour_has_no_stain() -> None:
    grey = PlateImage(pixels=np.full((60, 90), 0.3, np.float32))
    corners = np.array([[5.0, 5], [5, 80], [50, 80], [50, 5]])
    assert measure_stain(overview_of(banded(grey)), corners) is None


def test_colours_are_separated() -> None:
    # A coloured wedge: the truth of each channel is written down here.
    height, width = 96, 144
    ramp = np.linspace(0.9, 0.1, width, dtype=np.float32)[None, :] * np.ones(
        (height, 1), np.float32
    )
    truth = np.stack([ramp, ramp**1.2, ramp**1.6], axis=-1)
    pattern = np.array([[0, 1], [1, 2]], np.uint8)
    sites = np.tile(pattern, (height // 2, width // 2))
    mosaic = np.take_along_axis(truth, sites[..., None], axis=2)[..., 0]
    image = PlateImage(pixels=mosaic.astype(np.float32), pattern=pattern)
    colours = separate_colours(image)
    assert colours.pixels.shape == (height, width, 3) and colours.pattern.size == 1
    inside = (slice(8, -8), slice(8, -8))
    error = np.log10(colours.pixels[inside] / truth[inside])
    assert np.abs(error).max() < 0.02
    assert np.sqrt(np.mean(error**2)) < 0.005
