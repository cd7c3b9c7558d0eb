"""Drafting a session by looking at pixels. Truth: what each file was made as, and the simulator."""

from __future__ import annotations

import os
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from platebench.core.errors import SessionFolderError
from platebench.core.image import SensorFrame
from platebench.session.capture_look import is_dark, look_at, stops_between
from platebench.session.draft_file import SessionDraft, toml_from_draft, write_draft
from platebench.session.drafting import draft_session, list_captures, natural_key
from platebench.session.settings_file import load_session
from platebench.synthetic import (
    CameraModel,
    LightBox,
    PlateModel,
    simulate_blank,
    simulate_dark,
    simulate_plate,
    write_dng,
)

from ..refusals import refused

SHARED = Path(__file__).parents[3] / "shared" / "data"
CAMERA = CameraModel(shape=(300, 400))
BOX = LightBox()
NOON = datetime(2026, 3, 1, 12, 0, 0)
PORTRAIT = PlateModel(size_mm=(120.0, 90.0), rebate_mm=(4.0, 2.0, 3.0, 2.0))
LANDSCAPE = PlateModel(chips=2, dust=8, scratches=1)


def put(path: Path, frame: SensorFrame, *, at_s: float | None) -> Path:
    taken = None if at_s is None else NOON + timedelta(seconds=at_s)
    write_dng(path, replace(frame, info=replace(frame.info, taken=taken)))
    return path


def plate(model: PlateModel, exposure_s: float, seed: int, box: LightBox = BOX) -> SensorFrame:
    return simulate_plate(model, box, CAMERA, exposure_s=exposure_s, seed=seed).frame


