"""Readings on the table against the simulator's truth and against ``platebench measure``."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from scipy.ndimage import gaussian_filter

from platebench.measure.density_errors import DensityErrors
from platebench.measure.spot import Spot, open_probe, read_spots
from platebench.plate.job import PlateJob
from platebench.review.layers import Shown
from platebench.review.plate_pixels import CLIPPED
from platebench.review.plate_readings import read_rectangle
from platebench.review.table import ReviewTable
from platebench.session.jobs import prepare_light
from platebench.session.settings_file import load_session
from platebench.synthetic import simulate_plate

from ..session_files import BOX, CAMERA, EXPOSURE_S, PLATES, put, write_session

STAIN = (0.0, 0.06, 0.25)  # D of an even offset, by colour


@pytest.fixture(scope="module")
def stained(tmp_path_factory: pytest.TempPathFactory) -> ReviewTable:
    folder = write_session(tmp_path_factory.mktemp("stained") / "shelf", names=())
    model = replace(PLATES["wide"], stain=STAIN)
    simulation = simulate_plate(model, BOX, CAMERA, exposure_s=EXPOSURE_S, seed=12)
    put(folder / "stained.dng", simulation.frame, at_s=60)
    file = folder / "session.toml"
    plate = '[[plate]]\nid = "stained"\ncaptures = ["stained.dng"]\n'
    file.write_text(file.read_text(encoding="utf-8") + plate, encoding="utf-8")
    return ReviewTable(folder)


def test_blue_light_sees_a_stained_plate_as_measure_does(stained: ReviewTable) -> None:
    """Two ways to the same number: the stain put back on, and the blue sites as they are."""
    shown, settings = stained.shown("stained"), load_session(stained.folder)
    light, dark = prepare_light(stained.folder, settings)
    job = PlateJob(
        folder=stained.folder,
        output=stained.output,
        settings=settings.plates[0],
        scan=settings.scan,
        light=light,
        dark=dark,
    )
    probe = open_probe(job)
    for x, y in ((200, 120), (250, 60), (150, 100), (100, 150)):
        measured = read_spots(probe, [Spot(x=x, y=y, size=12, unit="px")])[0]
        box = (y - 5.5, x - 5.5, y + 6.5, x + 6.5)
        told = read_rectangle(shown, "positive", box)
        assert told is not None and measured.density and measured.blue_sigma
        sigma = np.hypot(told["sigma"], measured.blue_sigma)
        assert abs(told["printing"] - measured.printing) < 0.005 + 3 * sigma
        assert abs(told["density"] - measured.density) < 0.005 + 3 * told["sigma"]
        assert told["printing"] > told["density"] + 0.03


def test_a_plate_kept_in_colour_reads_the_same(stained: ReviewTable) -> None:
    box = (110.0, 190.0, 130.0, 210.0)
    grey = read_rectangle(stained.shown("stained"), "positive", box)
    stained.edit("stained", {"rotate": 180})  # so that a turned plate is read, too
    file = stained.folder / "session.toml"
    text = file.read_text(encoding="utf-8")
    file.write_text(
        text.replace('id = "stained"', 'id = "stained"\ncolour = "demosaiced"'), encoding="utf-8"
    )
    stained.reread()
    size = stained.shown("stained").size("positive")
    top, left, bottom, right = box
    turned = (size.rows - bottom, size.columns - right, size.rows - top, size.columns - left)
    colour = read_rectangle(stained.shown("stained"), "positive", turned)
    file.write_text(text, encoding="utf-8")
    stained.reread()
    stained.undo()
    assert grey is not None and colour is not None
    assert colour["density"] == pytest.approx(grey["density"], abs=0.02)
    assert colour["printing"] == pytest.approx(grey["printing"], abs=0.02)


def _with_codes(shown: Shown, code: int) -> Shown:
    codes = shown.pixels.levels[0].copy()
    codes[100:120, 100:120] = code
    return replace(shown, pixels=replace(shown.pixels, levels=(codes, *shown.pixels.levels[1:])))


def test_clipped_sites_are_left_out_and_told(stained: ReviewTable) -> None:
    shown = stained.shown("stained")
    clipped = _with_codes(shown, CLIPPED)
    whole = read_rectangle(clipped, "captured", (100, 100, 120, 120))
    assert whole is not None and whole["density"] is None and whole["clipped"] == 1
    half = read_rectangle(clipped, "captured", (100, 110, 120, 130))
    rest = read_rectangle(shown, "captured", (100, 120, 120, 130))
    assert half is not None and rest is not None and half["clipped"] == 0.5
    assert half["density"] == rest["density"]


def test_nothing_is_told_from_darkness_but_what_is_certain(stained: ReviewTable) -> None:
    told = read_rectangle(
        _with_codes(stained.shown("stained"), 0), "captured", (100, 100, 120, 120)
    )
    assert told is not None and told["density"] is None and told["at_least"] >= 4


def test_a_rectangle_has_its_size_in_millimetres(stained: ReviewTable) -> None:
    """The simulated plate is 120 mm wide; nine tenths of its width are 108 mm."""
    shown = stained.shown("stained")
    size = shown.size("positive")
    box = (10.0, 0.05 * size.columns, 20.0, 0.95 * size.columns)
    told = read_rectangle(shown, "positive", box)
    assert told is not None
    assert told["width_mm"] == pytest.approx(108, rel=0.01)


def test_rounding_of_8_bits_is_in_the_error(tmp_path: Path) -> None:
    """Even fields of a scan without noise, gamma 2.2: each mean is off by up to half a code."""
    densities = np.random.default_rng(2).uniform(0.3, 2.3, (8, 10))
    light = np.full((560, 680), 0.95)
    light[40:520, 40:640] = 0.95 * 10 ** -np.kron(densities, np.ones((60, 60)))
    light = gaussian_filter(light, 0.8)
    codes = np.rint(light ** (1 / 2.2) * 255).astype(np.uint8)
    Image.fromarray(codes).save(tmp_path / "scan.tif")
    plate = '[[plate]]\nid = "a"\ncaptures = ["scan.tif"]\n'
    (tmp_path / "session.toml").write_text(plate, encoding="utf-8")
    shown = ReviewTable(tmp_path).shown("a")
    shown = replace(shown, pixels=replace(shown.pixels, errors=DensityErrors()))  # rounding alone
    # Bare light, from which densities count, reads the nearest code: that is common to all fields.
    bare = (np.rint(0.95 ** (1 / 2.2) * 255) / 255) ** 2.2 / 0.95
    assert shown.pixels.found.surround == "bright"
    errors, stated = [], []
    for row in range(8):
        for column in range(10):
            top, left = 60 + 60 * row, 60 + 60 * column
            told = read_rectangle(shown, "captured", (top, left, top + 20, left + 20))
            assert told is not None and told["density"] is not None
            errors.append(told["density"] - densities[row, column] - np.log10(bare))
            stated.append(told["sigma"])
    share = np.mean(np.abs(errors) <= np.array(stated) + 0.0005)  # both are told to 0.001 D
    assert 0.6 < share <= 0.95 and min(stated) > 0
