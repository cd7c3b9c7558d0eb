"""What is said to be known of a density, against captures whose truth is known."""

from __future__ import annotations

import csv
import importlib.util
import io
import math
import sys
from dataclasses import replace
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

from platebench.core.installed import profiles_folder
from platebench.core.settings import PlateSettings
from platebench.measure.density_errors import DensityErrors, GlareError
from platebench.measure.spot import Spot, SpotReading, open_probe, read_spots
from platebench.plate.calibration import Calibration
from platebench.plate.glare_evidence import session_glare
from platebench.plate.job import PlateJob
from platebench.plate.light import light_from_blanks
from platebench.plate.look import look_at_plate
from platebench.plate.record import PlateRecord, record_from_json
from platebench.session.convert_plate import convert_plate, measure_view
from platebench.session.measure_session import PlateReadings, readings_text
from platebench.synthetic import (
    CameraModel,
    LightBox,
    PlateModel,
    StepTablet,
    simulate_blank,
    simulate_box_off,
    simulate_card,
    simulate_plate,
    write_dng,
)
from platebench.tone.profile_file import load_tone

CAMERA = CameraModel(shape=(420, 600))
TOO_MUCH = 0.005  # glare of the bare light that a session's card and room show
BENCH = Path(__file__).parents[2] / "bench" / "coverage.py"


def job(folder: Path, plate: PlateModel, *, glare: float, told: float | None) -> PlateJob:
    """Return a plate's job; ``told``: the glare when card and room were captured."""
    box = LightBox(glare=glare)
    taken = simulate_plate(plate, box, CAMERA, exposure_s=1 / 16, seed=5)
    write_dng(folder / "p.dng", taken.frame)
    light = light_from_blanks([simulate_blank(box, CAMERA, exposure_s=1 / 16, seed=6)])
    if told is not None:
        then = LightBox(glare=told)
        card = simulate_card(then, CAMERA, exposure_s=1 / 16, seed=7)
        off = simulate_box_off(then, CAMERA, exposure_s=4, seed=8)
        light = replace(light, glare=session_glare(light, None, cards=[card], boxes_off=[off]))
    return PlateJob(
        folder=folder,
        output=folder,
        settings=PlateSettings(id="p", captures=("p.dng",), format="9x12 cm", emulsion="light"),
        light=light,
    )


@pytest.fixture(scope="module")
def bench() -> ModuleType:
    """Return ``bench/coverage.py``; by its path, for a library bears the same name."""
    spec = importlib.util.spec_from_file_location("bench_coverage", BENCH)
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module  # dataclasses look their module up
    spec.loader.exec_module(module)
    return module


# Physics that the errors do not know: six shapes of glare, a lamp and a lens that change.
@pytest.mark.big
@pytest.mark.parametrize("condition", ["light", "light, mask", "bright", "strip", "calibrated"])
def test_stated_errors_hold_the_truth(bench: ModuleType, condition: str, tmp_path: Path) -> None:
    found = bench.Found()
    rng = np.random.default_rng(20)
    for number in range(6):
        bench.session(tmp_path, condition, number, rng, found)
    true, error, sigma = np.array(found.readings).T
    pull = np.abs(error / sigma)
    assert true.size > 60
    # Twelve fields share what went wrong in their session: six sessions say no more than this.
    assert np.mean(pull <= 2) >= 0.9
    assert np.mean(pull <= 1) >= 0.55
    assert all(bound <= true for true, bound in found.bounds)


DENSE = (2.3, 2.5, 2.7, 2.9)


def in_the_dark(folder: Path) -> list[SpotReading]:
    """Return readings of ``DENSE``; the room was darkened after its light had been captured."""
    target = StepTablet(densities=(0.3, 0.6, *DENSE), grid=(2, 3), size_mm=(60.0, 90.0))
    plate = PlateModel(size_mm=(90.0, 120.0), target=target, grain_um=0.0)
    places = target.centres_mm()[2:] + np.array([45.0, 60.0])
    spots = [Spot(x=x, y=y, size=8.0, unit="mm") for y, x in places]
    return read_spots(open_probe(job(folder, plate, glare=0.002, told=TOO_MUCH)), spots)