@pytest.fixture(scope="module")
def session(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("shelf 3")
    put(folder / "f10.dng", plate(PORTRAIT, 1 / 16, 1), at_s=300)
    put(folder / "f9.dng", plate(LANDSCAPE, 1 / 64, 2), at_s=100)
    put(folder / "g1.dng", plate(LANDSCAPE, 1 / 16, 3), at_s=104)
    put(folder / "f11.dng", plate(LANDSCAPE, 1 / 4, 4), at_s=108)
    put(folder / "a.dng", simulate_blank(BOX, CAMERA, exposure_s=1 / 16, seed=5), at_s=400)
    put(folder / "b.dng", simulate_blank(BOX, CAMERA, exposure_s=1 / 16, seed=6), at_s=0)
    put(folder / "c.dng", simulate_blank(BOX, CAMERA, exposure_s=2.0, seed=6), at_s=1)
    put(folder / "z.dng", simulate_dark(CAMERA, exposure_s=1 / 16, seed=7), at_s=500)
    whole = (folder / "f10.dng").read_bytes()
    (folder / "half.dng").write_bytes(whole[: len(whole) // 2])
    (folder / "text.dng").write_text("no picture at all\n", encoding="utf-8")
    (folder / "empty.tif").touch()
    (folder / "f10.jpg").write_bytes(b"a camera's own picture")
    (folder / "notes.txt").write_text("lamp 2", encoding="utf-8")
    (folder / ".hidden.dng").write_bytes(whole)
    (folder / "converted").mkdir()
    (folder / "converted" / "x.dng").write_bytes(whole)
    return folder


@pytest.fixture(scope="module")
def draft(session: Path) -> SessionDraft:
    return draft_session(session, workers=1)


def test_blank_and_dark_frames_are_known_by_their_pixels(draft: SessionDraft) -> None:
    assert draft.settings.blank == ("b.dng", "a.dng")
    assert draft.settings.dark == ("z.dng",)
    assert draft.settings.title.startswith("shelf 3")


def test_brackets_are_joined_and_plates_ordered_by_time(draft: SessionDraft) -> None:
    assert [(plate.id, plate.captures) for plate in draft.settings.plates] == [
        ("plate-001", ("f9.dng", "g1.dng", "f11.dng")),
        ("plate-002", ("f10.dng",)),
    ]


def test_what_cannot_be_used_is_listed_with_its_reason(draft: SessionDraft) -> None:
    reasons = dict(draft.left_out)
    assert sorted(reasons) == ["c.dng", "empty.tif", "f10.jpg", "half.dng", "text.dng"]
    assert reasons["c.dng"].startswith("100.0% of it is clipped; take it again")
    assert reasons["empty.tif"].startswith("is empty")
    assert "f10.dng" in reasons["f10.jpg"]
    assert "text" in reasons["text.dng"]
    assert not any("/" in reason for reason in reasons.values())


def test_the_draft_says_what_the_camera_wrote(draft: SessionDraft) -> None:
    assert draft.remarks["f9.dng"] == "2026-03-01 12:01:40, 1/64 s, f/8, ISO 100"


def test_several_processes_draft_the_same_bytes(session: Path, draft: SessionDraft) -> None:
    assert toml_from_draft(draft_session(session, workers=2)) == toml_from_draft(draft)


def test_drafting_leaves_the_captures_alone(session: Path) -> None:
    before = {path: path.read_bytes() for path in session.iterdir() if path.is_file()}
    path = write_draft(session, draft_session(session, workers=1))
    assert load_session(session).blank == ("b.dng", "a.dng")
    path.unlink()
    assert {path: path.read_bytes() for path in session.iterdir() if path.is_file()} == before


BOXES = [
    BOX,
    LightBox(uneven=0.5, vignette=0.6, glare=0.02),
    LightBox(surround="dark"),
    LightBox(surround="holder", gap_mm=3.0),
]


@pytest.mark.parametrize("box", BOXES, ids=["bright", "uneven", "dark", "holder"])
@pytest.mark.parametrize("cfa", ["RGGB", "XTRANS", "MONO"])
def test_blank_dark_and_plate_are_told_apart(tmp_path: Path, box: LightBox, cfa: str) -> None:
    camera = replace(CAMERA, cfa=cfa, shape=(306, 402), read_noise_e=12.0)
    blank = simulate_blank(box, camera, exposure_s=0.05, seed=1)
    dark = simulate_dark(camera, exposure_s=0.05, seed=2)
    model = replace(PORTRAIT, grain_um=0.0)
    short = simulate_plate(model, box, camera, exposure_s=0.0125, seed=3).frame
    long = simulate_plate(model, box, camera, exposure_s=0.2, seed=4).frame
    looks = [
        look_at(put(tmp_path / f"{n}.dng", frame, at_s=n))
        for n, frame in enumerate((blank, dark, short, long))
    ]
    assert [look.even for look in looks] == [True, False, False, False]
    assert [is_dark(look) for look in looks] == [False, True, False, False]
    # 0.2 s is 16 times 0.0125 s: four stops, from the exposure times the frames were made with.
    assert stops_between(looks[2], looks[3]) == pytest.approx(4.0, abs=0.02)
    assert stops_between(looks[0], looks[2]) is None


def test_dust_on_the_lamp_leaves_a_blank_a_blank(tmp_path: Path) -> None:
    frame = simulate_blank(BOX, CAMERA, exposure_s=0.05, seed=1)
    counts = frame.counts.copy()
    rng = np.random.default_rng(8)
    for row, column in rng.integers(0, (290, 390), (12, 2)):
        counts[row : row + 4, column : column + 3] = 600
    dusty = put(tmp_path / "dusty.dng", replace(frame, counts=counts), at_s=0)
    assert look_at(dusty).even
    slip = frame.counts.copy()  # of glass: too large for dust
    slip[100:160, 100:200] = slip[100:160, 100:200] // 2 + 256
    assert not look_at(put(tmp_path / "slip.dng", replace(frame, counts=slip), at_s=0)).even


def test_a_clipped_blank_is_known_but_not_used(tmp_path: Path) -> None:
    # 13 x 0.1 s fills the well 1.3 times where the light is brightest, 0.8 times in the corners.
    put(tmp_path / "a.dng", simulate_blank(BOX, CAMERA, exposure_s=0.1, seed=1), at_s=0)
    put(tmp_path / "p.dng", plate(PORTRAIT, 0.05, 2), at_s=9)
    draft = draft_session(tmp_path, workers=1)
    assert draft.settings.blank == ()
    assert [plate.captures for plate in draft.settings.plates] == [("p.dng",)]
    assert dict(draft.left_out)["a.dng"].startswith("a blank frame, but ")


def test_an_evenly_grey_plate_is_not_taken_for_bare_light(tmp_path: Path) -> None:
    dim = replace(BOX, brightness=BOX.brightness * 0.6)  # D 0.22 all over the frame
    put(tmp_path / "bare.dng", simulate_blank(BOX, CAMERA, exposure_s=0.05, seed=1), at_s=0)
    put(tmp_path / "grey.dng", simulate_blank(dim, CAMERA, exposure_s=0.05, seed=2), at_s=9)
    settings = draft_session(tmp_path, workers=1).settings
    assert settings.blank == ("bare.dng",)
    assert [plate.captures for plate in settings.plates] == [("grey.dng",)]


def test_a_frame_clipped_by_a_brighter_lamp_takes_no_blank_away(tmp_path: Path) -> None:
    bright = replace(BOX, brightness=BOX.brightness * 3)
    put(tmp_path / "bare.dng", simulate_blank(BOX, CAMERA, exposure_s=0.05, seed=1), at_s=0)
    put(tmp_path / "lost.dng", simulate_blank(bright, CAMERA, exposure_s=0.1, seed=2), at_s=5)
    put(tmp_path / "p.dng", plate(PORTRAIT, 0.05, 2), at_s=9)
    settings = draft_session(tmp_path, workers=1).settings
    assert settings.blank == ("bare.dng",)
    assert [plate.captures for plate in settings.plates] == [("p.dng",)]


@pytest.mark.parametrize(
    ("second", "exposure_s", "gap_s", "joined"),
    [
        (LANDSCAPE, 1 / 32, 5, True),
        (LANDSCAPE, 1 / 16, 5, False),  # same exposure: taken twice, not a bracket
        (LANDSCAPE, 1 / 32, 600, False),  # ten minutes later
        (replace(LANDSCAPE, glass_side_up=True), 1 / 32, 5, False),  # another picture
        (replace(LANDSCAPE, scene=None), 1 / 32, 5, False),
        (LANDSCAPE, 1 / 32, None, True),  # no clock: by name and framing
    ],
    ids=["bracket", "twice", "later", "turned over", "unexposed", "no clock"],
)
def test_a_bracket_is_one_framing_at_several_exposures(
    tmp_path: Path, second: PlateModel, exposure_s: float, gap_s: float | None, joined: bool
) -> None:
    clock = None if gap_s is None else 0.0
    put(tmp_path / "f1.dng", plate(LANDSCAPE, 1 / 16, 1), at_s=clock)
    put(tmp_path / "f2.dng", plate(second, exposure_s, 1), at_s=gap_s)
    plates = draft_session(tmp_path, workers=1).settings.plates
    assert [plate.captures for plate in plates] == (
        [("f1.dng", "f2.dng")] if joined else [("f1.dng",), ("f2.dng",)]
    )


def test_scans_without_a_clock_are_ordered_by_number(tmp_path: Path) -> None:
    rng = np.random.default_rng(4)
    for name in ("s10.png", "s9.png", "s100.png"):
        pixels = rng.integers(20, 230, (60, 90), dtype=np.uint8).repeat(4, 0).repeat(4, 1)
        Image.fromarray(pixels).save(tmp_path / name)
    plates = draft_session(tmp_path, workers=1).settings.plates
    assert [plate.captures for plate in plates] == [("s9.png",), ("s10.png",), ("s100.png",)]


def test_names_that_cannot_be_written_down_are_left_out(tmp_path: Path) -> None:
    for name in ("a\nb.dng", "good.dng"):
        (tmp_path / name).write_bytes(b"x")
    paths, left_out = list_captures(tmp_path)
    assert [path.name for path in paths] == ["good.dng"]
    assert left_out == [("a\nb.dng", "its name contains control characters; rename it")]


def test_numbers_in_names_are_numbers() -> None:
    assert sorted(["b2", "b10", "B1"], key=natural_key) == ["B1", "b2", "b10"]


def test_folders_without_captures_say_so(tmp_path: Path) -> None:
    (tmp_path / "session.toml").touch()
    with refused(SessionFolderError, path=tmp_path):
        draft_session(tmp_path)
    with refused(SessionFolderError, path=tmp_path / "session.toml"):
        draft_session(tmp_path / "session.toml")
    with refused(SessionFolderError, path=tmp_path / "none"):
        draft_session(tmp_path / "none")


@pytest.mark.skipif(os.name != "posix" or os.geteuid() == 0, reason="root may read everything")
def test_a_folder_that_may_not_be_read_says_so(tmp_path: Path) -> None:
    folder = tmp_path / "closed"
    folder.mkdir(mode=0o300)
    with refused(SessionFolderError, path=folder, cause=PermissionError):
        draft_session(folder)


@pytest.mark.big
@pytest.mark.skipif(not SHARED.is_dir(), reason="needs ../shared/data")
def test_real_raws_and_broken_files_give_a_draft(tmp_path: Path) -> None:
    for source in sorted((SHARED / "raw").iterdir()) + sorted((SHARED / "broken").iterdir()):
        if source.is_file():
            (tmp_path / source.name).symlink_to(source)
    draft = draft_session(tmp_path, workers=1)
    names = {name for plate in draft.settings.plates for name in plate.captures}
    assert {p.name for p in (SHARED / "raw").iterdir()} <= names
    assert draft.settings.blank == ()
    assert all("Traceback" not in reason for _, reason in draft.left_out)
