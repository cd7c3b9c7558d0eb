"""A wedge's steps keep their numbers, and so the plate its speed, or the tool asks."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from platebench.core.errors import SpotError
from platebench.core.settings import PlateSettings
from platebench.measure.spot import Spot, open_probe
from platebench.measure.wedge import WedgeReading, read_wedge
from platebench.plate.job import PlateJob
from platebench.sensitometry import figures_of, pair_readings, speeds_of
from platebench.synthetic import CameraModel, LightBox, StepTablet, simulate_plate, write_dng
from platebench.synthetic.targets import TABLET_21

from ..sensitometry.reference_plate import density
from ..tablet_scenes import EXPOSURE_S, light, wedge_plate

BOX = LightBox()
CAMERA = CameraModel(shape=(700, 1050))
FOG = Spot(x=60, y=10, size=4, unit="mm")


def read(
    folder: Path,
    bare_log_h: float,
    *,
    first_step: int | None = None,
    surround: float = 0.10,
    camera: CameraModel = CAMERA,
    **settings: object,
) -> WedgeReading:
    """Read the reference plate through the 21-step tablet, at any exposure."""
    plate = wedge_plate()
    target = StepTablet(
        densities=tuple(density(bare_log_h - np.array(TABLET_21)).round(4).tolist()),
        grid=(1, 21),
        size_mm=(20.0, 105.0),
        surround=surround,
    )
    taken = simulate_plate(
        replace(plate, target=target), BOX, camera, exposure_s=EXPOSURE_S, seed=3
    )
    write_dng(folder / "p.dng", taken.frame)
    chosen = PlateSettings(id="p", captures=("p.dng",), format="9x12 cm", emulsion="light")
    job = PlateJob(
        folder=folder,
        output=folder,
        settings=replace(chosen, **settings),  # type: ignore[arg-type]
        light=light(BOX, camera),
    )
    return read_wedge(
        open_probe(job), FOG if surround == 0.10 and not settings else None, first_step
    )


def speed_of(wedge: WedgeReading, bare_log_h: float) -> float:
    """Return the speed the curve gives, by the numbers of the steps."""
    steps = [(n, r) for n, r in wedge.steps if r.density is not None]
    readings = pair_readings(
        "p",
        [bare_log_h - TABLET_21[n - 1] for n, _ in steps],
        [r.density for _, r in steps],
        absolute=True,
        base_fog=0.10,
        base_fog_sigma=0.002,
    )
    point = speeds_of(figures_of(readings)).point
    assert point is not None
    return float(point.value.value)


def test_a_clear_dense_end_is_step_1(tmp_path: Path) -> None:
    wedge = read(tmp_path, 2.50)
    assert [n for n, _ in wedge.steps] == list(range(1, 22))
    assert "dense end" in wedge.note
    assert speed_of(wedge, 2.50) == pytest.approx(2.0, rel=0.02)  # S2, check values section 4


def test_steps_that_merge_on_the_shoulder_are_asked_for(tmp_path: Path) -> None:
    # 1.5 log units more: by the formula steps 1 to 6 lie within 0.004 D of the limit, 1.8820.
    bare = 4.00
    assert np.ptp(density(bare - np.array(TABLET_21[:6]))) < 0.004
    with pytest.raises(SpotError) as caught:
        read(tmp_path, bare)
    assert caught.value.settings == ("first_step",)
    # How many it sees of those that merge is its own affair: by its count the numbers are right.
    first = 22 - int(str(caught.value).split(" shows ")[1].split()[0])
    wedge = read(tmp_path, bare, first_step=first)
    true = density(bare - np.array(TABLET_21))
    for number, step in wedge.steps:
        assert step.density == pytest.approx(true[number - 1], abs=0.008)
    assert f"numbered from {first}, the densest, as you gave it" in wedge.note


def test_a_dense_end_beyond_the_frame_is_asked_for(tmp_path: Path) -> None:
    camera = replace(CAMERA, offset=(0.0, -0.12))
    with pytest.raises(SpotError, match="frame"):
        read(tmp_path, 2.50, camera=replace(camera, fill=0.95), crop=False)


@pytest.mark.big
@pytest.mark.parametrize("bare", [2.50, 2.80, 3.10])
def test_a_plate_black_around_the_tablet_has_right_numbers_or_none(
    tmp_path: Path, bare: float
) -> None:
    """Exposed without a mask: beyond step 1 lies what had no tablet at all, a little denser."""
    try:
        wedge = read(tmp_path, bare, surround=float(density(bare)))
    except SpotError as error:
        assert error.settings == ("first_step",)
        assert bare > 2.5
        return
    assert "21 steps" in wedge.note
    true = density(bare - np.array(TABLET_21))
    for number, step in wedge.steps:
        assert step.density == pytest.approx(true[number - 1], abs=0.008)


def test_an_opaque_surround_is_no_step(tmp_path: Path) -> None:
    wedge = read(tmp_path, 1.30, surround=2.6)
    assert wedge.steps[0][0] == 1 and "stands clear" in wedge.note
    assert speed_of(wedge, 1.30) == pytest.approx(2.0, rel=0.02)