def test_glare_of_another_frame_does_not_make_a_bound_too_high(tmp_path: Path) -> None:
    """Card and room had 0.5 % where the plate has 0.2 %. D 2.5 is no "at least 4"."""
    for reading, true in zip(in_the_dark(tmp_path), DENSE, strict=True):
        assert reading.at_least is not None and true - 1.0 < reading.at_least < true
        assert reading.reason in ("too dense", "uncertain")
        if reading.density is not None and reading.sigma is not None:
            assert abs(reading.density - true) < 2 * reading.sigma


@pytest.mark.parametrize(("read", "left_on"), [(1.0, 0.004), (2.0, 0.004), (2.4, 0.003)])
def test_glare_left_on_counts_by_the_density_without_it(read: float, left_on: float) -> None:
    """By hand: T of D 2.0 is 0.01; without 0.4 % (of what is not lit) 0.00604 is left, D 2.219."""
    through = 10**-read
    stated = DensityErrors(glare=GlareError(left_on=left_on)).glare_sigma(read)
    assert read + stated == pytest.approx(-math.log10(through - left_on * (1 - through)), abs=1e-4)
    assert DensityErrors(glare=GlareError(left_on=0.5)).glare_sigma(read) == pytest.approx(1.0)


@pytest.mark.parametrize("density", [0.3, 1.2, 2.4])
def test_parts_make_the_whole(density: float) -> None:
    errors = DensityErrors(
        calibration=Calibration(callier=1.2, callier_sigma=0.01),
        light=0.004,
        linearity=0.005,
        glare=GlareError(sigma=1e-3),
    )
    whole = errors.systematic_sigma(density)
    callier = density * 0.01 / 1.2  # dD/dQ = -D / Q
    parts = (errors.light_sigma(density), errors.glare_sigma(density), callier)
    assert whole == pytest.approx(math.sqrt(sum(part**2 for part in parts)))


def test_errors_of_glare_by_the_light_that_comes_through() -> None:
    errors = GlareError(terms=(4e-6, 3e-6, 9e-6))
    assert errors.taken_off(0.0) == pytest.approx(2e-3)
    assert errors.taken_off(0.5) == pytest.approx(math.sqrt(4e-6 - 3e-6 + 9e-6 / 4))
    assert GlareError(sigma=1e-3).taken_off(0.25) == pytest.approx(7.5e-4)


def test_a_bound_follows_each_error() -> None:
    """By hand: T 0.0001, noise 0.0001, glare 0.001 taken off: D of 0.0001 + 2 x 0.001005."""
    plain = DensityErrors()
    assert plain.at_least(1e-4, 1e-4) == pytest.approx(-math.log10(3e-4))
    known = DensityErrors(glare=GlareError(sigma=1e-3))
    assert known.at_least(1e-4, 1e-4) == pytest.approx(-math.log10(2.11e-3), abs=0.001)
    # What was left on the picture makes a place too thin only: the bound holds as it is.
    assert DensityErrors(glare=GlareError(left_on=1e-3)).at_least(1e-4, 1e-4) == pytest.approx(
        plain.at_least(1e-4, 1e-4)
    )
    callier = Calibration(callier=1.0, callier_sigma=0.05)
    through = DensityErrors(calibration=callier).at_least(1e-4, 1e-4)
    d = -math.log10(3e-4)
    assert through == pytest.approx(d - 2 * 0.05 * d)


def test_without_effects_densities_are_what_they_were() -> None:
    """D = -log10 T, whatever the error; and told from darkness by noise alone."""
    wide = DensityErrors(light=0.01, linearity=0.01, glare=GlareError(left_on=0.01))
    for errors in (DensityErrors(), wide):
        assert errors.density(0.01, 1e-4) == pytest.approx(2.0)
        assert errors.density(0.01, 0.0051) is None
    assert wide.bound(0.01, 1e-4) is None


