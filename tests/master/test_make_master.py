"""Archive masters, read back by Pillow, imagecodecs and pyexiv2, against the simulator's truth."""

from __future__ import annotations

import hashlib
import re
from dataclasses import replace
from pathlib import Path

import imagecodecs
import numpy as np
import pytest
import tifffile
from PIL import Image

from platebench.core.settings import PlateSettings, ScanSettings
from platebench.master.cut import linear_codes
from platebench.master.make_master import MasterResult, master_plate
from platebench.master.steps import Event
from platebench.plate.job import PlateJob
from platebench.plate.light import light_from_blanks
from platebench.plate_log.entry import LogEntry
from platebench.read.capture import read_capture
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


ENTRY = LogEntry(plate_id="plate", title="Mill & weir", place="Mill Lane", date="1893~")


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


def test_every_code_up_to_density_3_recovers_density_to_half_a_hundredth() -> None:
    """check-values section 9 (a): D -> T -> code -> D, error < 0.005 for D <= 3."""
    density = np.linspace(0.0, 3.0, 30_001)
    codes = linear_codes((10**-density).astype(np.float32)[None, :])[0]
    assert np.abs(-np.log10(codes / 60_000) - density).max() < 0.005


def test_codes_at_the_ends() -> None:
    through = np.array([[1.0, 65534 / 60000, 1.2, -0.001, np.float32(1e-9)]], np.float32)
    valid = np.array([[True, True, True, True, True]])
    assert linear_codes(through, valid).tolist() == [[60000, 65534, 65535, 0, 0]]
    assert linear_codes(through, ~valid).tolist() == [[65535] * 5]


def test_pixels_are_the_camera_s_own_sites_and_nothing_else_was_done(tmp_path: Path) -> None:
    """The quotient by hand, from the two raw files alone: no resampling, no turn, no tone."""
    flat = LightBox(uneven=0.0, vignette=0.0)
    job, _ = job_of(tmp_path, box=flat, camera=replace(STILL, shot_noise=True))
    made = master_plate(job, tmp_path / "master.tif")
    (top, bottom), (left, right) = (
        next(e for e in made.events if e.step == "cut").figures[key] for key in ("rows", "columns")
    )
    plate, blank = (
        read_capture(tmp_path / f"{name}.dng").counts[top:bottom, left:right].astype(float) - 2048
        for name in ("plate", "blank")
    )
    by_hand = np.empty_like(plate)
    for row, column in np.ndindex(2, 2):  # the light is even: one figure for each kind of site
        sites = np.s_[row::2, column::2]
        by_hand[sites] = plate[sites] / np.median(blank[sites])
    with Image.open(made.path) as image:
        codes = np.asarray(image, np.float64)
    # 0.3 % for what the smoothed blank is out by; noise from site to site is three times that, so
    # a picture that had been resampled, or moved by one site, would not pass.
    away = np.abs(codes / 60_000 - by_hand) / by_hand
    bright = by_hand > 0.5
    assert away[bright].max() < 0.003
    assert np.abs(np.diff(by_hand, axis=1))[bright[:, 1:]].mean() > 0.006


def test_the_whole_edge_and_some_light_around_it_are_kept(tmp_path: Path) -> None:
    job, simulation = job_of(tmp_path)
    made = master_plate(job, tmp_path / "master.tif")
    cut = next(event for event in made.events if event.step == "cut").figures
    corners = np.array(cut["corners"])
    place = np.array([cut["rows"][0], cut["columns"][0]])
    np.testing.assert_allclose(corners + place, simulation.corners, atol=1.0)
    rows, columns = made.size
    assert corners.min() >= 8
    assert (corners[:, 0] <= rows - 9).all() and (corners[:, 1] <= columns - 9).all()


