"""Captures of one plate that overlap are drafted as its tiles; others stay plates of their own."""

from __future__ import annotations

from pathlib import Path

import pytest

from platebench.session.draft_file import write_draft
from platebench.session.drafting import draft_session
from platebench.session.settings_file import load_session
from platebench.session.tiles_of_plate import tiles_said
from platebench.synthetic import CameraModel, LightBox, PlateModel, simulate_blank, simulate_plate
from platebench.synthetic.tiles import TileStand, simulate_tiles

from ..session_files import put

SHAPE = (320, 440)
CAMERA = CameraModel(shape=SHAPE, fill=0.84)
EXPOSURE_S = 1 / 16
# 1,200 ppi, so that grain shows in so small a frame.
PLATE = PlateModel(size_mm=(11.0, 15.0), rebate_mm=(0.5, 0.5, 0.5, 0.5), grain_um=1.0)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A blank, four tiles of a plate, and two captures of a plate each."""
    folder = tmp_path_factory.mktemp("tiles")
    box, whole = LightBox(), CameraModel(shape=SHAPE)
    put(folder / "blank.dng", simulate_blank(box, CAMERA, exposure_s=EXPOSURE_S, seed=3))
    stand = TileStand(shape=SHAPE, rows=2, columns=2)
    tiles = simulate_tiles(PLATE, box, CAMERA, stand, exposure_s=EXPOSURE_S, seed=44)
    for n, frame in enumerate(tiles.frames):
        put(folder / f"t{n}.dng", frame, at_s=60.0 * n + 60)
    for n in range(2):
        shot = simulate_plate(PlateModel(), box, whole, exposure_s=EXPOSURE_S, seed=8 + n)
        put(folder / f"w{n}.dng", shot.frame, at_s=60.0 * n + 900)
    return folder


def test_tiles_are_put_together_and_plates_are_not(folder: Path) -> None:
    draft = draft_session(folder, workers=1)
    plates = draft.settings.plates
    names = ("t0.dng", "t1.dng", "t2.dng", "t3.dng"), ("w0.dng",), ("w1.dng",)
    assert tuple(plate.captures for plate in plates) == names
    assert [plate.join for plate in plates] == ["tiles", "bracket", "bracket"]
    assert [plate.id for plate in plates] == ["plate-001", "plate-002", "plate-003"]
    assert len(list(tiles_said(plates))) == 1
    write_draft(folder, draft)
    assert load_session(folder).plates == plates


def test_without_a_blank_nothing_tells_plate_from_light(folder: Path, tmp_path: Path) -> None:
    for path in folder.glob("t?.dng"):
        (tmp_path / path.name).write_bytes(path.read_bytes())
    plates = draft_session(tmp_path, workers=1).settings.plates
    assert [len(plate.captures) for plate in plates] == [1, 1, 1, 1]


def test_tiles_of_two_plates_stay_apart(folder: Path, tmp_path: Path) -> None:
    for path in (folder / "blank.dng", *folder.glob("t?.dng")):
        (tmp_path / path.name).write_bytes(path.read_bytes())
    stand = TileStand(shape=SHAPE, rows=1, columns=2)
    box = LightBox()
    facade = PlateModel(
        size_mm=(11.0, 15.0), rebate_mm=(0.5, 0.5, 0.5, 0.5), grain_um=1.0, scene="facade"
    )
    tiles = simulate_tiles(facade, box, CAMERA, stand, exposure_s=EXPOSURE_S, seed=45)
    for n, frame in enumerate(tiles.frames):
        put(tmp_path / f"u{n}.dng", frame, at_s=60.0 * n + 400)
    plates = draft_session(tmp_path, workers=1).settings.plates
    assert [len(plate.captures) for plate in plates] == [4, 2]
