"""Captures that show several plates: drafted apart, converted apart, in doubt where they touch."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from platebench.core.image import PlateImage
from platebench.core.settings import PlateSettings, SessionSettings
from platebench.plate.bands import banded
from platebench.plate.bare_light import around_plate
from platebench.plate.finding.find_plate import FoundPlate, find_plate
from platebench.plate.finding.find_plates import find_plates, reading_order
from platebench.plate.finding.overview import overview_of
from platebench.plate.flatten import transmittance_from_counts
from platebench.plate.glare_evidence import own_dark_cells
from platebench.plate.light import light_from_blanks
from platebench.review.table import ReviewTable
from platebench.session.check_session import check_session
from platebench.session.convert_session import convert_session
from platebench.session.draft_file import SessionDraft, write_draft
from platebench.session.drafting import draft_session
from platebench.session.edit_file import add_captures
from platebench.session.settings_file import load_session
from platebench.session.watch_session import SessionWatch
from platebench.synthetic import simulate_blank
from platebench.synthetic.several import simulate_several
from platebench.synthetic.write_dng import write_dng

SHAPE = (500, 750)


def shot_of(seed, kind, count):
    shot = simulate_several(seed, kind, count=count, shape=SHAPE)
    blank = simulate_blank(shot.box, shot.camera, exposure_s=1 / 15, seed=seed + 50)
    return shot, blank


@pytest.fixture(scope="module")
def session(tmp_path_factory):
    """Two plates in one capture of a bright box, and a blank."""
    folder = tmp_path_factory.mktemp("several")
    shot, blank = shot_of(5, "bright", 3)
    write_dng(folder / "a-blank.dng", blank)
    write_dng(folder / "b-plates.dng", shot.frame)
    write_draft(folder, draft_session(folder, workers=1))
    return folder, shot


def off(corners, shot):
    """Distance of corners from the nearest true outline, share of its long side."""
    away = []
    for group in shot.groups:
        truth = group.corners[0]
        long_side = np.hypot(*(np.roll(truth, -1, axis=0) - truth).T).max()
        away.append(np.hypot(*(np.array(corners) - truth).T).max() / long_side)
    return min(away), int(np.argmin(away))


def test_start_drafts_each_plate_with_its_outline(session):
    folder, shot = session
    plates = load_session(folder).plates
    assert [plate.id for plate in plates] == ["plate-001", "plate-002", "plate-003"]
    assert {plate.captures for plate in plates} == {("b-plates.dng",)}
    found = [off(plate.corners, shot) for plate in plates]
    assert sorted(which for _, which in found) == [0, 1, 2]
    assert max(error for error, _ in found) < 0.006  # frames of 0.4 megapixels
    assert all(len(plate.others) == 2 for plate in plates)


def test_each_is_converted_and_checked_and_left_alone_the_next_time(session):
    folder, _ = session
    result = convert_session(folder, workers=1)
    assert [r.error for r in result.results] == [None] * 3
    assert not any(r.record.doubtful for r in result.results)
    assert (
        len(
            {
                (result.output / "positives" / f"{r.plate_id}.tif").read_bytes()
                for r in result.results
            }
        )
        == 3
    )
    assert all(r.skipped for r in convert_session(folder, workers=1).results)
    checked = check_session(folder, workers=1)
    assert [c.plate_id for c in checked if c.role == "plate"] == [
        "plate-001",
        "plate-002",
        "plate-003",
    ]


def test_each_knows_where_the_others_lie(session):
    folder, _ = session
    settings = load_session(folder)
    first = settings.plates[0]
    assert first.corners in settings.plates[1].others
    assert first.corners not in first.others


def test_a_shared_capture_without_corners_is_in_doubt(session, tmp_path):
    folder, _ = session
    for name in ("a-blank.dng", "b-plates.dng"):
        (tmp_path / name).symlink_to(folder / name)
    (tmp_path / "session.toml").write_text(
        '[light]\nblank = ["a-blank.dng"]\n'
        '[[plate]]\nid = "one"\ncaptures = ["b-plates.dng"]\n'
        '[[plate]]\nid = "two"\ncaptures = ["b-plates.dng"]\n',
        encoding="utf-8",
    )
    result = convert_session(tmp_path, workers=1)
    assert all(r.record.doubtful for r in result.results)
    record = json.loads((result.output / "plates" / "one.json").read_text(encoding="utf-8"))
    assert "two" in record["settings"]["doubt"]


@pytest.mark.parametrize("seed", [1, 2, 5])
def test_one_of_several_in_a_mask_is_never_cut_out_alone(seed):
    shot, blank = shot_of(seed, "mask", 4)
    seen = transmittance_from_counts(shot.frame, light_from_blanks([blank]))
    assert find_plate(seen).doubts


@pytest.mark.parametrize("seed", [1, 3, 5])
def test_openings_of_a_mask_are_all_found(seed):
    shot, blank = shot_of(seed, "mask", 4)
    seen = transmittance_from_counts(shot.frame, light_from_blanks([blank]))
    assert len(find_plates(seen)) == 4


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_touching_plates_are_in_doubt(seed):
    shot, blank = shot_of(seed, "touch", 2)
    seen = transmittance_from_counts(shot.frame, light_from_blanks([blank]))
    found = find_plates(seen)
    assert len(found) == 2 or all(plate.doubts for plate in found)


def test_watch_drafts_each_plate(session, tmp_path):
    folder, _ = session
    for name in ("a-blank.dng", "b-plates.dng"):
        (tmp_path / name).write_bytes((folder / name).read_bytes())
    now = [0.0]
    watch = SessionWatch(folder=tmp_path, settle_s=1, workers=1, clock=lambda: now[0])
    arrival = None
    while arrival is None and now[0] < 20:
        arrival = watch.look()
        now[0] += 1
    assert arrival is not None
    assert len(arrival.plates) == 3
    assert len(load_session(tmp_path).plates) == 3


OUTLINES = (
    ((10.0, 10.0), (10.0, 90.0), (60.0, 90.0), (60.0, 10.0)),
    ((10.0, 100.0), (10.0, 180.0), (60.0, 180.0), (60.0, 100.0)),
)


def test_a_draft_keeps_outlines_and_doubts(tmp_path):
    plates = tuple(
        PlateSettings(id=f"p{k}", captures=("a.dng",), corners=corners, doubt="they may touch")
        for k, corners in enumerate(OUTLINES)
    )
    write_draft(tmp_path, SessionDraft(settings=SessionSettings(plates=plates)))
    read = load_session(tmp_path).plates
    assert [(plate.corners, plate.doubt) for plate in read] == [
        (plate.corners, plate.doubt) for plate in plates
    ]
    assert [plate.others for plate in read] == [(OUTLINES[1],), (OUTLINES[0],)]


def test_a_moved_corner_settles_the_doubt_and_undo_brings_it_back(tmp_path):
    plate = PlateSettings(id="p", captures=("a.dng",), corners=OUTLINES[0], doubt="they may touch")
    write_draft(tmp_path, SessionDraft(settings=SessionSettings(plates=(plate,))))
    table = ReviewTable(tmp_path)
    table.edit("p", {"rotate": 90})
    assert table.plate("p").doubt
    table.edit("p", {"corners": [list(corner) for corner in OUTLINES[1]]})
    assert not load_session(tmp_path).plates[0].doubt
    table.undo()
    assert load_session(tmp_path).plates[0].doubt == plate.doubt


def test_more_exposures_of_several_plates_join_each_of_them(tmp_path):
    """Captures are added to an edited file, with the outlines that were drafted."""
    first = [
        PlateSettings(id=f"p{k}", captures=("a.dng",), corners=c) for k, c in enumerate(OUTLINES)
    ]
    (tmp_path / "session.toml").write_text('title = "mine"\n', encoding="utf-8")
    add_captures(tmp_path, plates=first)
    settings = add_captures(tmp_path, plates=[replace(one, captures=("b.dng",)) for one in first])
    assert [plate.captures for plate in settings.plates] == [("a.dng", "b.dng")] * 2
    assert [plate.corners for plate in settings.plates] == list(OUTLINES)


def test_bare_light_and_strips_are_read_beside_all_plates():
    """A neighbour, dark and even, is neither bare light nor an opaque strip."""
    pixels = np.full((80, 200), 0.98, np.float32)
    pixels[10:60, 10:90] = 0.3
    pixels[5:75, 95:195] = 0.01  # a dense plate, most of what is not the first
    own, other = (np.array(outline) for outline in OUTLINES)
    other = np.array([[5.0, 95], [5, 195], [75, 195], [75, 95]])
    seen = overview_of(banded(PlateImage(pixels=pixels)))
    found = FoundPlate(
        corners=own,
        confidence=1.0,
        surround="bright",
        tilt_deg=0.0,
        out_of_square_deg=0.0,
        doubts=(),
        found=True,
    )
    around, inside = around_plate(seen, replace(found, others=(other,)))
    assert around.min() > 0.97
    assert around_plate(seen, found)[0].min() < 0.02
    assert inside.min() > 0.2
    bare = np.ones(seen.cells.shape[1:])
    dark = {
        said: own_dark_cells(seen, bare, 0 * bare, own, masked=True, level=1.0, others=others)
        for said, others in (("alone", ()), ("known", (other,)))
    }
    assert dark["alone"] is not None
    assert dark["known"] is None


def test_plates_are_read_by_rows():
    square = np.array([[0.0, 0], [0, 4], [4, 4], [4, 0]])
    places = [[9, 12], [0, 9], [1, 0], [10, 1]]
    assert reading_order([square + place for place in places]) == [2, 1, 3, 0]


def test_openings_of_a_card_that_ends_within_the_frame():
    pixels = np.ones((600, 900), np.float32)
    pixels[60:540, 60:840] = 0.001
    for left in (110, 480):
        pixels[120:480, left : left + 310] = 0.6
        pixels[150:450, left + 30 : left + 280] = 0.2
    found = find_plates(PlateImage(pixels=pixels))
    assert len(found) == 2
    assert all(abs(plate.corners[0, 0] - 119.5) < 2 for plate in found)
