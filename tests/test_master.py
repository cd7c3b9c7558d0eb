"""Archive masters, read back by Pillow, imagecodecs and pyexiv2, against the simulator's truth."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from platebench.master import master_plate
from platebench.plate_job import PlateJob
from platebench.settings import PlateSettings
from platebench.stages.light import light_from_blanks
from platebench.stages.read_capture import read_capture
from platebench.synthetic import (
    CameraModel,
    LightBox,
    PlateModel,
    Simulation,
    simulate_blank,
    simulate_plate,
    write_dng,
)
from platebench.synthetic.targets import StepTablet, tablet_plate

# Nothing of the camera's own in the way: what is tested is the file, not the capture.
STILL = CameraModel(shape=(622, 934), bits=16, shot_noise=False, read_noise_e=0.0, tilt_deg=0.8)
BOX = LightBox()
EXPOSURE_S = 1 / 16
TABLET = tablet_plate(PlateModel(size_mm=(90.0, 120.0)))


def job_of(
    folder: Path,
    plate: PlateModel = TABLET,
    camera: CameraModel = STILL,
    box: LightBox = BOX,
    **changes: object,
) -> tuple[PlateJob, Simulation]:
    folder.mkdir(exist_ok=True)
    simulation = simulate_plate(plate, box, camera, exposure_s=EXPOSURE_S, seed=5)
    write_dng(folder / "plate.dng", simulation.frame)
    write_dng(folder / "blank.dng", simulate_blank(box, camera, exposure_s=EXPOSURE_S, seed=70))
    settings = PlateSettings(id="plate", captures=("plate.dng",), format="9x12 cm")
    job = PlateJob(
        folder=folder,
        output=folder,
        settings=replace(settings, **changes),  # type: ignore[arg-type]
        light=light_from_blanks([read_capture(folder / "blank.dng")]),
    )
    return job, simulation


def density_by_the_formula_in(path: Path) -> np.ndarray:
    """Do as a stranger with a TIFF reader would: read the description, then the numbers."""
    with Image.open(path) as image:
        said = image.tag_v2[270]
        values = np.asarray(image, np.float64)
    (formula,) = re.findall(r"D = (-log10\(value / \d+\))", said)
    with np.errstate(divide="ignore"):
        return eval(formula, {"log10": np.log10, "value": values})


def test_density_is_recovered_by_the_formula_in_the_file(tmp_path: Path) -> None:
    job, simulation = job_of(tmp_path)
    made = master_plate(job, tmp_path / "master.tif")
    density = density_by_the_formula_in(made.path)
    cut = next(event for event in made.events if event.step == "cut").figures
    (top, bottom), (left, right) = cut["rows"], cut["columns"]
    assert density.shape == (bottom - top, right - left) == made.size
    truth = simulation.transmittance[top:bottom, left:right]
    tablet = StepTablet()
    corners = simulation.corners - (top, left)
    middle, pitch = corners.mean(axis=0), np.linalg.norm(corners[1] - corners[0]) / 120.0
    turn = np.deg2rad(STILL.tilt_deg)
    errors = []
    for known, (y, x) in zip(tablet.densities, tablet.centres_mm(), strict=True):
        row = middle[0] + pitch * (y * np.cos(turn) + x * np.sin(turn))
        column = middle[1] + pitch * (x * np.cos(turn) - y * np.sin(turn))
        there = np.s_[int(row) - 9 : int(row) + 10, int(column) - 9 : int(column) + 10]
        through = truth[there]
        assert -np.log10(through.mean()) == pytest.approx(known, abs=0.002)  # the right patch
        errors.append(-np.log10(np.mean(10 ** -density[there])) - known)
    # check-values: D -> T -> code -> D within 0.005 for D <= 3 in 16-bit linear.
    assert len(errors) == 21
    assert np.abs(errors[:20]).max() < 0.005
