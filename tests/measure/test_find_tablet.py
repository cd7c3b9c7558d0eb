"""Step tablets are found however they lie; pictures are not taken for tablets."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from platebench.core.errors import TabletError
from platebench.core.image import PlateImage
from platebench.measure.tablet.find_tablet import find_tablet
from platebench.measure.tablet.read_tablet import read_tablet
from platebench.plate.flatten import transmittance_from_counts
from platebench.synthetic import CameraModel, LightBox, PlateModel, photograph, true_transmittance
from platebench.synthetic.scene import SCENES
from platebench.synthetic.targets import TABLET_21

from ..refusals import refused
from ..tablet_scenes import (
    BOX,
    CAMERA,
    EXPOSURE_S,
    TABLET_31,
    WEDGE_S2,
    light,
    seen,
    seen_through,
    strip,
    wedge_plate,
)

DARK = replace(BOX, surround="dark")


def densities_at(found: object, truth: np.ndarray) -> np.ndarray:
    """Return the true density in the middle of each step that was found."""
    middles = np.rint(found.quads.mean(axis=1)).astype(int)  # type: ignore[attr-defined]
    return -np.log10(truth[middles[:, 0], middles[:, 1]])


@pytest.mark.parametrize(
    ("densities", "box"),
    [(TABLET_21, BOX), (TABLET_31, DARK)],
    ids=["21-bright", "31-dark"],
)
@pytest.mark.parametrize(
    ("tilt", "turned", "across"),
    [
        (0, False, False),
        (8.5, True, False),
        (-10, False, False),
        (3, False, True),
        (-9, True, True),
    ],
)
def test_every_step_is_found_where_it_is(
    densities: tuple[float, ...], tilt: float, turned: bool, across: bool, box: LightBox
) -> None:
    plate = strip(
        densities[::-1] if turned else densities, size_mm=(127.0, 12.7) if across else (12.7, 127.0)
    )
    camera = CameraModel(shape=(760, 1000), tilt_deg=tilt, fill=0.8)
    truth = true_transmittance(plate, box, camera, seed=3)
    found = find_tablet(seen_through(truth, box, camera, seed=3))
    assert found is not None and found.ends == ("seen", "seen")
    # All steps, thinnest first; at most one end step is lost against a black card.
    assert len(densities) - (box is DARK) <= found.steps <= len(densities)
    first = densities.index(round(float(densities_at(found, truth)[0]), 2))
    assert densities_at(found, truth) == pytest.approx(
        densities[first : first + found.steps], abs=0.002
    )
    # 0.3 degrees move the ends of a strip ten times as long as wide by 3 % of its width; the
    # outer 19 % are not read.
    expected = (tilt + (90 if across else 0) + (180 if turned else 0) + 180) % 360 - 180
    assert (found.angle_deg - expected + 180) % 360 - 180 == pytest.approx(0, abs=0.3)


@pytest.mark.parametrize("side", [-0.24, 0.24], ids=["thin", "dense"])
def test_cropped_at_the_border(side: float) -> None:
    camera = replace(CAMERA, offset=(0.1, side), tilt_deg=2)
    truth = true_transmittance(strip(), BOX, camera, seed=1)
    found = find_tablet(seen_through(truth, BOX, camera, seed=1))
    assert found is not None
    assert found.ends == (("frame", "seen") if side < 0 else ("seen", "frame"))
    at = densities_at(found, truth)
    assert 14 <= found.steps <= 19 and np.diff(at) == pytest.approx(0.15, abs=0.003)


def test_missing_end_steps() -> None:
    found = find_tablet(seen(strip(TABLET_21[3:17], size_mm=(12.7, 85.0))))
    assert found is not None and found.steps == 14


def test_dust_and_scratches() -> None:
    found = find_tablet(seen(strip(dust=80, scratches=4), seed=5))
    assert found is not None and found.steps == 21


@pytest.mark.parametrize(("scene", "box"), [("facade", BOX), ("fern", DARK)])
def test_beside_a_plate(scene: str, box: LightBox) -> None:
    camera = CameraModel(shape=(800, 1200))
    above = replace(camera, fill=0.62, offset=(-0.14, -0.1), tilt_deg=1.5)
    below = replace(camera, fill=0.7, offset=(0.34, 0.0), tilt_deg=-3)
    plate = true_transmittance(PlateModel(scene=scene, dust=4), box, above, seed=4)
    tablet = true_transmittance(strip(), box, below, seed=5)
    together = plate * tablet if box is BOX else np.maximum(plate, tablet)
    found = find_tablet(seen_through(together, box, camera, seed=6))
    assert found is not None and found.steps == 21
    assert densities_at(found, together) == pytest.approx(TABLET_21, abs=0.003)


@pytest.mark.parametrize("cfa", ["MONO", "XTRANS", "GBRG"])
def test_any_filter_pattern(cfa: str) -> None:
    found = find_tablet(seen(strip(), camera=replace(CAMERA, cfa=cfa, tilt_deg=4)))
    assert found is not None and found.steps == 21


@pytest.mark.parametrize("box", [LightBox(), LightBox(surround="dark")], ids=["bright", "dark"])
def test_a_wedge_printed_on_a_plate(box: LightBox) -> None:
    # The emulsion's curve squeezes the steps: 0.15 in the tablet, 0.03 to 0.10 on the plate.
    camera = CameraModel(shape=(900, 1200), tilt_deg=3)
    reading = read_tablet(seen(wedge_plate(dust=6), box, camera), Path("wedge.dng"))
    read = [step.density for step in reading.steps]
    assert read == pytest.approx(WEDGE_S2[::-1], abs=0.005)


@pytest.mark.parametrize("scene", [*SCENES, None])
def test_a_picture_is_no_tablet(scene: str | None) -> None:
    camera = replace(CAMERA, tilt_deg=1)
    assert find_tablet(seen(PlateModel(scene=scene, dust=3), LightBox(), camera)) is None


def test_no_tablet_is_an_error() -> None:
    with refused(TabletError, path=Path("bare.dng")):
        read_tablet(seen(PlateModel(scene=None)), Path("bare.dng"))


def under_another_lamp(times: float) -> PlateImage:
    """Return a tablet under a lamp of another brightness than the blank's."""
    lamp = replace(BOX, brightness=8.0)  # low enough for half as much again not to clip
    truth = true_transmittance(strip(), lamp, CAMERA, seed=1)
    changed = replace(lamp, brightness=8.0 * times)
    frame = photograph(truth, changed, CAMERA, exposure_s=EXPOSURE_S, seed=1)
    return transmittance_from_counts(frame, light(lamp, CAMERA))


