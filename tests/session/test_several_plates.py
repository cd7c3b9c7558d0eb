"""Captures that show several plates: drafted apart, converted apart, in doubt where they touch."""

from __future__ import annotations

import json

import numpy as np
import pytest

from platebench.plate.finding.find_plate import find_plate
from platebench.plate.finding.find_plates import find_plates
from platebench.plate.flatten import transmittance_from_counts
from platebench.plate.light import light_from_blanks
from platebench.session.check_session import check_session
from platebench.session.convert_session import convert_session
from platebench.session.draft_file import write_draft
from platebench.session.drafting import draft_session
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