def test_a_doubtful_plate_is_kept_whole(tmp_path: Path) -> None:
    job, _ = job_of(tmp_path, camera=replace(STILL, offset=(0.3, 0.2)))
    made = master_plate(job, tmp_path / "master.tif")
    assert made.size == STILL.shape
    cut = next(event for event in made.events if event.step == "cut")
    assert cut.outcome == "warning"
    assert cut.figures["doubts"]
    with Image.open(made.path) as image:
        assert "whole capture" in image.tag_v2[270]
        assert image.tag_v2[296] == 1  # no scale where the corners are in doubt
    kept, _ = job_of(tmp_path / "kept", crop=False)
    assert master_plate(kept, tmp_path / "kept.tif").size == STILL.shape


def test_clipped_sites_say_so(tmp_path: Path) -> None:
    job, simulation = job_of(tmp_path)
    long = simulate_plate(TABLET, BOX, STILL, exposure_s=4 * EXPOSURE_S, seed=5).frame
    write_dng(tmp_path / "plate.dng", long)
    made = master_plate(
        replace(job, settings=replace(job.settings, crop=False)), tmp_path / "m.tif"
    )
    with Image.open(made.path) as image:
        codes = np.asarray(image)
    clipped = long.counts >= long.white
    assert 0.1 < clipped.mean() < 0.9
    assert (codes[clipped] == 65535).all()
    below = codes[~clipped & (simulation.transmittance < 1.0)]
    assert (below < 65535).mean() > 0.9999


STAINED = replace(TABLET, stain=(0.0, 0.05, 0.14), veil=(0.0, 0.02, 0.06))


def step_of(made: MasterResult, name: str) -> Event | None:
    return next((event for event in made.events if event.step == name), None)


def test_a_stained_plate_in_grey_is_what_green_light_sees_and_says_so(tmp_path: Path) -> None:
    job, _ = job_of(tmp_path, STAINED)
    made = master_plate(job, tmp_path / "master.tif")
    with Image.open(made.path) as image:
        codes, said = np.asarray(image, np.float64), image.tag_v2[270]
    assert "green light" in said
    stain = step_of(made, "stain")
    assert stain is not None and stain.outcome == "warning"
    truth = simulate_plate(STAINED, BOX, STILL, exposure_s=EXPOSURE_S, seed=5).transmittance
    (top, bottom), (left, right) = (step_of(made, "cut").figures[k] for k in ("rows", "columns"))
    truth = truth[top:bottom, left:right]
    light = codes[4, 4:-4]  # the margin: nothing there is stained
    assert np.abs(light / 60_000 - 1).max() < 0.01
    # RGGB: green sites are as they were, and the others agree with their green neighbours.
    first = (top + left) % 2
    for row in (90, 250, 420):
        for column in (120, 350, 560):
            there = np.s_[row : row + 12, column : column + 12]
            rows, columns = np.indices((12, 12))
            green = (rows + columns + row + column + first) % 2 == 1
            if np.ptp(np.log10(truth[there][green])) > 0.02:
                continue  # a step's edge
            means = codes[there][green].mean(), codes[there][~green].mean()
            assert np.log10(means[0] / means[1]) == pytest.approx(0, abs=0.006)
            assert means[0] / 60_000 == pytest.approx(truth[there][green].mean(), rel=0.01)