@pytest.mark.parametrize(("times", "said"), [(0.75, "-25%"), (1.04, "+4%"), (1.35, "+35%")])
def test_bare_light_that_changed_is_allowed_for(times: float, said: str) -> None:
    reading = read_tablet(under_another_lamp(times), Path("t.dng"))
    assert reading.found.level == pytest.approx(times, rel=0.003)
    # check-values section 9: T_measured = (T + g) / (1 + g).
    expected = -np.log10((10 ** -np.array(TABLET_21) + 0.005) / 1.005)
    assert [step.density for step in reading.steps] == pytest.approx(expected, abs=0.01)
    assert f"bare light changed by {said}" in reading.notes[0]


@pytest.mark.parametrize("times", [0.3, 0.5, 0.65, 1.5, 1.9])
def test_bare_light_that_changed_by_over_half_a_stop_is_refused(times: float) -> None:
    with refused(TabletError, path=Path("t.dng")) as caught:
        read_tablet(under_another_lamp(times), Path("t.dng"))
    found = re.search(r" in (\S+) times ", str(caught.value))
    assert found is not None and float(found[1]) == pytest.approx(times, abs=0.01)


def test_a_scan_of_three_channels() -> None:
    image = seen(strip(TABLET_31), camera=replace(CAMERA, cfa="MONO", tilt_deg=2))
    scan = PlateImage(pixels=np.repeat(image.pixels[:, :, None], 3, axis=2))
    reading = read_tablet(scan, Path("scan.tif"))
    assert reading.found.steps == 31
    # check-values section 9: T_measured = (T + g) / (1 + g).
    expected = -np.log10((10 ** -np.array(TABLET_31) + 0.005) / 1.005)
    assert [step.blue for step in reading.steps] == pytest.approx(expected, abs=0.01)
