"""Stated standard errors against the scatter that simulated noise really gives."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from platebench.core.settings import PlateSettings
from platebench.measure.patch import quad_around, read_patch
from platebench.measure.spot import Probe, Spot, open_probe, read_spots
from platebench.plate.job import PlateJob
from platebench.plate.light import light_from_blanks
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

CAMERA = CameraModel(shape=(420, 600))
BOX = LightBox()
DENSITIES = (0.3, 1.2, 2.0, 2.5)
PLATE = PlateModel(
    target=StepTablet(densities=DENSITIES, grid=(1, 4), size_mm=(80.0, 110.0)),
    grain_um=0.0,
)
PATCHES_MM = (-41.25, -13.75, 13.75, 41.25)  # middles of the four, across
BRACKET_S = (1 / 16, 1 / 4)


def probe(
    folder: Path, camera: CameraModel = CAMERA, times: tuple[float, ...] = (1 / 16,), **more: str
) -> Probe:
    truth = true_transmittance(PLATE, BOX, camera, seed=1)
    names = []
    for n, time in enumerate(times):
        frame = photograph(truth, BOX, camera, exposure_s=time, seed=50 + n)
        write_dng(folder / f"{n}.dng", frame)
        names.append(f"{n}.dng")
    blanks = [simulate_blank(BOX, camera, exposure_s=1 / 16, seed=90 + n) for n in range(2)]
    settings = PlateSettings(id="p", captures=tuple(names), format="9x12 cm", emulsion="light")
    job = PlateJob(
        folder=folder,
        output=folder,
        settings=replace(settings, **more),  # type: ignore[arg-type]
        light=light_from_blanks(blanks),
    )
    return open_probe(job)


def pulls(opened: Probe, middle_mm: float, density: float, side: int) -> np.ndarray:
    """Return error over stated error of the means of many small squares of one patch."""
    scale = 0.8 * min(CAMERA.shape[0] / 90.0, CAMERA.shape[1] / 120.0)
    middle = (np.array(CAMERA.shape) - 1) / 2 + np.array([0, middle_mm * scale])
    found = []
    for row in range(-12, 13):
        for column in range(-5, 6):
            at = np.rint(middle) + np.array([row, column]) * (side + 1) + (side - 1) / 2
            if abs(at[1] - middle[1]) > 10 * scale or abs(at[0] - middle[0]) > 30 * scale:
                continue
            quad = quad_around(at, side - 0.2, side - 0.2)
            patch = read_patch(opened.view.image, quad, robust=False, noise=opened.noise)
            assert patch is not None and patch.all.sites == side**2
            found.append((patch.all.transmittance - 10**-density) / patch.all.sigma)
    return np.array(found)


@pytest.mark.big
@pytest.mark.parametrize("times", [(1 / 16,), BRACKET_S], ids=["single", "bracket"])
@pytest.mark.parametrize("cfa", ["RGGB", "MONO"])
def test_of_few_sites(tmp_path: Path, cfa: str, times: tuple[float, ...]) -> None:
    opened = probe(tmp_path, replace(CAMERA, cfa=cfa), times)
    for side in (1, 2, 5):
        for middle, density in zip(PATCHES_MM, DENSITIES, strict=True):
            pull = pulls(opened, middle, density, side)
            # The scatter of 275 is known to 1 / sqrt(550) = 4 %.
            assert pull.size == 275
            assert pull.std() == pytest.approx(1.0, abs=0.15), (side, density)
            assert np.mean(np.abs(pull) > 3) < 0.02  # 0.3 % of normal deviates


def test_sites_are_read_where_the_plate_is_converted_demosaiced(tmp_path: Path) -> None:
    spots = [Spot(x=60 + x, y=45, size=0.6, unit="mm") for x in PATCHES_MM]
    mosaic = read_spots(probe(tmp_path), spots)
    kept = read_spots(probe(tmp_path, colour="demosaiced"), spots)
    names = ("red", "green", "blue", "red_sigma", "green_sigma", "blue_sigma", "printing")
    for one, other in zip(mosaic, kept, strict=True):
        assert [getattr(one, n) for n in names] == [getattr(other, n) for n in names]
        assert other.density == one.green  # colours are kept: density is that of green


def test_a_pixel_of_a_positive_has_an_error_of_its_own(tmp_path: Path) -> None:
    opened = probe(tmp_path)
    for x, density in zip(PATCHES_MM, DENSITIES, strict=True):
        one, many = (
            read_spots(opened, [Spot(x=60 + x, y=45, size=size, unit="mm")])[0]
            for size in (1.01 * (opened.mm_per_px or 0), 8.0)
        )
        assert one.photon_sigma is not None and many.photon_sigma is not None
        # Standard errors go by the root of the number of sites.
        ratio = np.sqrt(many.sites / one.sites)
        assert one.sites <= 4
        # What no blue site saw is not said to be the density in blue.
        assert (one.printing is None) == (one.blue is None)
        assert one.photon_sigma == pytest.approx(many.photon_sigma * ratio, rel=0.3), density