def test_48_bits_keep_the_stain_in_red_green_and_blue(tmp_path: Path) -> None:
    job, _ = job_of(tmp_path, STAINED)
    made = master_plate(job, tmp_path / "master.tif", colour=True)
    codes = imagecodecs.tiff_decode(made.path.read_bytes())
    assert codes.dtype == np.uint16
    assert codes.shape == (*made.size, 3)
    assert made.channels == 3
    middle = codes[made.size[0] // 2 - 10 :, made.size[1] // 2 - 10 :][:20, :20]
    density = -np.log10(middle.reshape(-1, 3).mean(axis=0) / 60_000)
    # The tablet's middle step is 0.05 + 10 x 0.15 = 1.55 of silver over glass of 0.04.
    silver = 1.55 - PlateModel().glass_density
    expected = [1.55 + silver * s + v for s, v in zip(STAINED.stain, STAINED.veil, strict=True)]
    np.testing.assert_allclose(density, expected, atol=0.02)
    assert step_of(made, "separate colours") is not None
    assert b"for red, green and blue each" in made.path.read_bytes()


def test_a_capture_without_colour_stays_grey(tmp_path: Path) -> None:
    job, _ = job_of(tmp_path, camera=replace(STILL, cfa="MONO"))
    assert master_plate(job, tmp_path / "master.tif", colour=True).channels == 1


def test_the_same_plate_gives_the_same_bytes(tmp_path: Path) -> None:
    job, _ = job_of(tmp_path)
    first = master_plate(job, tmp_path / "one.tif", entry=ENTRY)
    second = master_plate(job, tmp_path / "two.tif", entry=ENTRY)
    assert first.path.read_bytes() == second.path.read_bytes()
    assert first.preview.read_bytes() == second.preview.read_bytes()
    assert first.events == second.events


def test_the_digest_is_that_of_the_pixels_as_another_reader_sees_them(tmp_path: Path) -> None:
    job, _ = job_of(tmp_path)
    made = master_plate(job, tmp_path / "master.tif")
    packed = master_plate(job, tmp_path / "packed.tif", compression="deflate")
    for path in (made.path, packed.path):
        pixels = imagecodecs.tiff_decode(path.read_bytes())
        assert hashlib.sha256(pixels.astype("<u2").tobytes()).hexdigest() == made.pixels_sha256
    assert packed.pixels_sha256 == made.pixels_sha256
    # An edited tag is told from damaged pixels.
    edited = made.path.read_bytes().replace(b"Archive master", b"archive MASTER")
    assert (
        hashlib.sha256(imagecodecs.tiff_decode(edited).tobytes()).hexdigest() == made.pixels_sha256
    )


def test_light_that_changed_since_the_blank_is_taken_into_account_and_said(tmp_path: Path) -> None:
    job, _ = job_of(tmp_path)
    brighter = replace(BOX, brightness=BOX.brightness * 1.05)
    frame = simulate_plate(TABLET, brighter, STILL, exposure_s=EXPOSURE_S, seed=5).frame
    write_dng(tmp_path / "plate.dng", frame)
    made = master_plate(job, tmp_path / "master.tif")
    level = step_of(made, "level")
    assert level is not None and level.figures["level"] == pytest.approx(1.05, abs=0.003)
    with Image.open(made.path) as image:
        margin = np.asarray(image, np.float64)[3:6, 10:-10]
    assert margin.mean() / 60_000 == pytest.approx(1, abs=0.003)


@pytest.mark.parametrize("channels", [1, 3])
def test_scans_are_masters_of_the_scanner_s_own_light(tmp_path: Path, channels: int) -> None:
    rows, columns = np.indices((60, 90))
    values = (3000 + rows * 500 + columns * 300).astype(np.uint16)
    scan = values if channels == 1 else np.stack([values] * 3, axis=-1)
    tifffile.imwrite(tmp_path / "scan.tif", scan, photometric="rgb" if channels == 3 else None)
    expected = 60_000 * values.astype(np.float64) / 65_535
    settings = PlateSettings(id="plate", captures=("scan.tif",), crop=False)
    job = PlateJob(
        folder=tmp_path, output=tmp_path, settings=settings, scan=ScanSettings(gamma=1.0)
    )
    made = master_plate(job, tmp_path / "master.tif")
    with Image.open(made.path) as image:
        codes = np.asarray(image, np.float64)
    np.testing.assert_allclose(codes, expected, atol=1.0)
    colours = master_plate(job, tmp_path / "colours.tif", colour=True)
    assert colours.channels == channels
    if channels == 3:
        with tifffile.TiffFile(colours.path) as tif:
            np.testing.assert_allclose(tif.pages[0].asarray()[..., 2], expected, atol=1.0)
