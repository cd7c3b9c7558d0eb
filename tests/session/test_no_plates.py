"""Captures that show no plate: no light, stain or density is stated that there is not."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from platebench.core.errors import NoDensitiesError, NoLightReferenceError
from platebench.core.image import SensorFrame
from platebench.plate.densities import BELOW_NOTHING, PlateDensities
from platebench.plate.finding.overview import overview_of
from platebench.plate.flatten import flatten
from platebench.plate.light import level_light
from platebench.plate.light_estimate import light_from_surround
from platebench.plate.stain import measure_stain
from platebench.plate.straighten import frame_corners
from platebench.printing.plate_range import read_plate_ranges
from platebench.read.capture import read_capture
from platebench.session.convert_session import convert_session
from platebench.session.measure_session import measure_session_plate
from platebench.synthetic import LightBox, simulate_blank, simulate_plate

from ..session_files import CAMERA, EXPOSURE_S, PLATES, put

RAWS = Path(__file__).resolve().parents[3] / "shared" / "data" / "raw"
PHOTOGRAPHS = sorted(path for path in RAWS.glob("*") if path.suffix != ".txt")
real = pytest.mark.skipif(not PHOTOGRAPHS, reason="no shared real files here")


def painted(frame: SensorFrame, colours: np.ndarray) -> SensorFrame:
    """Return a capture whose light is multiplied by a picture in colours, (M, N, 3)."""
    rows, columns = frame.shape
    tile = frame.pattern
    pattern = np.tile(tile, (rows // len(tile) + 1, columns // len(tile[0]) + 1))[:rows, :columns]
    factor = np.take_along_axis(colours, pattern[..., None].astype(np.intp), axis=2)[..., 0]
    black = float(frame.black.mean())
    return replace(frame, counts=(black + (frame.counts - black) * factor).astype(np.uint16))


def patches(shape: tuple[int, int], strength: float, seed: int) -> np.ndarray:
    """Return a scene's colours: patches about a tenth of the frame wide, each of its own hue."""
    rng = np.random.default_rng(seed)
    coarse = 10 ** rng.normal(0, strength, (10, 10, 3))
    down, across = (np.arange(n) * 10 // n for n in shape)
    return coarse[np.ix_(down, across)]


def a_plate(seed: int = 4) -> tuple[SensorFrame, np.ndarray]:
    shot = simulate_plate(PLATES["wide"], LightBox(), CAMERA, exposure_s=EXPOSURE_S / 2, seed=seed)
    return shot.frame, shot.corners


def test_surroundings_with_colours_are_no_light_box() -> None:
    frame, corners = a_plate()
    light_from_surround(frame, corners)  # the light box itself is one
    coloured = painted(frame, patches(frame.shape, 0.03, 1))
    with pytest.raises(NoLightReferenceError) as refused:
        light_from_surround(coloured, corners)
    assert "colours" in refused.value.why


def test_colours_of_a_scene_are_no_stain() -> None:
    frame, corners = a_plate()
    plain = measure_stain(overview_of(flatten(frame, level_light(frame))), corners)
    assert plain is not None and not plain.coloured
    scene = painted(frame, patches(frame.shape, 0.1, 2))
    seen = measure_stain(overview_of(flatten(scene, level_light(scene))), corners)
    assert seen is not None and seen.coloured and not seen.found


def test_a_stained_plate_is_still_stained() -> None:
    plate = replace(PLATES["wide"], stain=(0.0, 0.03, 0.1), veil=(0.0, 0.02, 0.06))
    shot = simulate_plate(plate, LightBox(), CAMERA, exposure_s=EXPOSURE_S / 2, seed=4)
    seen = measure_stain(overview_of(flatten(shot.frame, level_light(shot.frame))), shot.corners)
    assert seen is not None and seen.found and not seen.coloured


@real
@pytest.mark.parametrize("path", PHOTOGRAPHS, ids=lambda path: path.name)
def test_real_photographs_have_no_stain_and_no_light_box(path: Path) -> None:
    frame = read_capture(path)
    whole = frame_corners(frame.shape)
    seen = measure_stain(overview_of(flatten(frame, level_light(frame))), whole)
    assert seen is None or (seen.coloured and not seen.found)
    inner = frame_corners(frame.shape) * 0.7 + 0.15 * np.array(frame.shape)
    with pytest.raises(NoLightReferenceError):
        light_from_surround(frame, inner)


def test_densities_below_nothing_are_not_stated(tmp_path: Path) -> None:
    """A blank frame of a dimmer light: on a black mask nothing shows it but the plate itself."""
    box = LightBox(surround="dark", glare=0.0)
    plate = replace(PLATES["wide"], curve=replace(PLATES["wide"].curve, base_fog=0.02))
    shot = simulate_plate(plate, box, CAMERA, exposure_s=EXPOSURE_S / 2, seed=4)
    dim = simulate_blank(replace(box, brightness=9.6), CAMERA, exposure_s=EXPOSURE_S, seed=1)
    put(tmp_path / "blank.dng", dim)
    put(tmp_path / "a.dng", shot.frame)
    (tmp_path / "session.toml").write_text(
        '[light]\nblank = ["blank.dng"]\n[[plate]]\nid = "a"\ncaptures = ["a.dng"]\n'
        'emulsion = "light"\ncrop = false\n',
        "utf-8",
    )
    (result,) = convert_session(tmp_path, workers=1).results
    assert result.error is None
    record = json.loads((tmp_path / "converted" / "plates" / "a.json").read_bytes())["result"]
    assert record["base_fog"] is record["densities"] is record["printed"] is None
    assert record["no_densities"] in record["flags"]
    with pytest.raises(NoDensitiesError):
        read_plate_ranges(tmp_path / "converted")
    top, left = shot.corners[0]
    rebate = [(float(left) + 60, float(top) + 4, "px")]
    notes = measure_session_plate(tmp_path, "a", places=rebate, size=(2.0, "px")).notes
    assert any("no densities" in note for note in notes)


@pytest.mark.parametrize(("base_fog", "possible"), [(0.2, True), (-0.01, True), (-0.41, False)])
def test_what_is_possible(base_fog: float, possible: bool) -> None:
    found = PlateDensities(
        base_fog=base_fog,
        base_fog_from="rebate",
        d_min=base_fog + 0.05,
        d_max=1.5,
        density_range=1.45 - base_fog,
    )
    assert (found.impossible == "") is possible
    assert 0 < BELOW_NOTHING < 0.1
