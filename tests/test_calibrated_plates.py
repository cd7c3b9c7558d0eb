"""A calibration, glare and stain on their way through convert and measure, against the truth.

The camera sees Q times the diffuse density, with glare on top (`tablet_scenes`); the simulator
knows both, so what a densitometer would read of each patch is known.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from platebench.convert import convert_plate, measure_view, tone_codes
from platebench.densitometry.calibration import Calibration
from platebench.densitometry.spot import Spot, SpotReading, open_probe, read_spots
from platebench.look import look_at_plate
from platebench.plate_job import PlateJob, PrintingEnds
from platebench.profiles_folder import profiles_folder
from platebench.settings import PlateSettings
from platebench.stages.density import code_from_transmittance
from platebench.stages.tone_file import load_tone
from platebench.synthetic import (
    CameraModel,
    LightBox,
    PlateModel,
    StepTablet,
    simulate_plate,
    write_dng,
)

from .tablet_scenes import EXPOSURE_S, light

CAMERA = CameraModel(shape=(560, 800))
CALLIER = 1.1
BASE_FOG = 0.12
DENSITIES = (0.30, 0.60, 0.90, 1.20, 1.50, 1.80, 2.10, 2.40, 0.45, 0.75, 1.05, 1.35)
GRID, AREA_MM = (3, 4), (70.0, 100.0)
CORNER_MM = np.array([45.0, 60.0])  # half the plate: from its middle to its corner


def patches(callier: float = 1.0) -> StepTablet:
    """Return patches as a camera with this Callier factor sees them."""
    seen = tuple(callier * d for d in DENSITIES)
    return StepTablet(densities=seen, grid=GRID, size_mm=AREA_MM, surround=callier * BASE_FOG)


def plate(callier: float = 1.0, **changes: object) -> PlateModel:
    model = PlateModel(size_mm=(90.0, 120.0), target=patches(callier), grain_um=0.0)
    return replace(model, **changes)  # type: ignore[arg-type]


def calibration(glare: float, callier: float = 1.0, **changes: object) -> Calibration:
    """Return one that is known, with errors of the size that a good tablet leaves."""
    known = Calibration(
        glare=glare,
        glare_sigma=5e-5,
        callier=callier,
        callier_sigma=0.002,
        nodes=(0.0, 3.0),
        residual_sigmas=(0.0, 0.004),
    )
    return replace(known, **changes)  # type: ignore[arg-type]


def job(
    folder: Path,
    model: PlateModel,
    box: LightBox,
    known: Calibration | None,
    *,
    drifted: float = 1.0,
    **settings: object,
) -> PlateJob:
    lamp = replace(box, brightness=box.brightness * drifted)
    frame = simulate_plate(model, lamp, CAMERA, exposure_s=EXPOSURE_S, seed=5).frame
    write_dng(folder / "plate.dng", frame)
    for name in ("positives", "previews"):
        (folder / "converted" / name).mkdir(parents=True, exist_ok=True)
    chosen = PlateSettings(id="plate", captures=("plate.dng",), format="9x12 cm", emulsion="light")
    return PlateJob(
        folder=folder,
        output=folder / "converted",
        settings=replace(chosen, **settings),  # type: ignore[arg-type]
        light=light(replace(box, surround="bright"), CAMERA),
        calibration=known,
        tone=load_tone("neutral", [profiles_folder() / "tone"]),
    )


def positive_codes(work: PlateJob) -> list[float]:
    """Convert a plate and return the median code of each patch of its positive."""
    with Image.open(convert_plate(work).written[0]) as picture:
        pixels = np.asarray(picture)
    scale = pixels.shape[1] / 120.0
    places = ((patches().centres_mm() + CORNER_MM) * scale).astype(int)
    return [float(np.median(pixels[y - 15 : y + 15, x - 15 : x + 15])) for y, x in places]


def spots(work: PlateJob) -> list[SpotReading]:
    """Read the middle of each patch."""
    places = patches().centres_mm() + CORNER_MM
    return read_spots(
        open_probe(work), [Spot(x=float(x), y=float(y), size=8.0, unit="mm") for y, x in places]
    )


# A stain of the silver (0 in red, 2 % in green, 15 % in blue) above glass of D 0.04.
STAIN = (0.0, 0.02, 0.15)
BLUE_SHARE = 1.15 / 1.02 - 1  # extra blue density per unit of green density, by arithmetic


@pytest.mark.parametrize("surround", ["bright", "dark"])
def test_stain_is_measured_on_light_without_glare(tmp_path: Path, surround: str) -> None:
    """Glare hides stain: it adds the same light to green and to the darker blue."""
    box = LightBox(glare=0.01, surround=surround)  # type: ignore[arg-type]
    work = job(tmp_path, plate(stain=STAIN), box, calibration(0.01))
    view = look_at_plate(work)
    assert view.stain is not None and view.stain.found
    assert view.stain.blue_share == pytest.approx(BLUE_SHARE, abs=0.006)
    # Stain off, every kind of site sees the silver as green does.
    at = patches().centres_mm() + CORNER_MM
    scale = (view.found.corners[1, 1] - view.found.corners[0, 1]) / 120.0
    for (y, x), density in zip(at, DENSITIES, strict=True):
        row, column = (np.array([y, x]) * scale + view.found.corners[0]).astype(int) // 2 * 2
        part = view.image.pixels[row - 20 : row + 20, column - 20 : column + 20] / view.level
        green = 0.04 + (density - 0.04) * 1.02
        for kind in (part[::2, ::2], part[::2, 1::2], part[1::2, ::2], part[1::2, 1::2]):
            assert -np.log10(kind.mean()) == pytest.approx(green, abs=0.02), density


def as_seen(density: float, colour: int) -> float:
    """Return the density of stained silver over glass in one colour."""
    return 0.04 + (density - 0.04) * (1 + STAIN[colour])


@pytest.mark.parametrize("colour", ["mosaic", "demosaiced"])
def test_densities_of_a_stained_plate_are_those_of_green(tmp_path: Path, colour: str) -> None:
    work = job(tmp_path, plate(stain=STAIN), LightBox(), None, colour=colour)
    densities = measure_view(look_at_plate(work))
    thin, dense = as_seen(BASE_FOG, 1), as_seen(2.40, 1)
    assert densities.base_fog == pytest.approx(thin, abs=0.01)
    assert densities.d_min == pytest.approx(thin, abs=0.01)
    assert densities.d_max == pytest.approx(dense, abs=0.02)
    blue = as_seen(2.40, 2) - as_seen(BASE_FOG, 2)
    assert densities.blue_range == pytest.approx(blue, abs=0.03)
    # And so are the spot readings.
    for reading, density in zip(spots(work), DENSITIES, strict=True):
        assert reading.density == pytest.approx(as_seen(density, 1), abs=0.015)
        assert reading.printing == pytest.approx(as_seen(density, 2), abs=0.02)


@pytest.mark.parametrize("colour", ["mosaic", "demosaiced"])
def test_a_stained_plate_is_toned_by_green(tmp_path: Path, colour: str) -> None:
    """A stained plate prints as a neutral one does that has the densities green sees."""
    stained = job(tmp_path, plate(stain=STAIN), LightBox(), None, colour=colour)
    ends = PrintingEnds(base_fog=0.1, d_max=2.5)
    codes = positive_codes(replace(stained, ends=ends))
    table = tone_codes(stained, ends, level=1.0)
    for seen, density in zip(codes, DENSITIES, strict=True):
        through = np.array([[10 ** -as_seen(density, 1)]], np.float32)
        wanted = table[int(code_from_transmittance(through)[0, 0])]
        assert seen == pytest.approx(wanted, abs=0.006 * 65535), density