@pytest.mark.parametrize(("glare", "sure"), [(0.0, True), (0.004, False)])
def test_dmax_of_a_plate_is_a_bound_where_it_is_lost_in_the_dark(
    tmp_path: Path, glare: float, sure: bool
) -> None:
    target = StepTablet(densities=(0.3, 0.6, 1.2, 2.8), grid=(2, 2), size_mm=(80.0, 110.0))
    plate = PlateModel(size_mm=(90.0, 120.0), target=target, grain_um=0.0)
    work = job(tmp_path, plate, glare=glare, told=None if sure else TOO_MUCH)
    found = measure_view(look_at_plate(work))
    assert found.d_max_sigma is not None and found.base_fog_sigma is not None
    assert abs(found.d_max - 2.8) < 2 * found.d_max_sigma
    if sure:
        assert found.d_max_at_least is None and found.d_max == pytest.approx(
            2.8, abs=0.06
        )  # noise, too
    else:
        assert found.d_max_at_least is not None and 2.0 < found.d_max_at_least < 2.8
        assert found.d_max > 2.9  # as it reads, which is wrong


def test_every_figure_of_a_record_has_its_error(tmp_path: Path) -> None:
    """Base plus fog, Dmax, range and the densities that print to the paper's ends."""
    target = StepTablet(densities=(0.3, 0.6, 1.2, 2.0), grid=(2, 2), size_mm=(80.0, 110.0))
    plate = PlateModel(size_mm=(90.0, 120.0), target=target, grain_um=0.0)
    work = job(tmp_path, plate, glare=0.004, told=None)
    work = replace(work, tone=load_tone("neutral", [profiles_folder() / "tone"]))
    for path in (work.positive, work.preview):
        path.parent.mkdir(parents=True, exist_ok=True)
    record = convert_plate(work).record
    found, printed = record.densities, record.printed
    assert found is not None and printed is not None
    ends = (found.d_min, found.d_max)
    assert (printed.black_at, printed.white_at) == pytest.approx(ends, abs=1e-3)
    # Nothing opaque shows 0.4 % of glare: T 0.01 is read as 0.014, and the error says so.
    assert found.d_max_sigma is not None and found.density_range_sigma is not None
    assert 1.8 < found.d_max < 1.9 and found.d_max_sigma > 0.06
    assert found.density_range_sigma >= found.d_max_sigma
    assert printed.white_at_sigma == pytest.approx(found.d_max_sigma, abs=2e-3)
    assert printed.black_at_sigma is not None and 0 < printed.black_at_sigma < 0.01


def test_what_is_uncertain_is_written_so(tmp_path: Path) -> None:
    bound = next(reading for reading in in_the_dark(tmp_path) if reading.reason == "uncertain")
    assert bound.at_least is not None
    done = PlateReadings(
        plate_id="p", readings=(bound,), steps=None, fog=None, calibrated=True, notes=()
    )
    row = readings_text(done).splitlines()[-1]
    assert f"uncertain: denser than {bound.at_least:.2f}" in row
    [value] = csv.DictReader(io.StringIO(done.to_csv()))
    assert float(value["at_least"]) == pytest.approx(bound.at_least, abs=1e-4)
    assert value["glare_sigma"] and value["light_sigma"]


def test_a_bound_is_shown_as_one() -> None:
    measured = {
        "base_fog": 0.2, "base_fog_from": "rebate", "d_min": 0.3, "d_max": 3.1, "density_range": 2.8
    }  # fmt: skip
    record = {"d_max": 3.1, "density_range": 2.8, "densities": measured | {"d_max_at_least": 2.4}}
    assert record_from_json(record).dense_end == pytest.approx((2.4, 2.1, True))
    for known in (measured | {"d_max_at_least": None}, measured):  # the last: an earlier version's
        assert record_from_json(record | {"densities": known}).dense_end == (3.1, 2.8, False)
    assert PlateRecord().dense_end is None
