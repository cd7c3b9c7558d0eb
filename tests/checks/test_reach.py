"""How deep densities are known and what would gain most: by arithmetic, and on captures."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import pytest

from platebench.core.settings import PlateSettings
from platebench.measure.checks.check_capture import check_capture, with_reach
from platebench.measure.checks.reach import SetUp, judge_reach, reach_of, set_up_of
from platebench.measure.checks.verdict import Severity
from platebench.measure.density_errors import DensityErrors, GlareError
from platebench.plate.glare_evidence import session_glare
from platebench.plate.job import PlateJob
from platebench.plate.light import light_from_blanks
from platebench.plate.look import look_at_plate
from platebench.plate.noise_model import NoiseModel
from platebench.synthetic import (
    SIX_LAWS,
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

QUIET = NoiseModel(gain=1.0, read_variance=0.0, source="by hand")


def test_by_noise_alone() -> None:
    """Counts of N electrons err by sqrt(N): 0.4343 / sqrt(N) D. 100 sites of 10,000 each."""
    set_up = SetUp(errors=DensityErrors(), glare=0.0, own=1.0, cards=None)
    reach = reach_of(set_up, QUIET, 10_000.0)
    for within, found in zip((0.02, 0.05), reach.now, strict=True):
        exact = math.log10(1e6 * (within * math.log(10)) ** 2)
        assert found == pytest.approx(exact, abs=0.03)
    assert reach.change == "" and judge_reach(reach).severity is Severity.GOOD


def test_glare_alone_and_what_each_change_gains() -> None:
    """A standard error g of T is g / (T ln 10) D."""
    left = DensityErrors(glare=GlareError(left_on=0.002))
    set_up = SetUp(errors=left, glare=0.002, own=1.0, cards=None)
    known = reach_of(set_up, QUIET, 1e9)
    for within, found in zip((0.02, 0.05), known.now, strict=True):
        # (1 - T) of it counts.
        exact = -math.log10(0.002 / (within * math.log(10) + 0.002))
        assert found == pytest.approx(exact, abs=0.03)
    carded = reach_of(replace(set_up, cards=0), QUIET, 1e9)
    assert "card" in carded.change and carded.then[1] > carded.now[1] + 0.8
    masked = reach_of(replace(set_up, own=0.05), QUIET, 1e9)
    assert "light box" in masked.change
    assert masked.then[1] == pytest.approx(known.now[1] + math.log10(20), abs=0.05)
    noisy = reach_of(replace(set_up, errors=DensityErrors(), glare=0.0, cards=2), QUIET, 100.0)
    assert "bracket" in noisy.change
    assert noisy.then[1] - noisy.now[1] == pytest.approx(math.log10(21), abs=0.05)


def test_of_a_capture_with_and_without_a_card(tmp_path: Path) -> None:
    camera, exposure_s = CameraModel(shape=(304, 456), fill=0.7), 1 / 16
    box = LightBox(stray=replace(SIX_LAWS["gaussian"], total=0.006))
    target = StepTablet(densities=(0.3, 1.2, 2.4), grid=(1, 3), size_mm=(60.0, 90.0))
    plate = PlateModel(target=target, grain_um=0.0)
    shot = simulate_plate(plate, box, camera, exposure_s=exposure_s, seed=6).frame
    write_dng(tmp_path / "p.dng", shot)
    light = light_from_blanks([simulate_blank(box, camera, exposure_s=exposure_s, seed=1)])
    card = simulate_card(box, camera, exposure_s=exposure_s, seed=2, aside=0.1)
    off = simulate_box_off(box, camera, exposure_s=64 * exposure_s, seed=3)
    known = replace(light, glare=session_glare(light, None, cards=[card], boxes_off=[off]))
    found = {}
    for name, lit in (("without", light), ("with", known)):
        job = PlateJob(
            folder=tmp_path,
            output=tmp_path,
            settings=PlateSettings(id="p", captures=("p.dng",), emulsion="light"),
            light=lit,
        )
        view = look_at_plate(job)
        check = check_capture(shot, light=lit, found=view.found, noise=QUIET, glare=view.glare)
        reach = with_reach(check, set_up_of(view)).figures.reach
        assert reach is not None and reach.now[0] < reach.now[1]
        found[name] = reach
    assert found["with"].now[1] > found["without"].now[1] + 0.4
    # What is promised of card or mask is not far from what card and mask do.
    assert found["without"].change and found["without"].then[1] > found["without"].now[1] + 0.4
