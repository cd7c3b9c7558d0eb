"""Looking, measuring and correcting through the server, against the simulator's truth."""

from __future__ import annotations

import io
import json
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from threading import Event

import numpy as np
import pytest
from PIL import Image

from platebench.review.results import Done, MadeFiles
from platebench.review.shelf import Shelf
from platebench.review.tasks import Events, Tasks
from platebench.session.settings_file import load_session
from platebench.synthetic import simulate_plate

from ..processes import needs_accents, wait_until
from ..session_files import BOX, CAMERA, EXPOSURE_S, PLATES
from .served import Served, served


def picture(content: bytes) -> np.ndarray:
    return np.asarray(Image.open(io.BytesIO(content)))


def test_the_session_is_told_as_it_stands(table: Served) -> None:
    told = table.json("api/session")
    assert told["title"] == "Test" and told["running"] is None and "convert" in told["can"]
    assert [plate["id"] for plate in told["plates"]] == ["dense", "wide"]
    assert all(plate["converted"] and not plate["stale"] for plate in told["plates"])
    assert {"neutral", "softer"} <= set(told["tones"])
    assert "proof-sheet.pdf" in told["files"]


def test_a_contact_print_is_made_once_and_anew_when_its_preview_changes(
    table: Served, session: Path
) -> None:
    preview = session / "converted" / "previews" / "wide.jpg"
    address = f"{table.plate('wide')}/thumb.jpg?side=240"
    before = table.get(address)[2]
    assert max(picture(before).shape) == 240 and table.get(address)[2] == before
    Image.fromarray(np.full((300, 600), 90, np.uint8)).save(preview)
    after = picture(table.get(address)[2])
    assert after.shape == (120, 240) and np.abs(after.astype(int) - 90).max() <= 2


def test_corners_are_where_the_simulator_put_them(table: Served) -> None:
    truth = simulate_plate(PLATES["wide"], BOX, CAMERA, exposure_s=EXPOSURE_S, seed=12)
    told = table.json(table.plate("wide"))
    error = np.abs(np.array(told["corners"]) - truth.corners).max()
    assert error < 0.6 and told["found"] and not told["by_hand"]  # pixels


def test_a_rectangle_drawn_is_the_picture_and_stays_it_when_the_plate_is_turned(
    table: Served, session: Path
) -> None:
    address = table.plate("wide")
    layer = table.json(address)["layers"]["positive"]
    rows, columns = layer["height"], layer["width"]
    box = (0.25 * rows, 0.5 * columns, 0.75 * rows, 0.9 * columns)
    drawn = table.json(f"{address}/picture?box={','.join(map(str, box))}")["picture_box_mm"]
    # 9x12 cm, turned over: its right half in the positive is the left one in the capture.
    assert drawn == pytest.approx([12.0, 22.5, 48.0, 45.0], abs=0.6)
    table.post(f"{address}/edit", {"picture": "box", "picture_box_mm": drawn})
    shown = table.json(address)["picture"]
    assert np.array(shown["box"]) == pytest.approx(np.array(box)[[1, 0, 3, 2]], abs=2)
    table.post(f"{address}/edit", {"rotate": 180, "emulsion": "light"})
    turned = table.json(address)
    assert turned["picture"]["size_mm"] == shown["size_mm"]
    # Right for left twice is where it was; upside down it lies in the lower half as before.
    assert np.array(turned["picture"]["box"]) == pytest.approx(np.array(shown["box"]), abs=2)
    (plate,) = [one for one in load_session(session).plates if one.id == "wide"]
    assert plate.picture == "box" and plate.picture_box_mm == pytest.approx(tuple(drawn))


def test_a_rectangle_reads_the_simulators_density(table: Served) -> None:
    """Density of the whole capture: no geometry between the reading and the truth."""
    simulation = simulate_plate(PLATES["wide"], BOX, CAMERA, exposure_s=EXPOSURE_S, seed=12)
    transmittance = simulation.transmittance
    rows, columns = transmittance.shape[:2]
    for top, left in ((rows // 2, columns // 2), (rows // 3, columns // 3)):
        box = (top, left, top + 12, left + 14)
        area = transmittance[box[0] : box[2], box[1] : box[3]]
        expected = -np.log10(area.mean())
        reading = table.json(
            table.plate("wide") + f"/reading?layer=captured&box={','.join(map(str, box))}"
        )["reading"]
        assert abs(reading["density"] - expected) < 0.01 + 3 * reading["sigma"]
        assert reading["sites"] == 12 * 14 and 0 < reading["sigma"] < 0.2


def test_outside_the_picture_there_is_no_reading(table: Served) -> None:
    path = table.plate("wide") + "/reading"
    assert table.json(path + "?at=-500,10")["reading"] is None
    assert table.get(path + "?at=1")[0] == 400
    assert table.get(path + "?at=1,nan")[0] == 400
    assert table.get(path + "?box=1,2,3")[0] == 400
    assert table.get(path + "?layer=x&at=1,1")[0] == 400


def test_the_positive_is_what_conversion_writes(table: Served, session: Path) -> None:
    """Two ways to one picture: the tiles' and the file's, both from the same capture."""
    content = table.get(table.plate("wide") + "/preview.jpg?side=4000")[2]
    written = Image.open(session / "converted" / "positives" / "wide.tif")
    expected = np.asarray(written).astype(float) / 257
    seen = picture(content).astype(float)
    assert seen.shape == expected.shape
    # bilinear against cubic, and JPEG: a few codes in the mean
    assert np.abs(seen - expected)[4:-4, 4:-4].mean() < 3


def test_tiles_make_up_the_picture_and_change_their_address_with_it(table: Served) -> None:
    told = table.json(table.plate("wide"))
    last = told["layers"]["captured"]["last_level"]
    path = table.plate("wide") + f"/tiles/captured/{told['version']}/{last}/0_0.jpg"
    status, headers, content = table.get(path)
    assert status == 200 and "immutable" in headers["cache-control"]
    size = told["layers"]["captured"]
    assert picture(content).shape == (size["height"], size["width"])
    assert table.get(path.replace("0_0", "7_0"))[0] == 404
    assert table.get(path.replace("0_0", "x_0"))[0] == 400
    assert "no-store" in table.get(path.replace(told["version"], "old"))[1]["cache-control"]
    table.post(table.plate("wide") + "/edit", {"rotate": 90})
    assert table.json(table.plate("wide"))["version"] != told["version"]


def test_a_change_is_in_the_file_at_once_and_undone_as_quickly(
    table: Served, session: Path
) -> None:
    file = session / "session.toml"
    text = file.read_text(encoding="utf-8").replace('title = "Test"', 'title = "Mine"')
    file.write_text(text.replace('id = "wide"', 'id = "wide"   # my favourite'), encoding="utf-8")
    wait_until(lambda: table.json("api/session")["title"] == "Mine")
    wide = table.plate("wide")
    for change in ({"rotate": 90}, {"tone": "softer", "print_stops": 0.3}, {"note": "good"}):
        assert table.post(wide + "/edit", change)[0] == 200
        plate = load_session(session).plates[1]
        assert {key: getattr(plate, key) for key in change} == change
    assert "# my favourite" in file.read_text(encoding="utf-8")
    assert json.loads(table.post("api/undo")[2])["plates"] == ["wide"]
    assert table.post("api/undo")[0] == 200
    assert load_session(session).plates[1].tone == "neutral"
    assert load_session(session).plates[1].rotate == 90
    told = json.loads(table.post("api/redo")[2])
    assert (told["undo"], told["redo"]) == (2, 1)
    assert load_session(session).plates[1].tone == "softer"
    assert load_session(session).plates[1].note == ""


def test_undo_does_not_bring_back_what_a_person_has_changed_since(
    table: Served, session: Path
) -> None:
    wide, file = table.plate("wide"), session / "session.toml"
    for change in ({"tone": "softer"}, {"note": "mine"}):
        assert table.post(wide + "/edit", change)[0] == 200
    file.write_text(
        file.read_text(encoding="utf-8").replace('note = "mine"', 'note = "theirs"'),
        encoding="utf-8",
    )
    status, _, content = table.post("api/undo")
    assert status == 422 and "another note" in json.loads(content)["error"]
    assert load_session(session).plates[1].note == "theirs"
    assert table.post("api/undo")[0] == 200  # the step before that is still there
    assert load_session(session).plates[1].tone == "neutral"
    assert load_session(session).plates[1].note == "theirs"


def test_a_plate_that_failed_says_why(table: Served, session: Path) -> None:
    (session / "dense.dng").write_bytes(b"not a raw file")
    assert table.post("api/do/convert", {"force": True})[0] == 202
    wait_until(lambda: table.json("api/session")["running"] is None)
    dense, wide = table.json("api/session")["plates"]
    assert "dense.dng" in dense["failed"] and wide["failed"] == ""


@pytest.mark.parametrize(
    "change",
    [
        {"rotate": 45},
        {"corners": [[0, 0]]},
        {"corners": "all"},
        {"tone": "../../x"},
        {"id": "other"},
        {"captures": ["/etc/passwd"]},
        {"print_stops": 99},
        {"note": "two\nlines"},
        {"checked": "yes"},
    ],
)
def test_a_value_that_cannot_be_used_is_one_clear_line(
    table: Served, session: Path, change: dict[str, object]
) -> None:
    before = (session / "session.toml").read_bytes()
    status, _, content = table.post(table.plate("wide") + "/edit", change)
    said = json.loads(content)["error"]
    assert status == 422 and said and "\n" not in said and "Traceback" not in said
    assert (session / "session.toml").read_bytes() == before


def test_corners_by_hand_show_at_once_and_settle(table: Served) -> None:
    wide = table.plate("wide")
    told = table.json(wide)
    inward = np.array([[8, 8], [8, -8], [-8, -8], [-8, 8]])
    corners = (np.array(told["corners"]) + inward).round(2).tolist()
    assert table.post(wide + "/edit", {"corners": corners})[0] == 200
    moved = table.json(wide)
    assert moved["by_hand"] and moved["corners"] == corners
    assert moved["layers"]["positive"] != told["layers"]["positive"]
    wait_until(lambda: table.json(wide)["settled"])
    assert table.json(wide)["version"] != moved["version"]


def test_a_tone_can_be_tried_without_being_decided(table: Served, session: Path) -> None:
    before = (session / "session.toml").read_bytes()
    path = table.plate("wide") + "/preview.jpg?side=300"
    as_it_is, darker = (picture(table.get(path + more)[2]) for more in ("", "&print_stops=1"))
    assert darker.mean() < as_it_is.mean() - 5
    assert (session / "session.toml").read_bytes() == before
    assert table.get(path + "&print_stops=99")[0] == 400
    assert table.get(path + "&tone=none-such")[0] == 422


def test_the_loupe_has_the_simulators_corner_in_its_middle(table: Served) -> None:
    """Half-way between light and plate, along a row and a column, is where the sides lie."""
    truth = simulate_plate(PLATES["wide"], BOX, CAMERA, exposure_s=EXPOSURE_S, seed=12).corners
    middle = (64 - 1) / 2  # of 64 pixels: the place asked for
    for corner, inward in ((0, (1, 1)), (2, (-1, -1))):
        row, column = truth[corner] + np.array(inward) * 12
        for at, axis in (((row, truth[corner][1]), 0), ((truth[corner][0], column), 1)):
            path = f"/loupe.jpg?at={at[0]:.3f},{at[1]:.3f}"
            loupe = picture(table.get(table.plate("wide") + path)[2]).astype(float)
            assert loupe.shape == (64, 64)
            near = loupe[28:36].mean(axis=0) if axis == 0 else loupe[:, 28:36].mean(axis=1)
            near = near if inward[0] > 0 else near[::-1]
            half = (near[4:20].mean() + near[34:37].mean()) / 2  # light, rebate
            edge = int(np.argmax(near < half))
            across = edge - 1 + (near[edge - 1] - half) / (near[edge - 1] - near[edge])
            assert abs(across - middle) < 1.0


@pytest.mark.parametrize(
    "name", [pytest.param("50% of #3 é", marks=needs_accents), "a+b & c", "plate..1"]
)
def test_a_plate_of_any_name_is_shown_and_changed(table: Served, session: Path, name: str) -> None:
    file = session / "session.toml"
    file.write_text(
        file.read_text(encoding="utf-8").replace('id = "wide"', f'id = "{name}"'), encoding="utf-8"
    )
    table.review.watch.look()
    told = table.json(table.plate(name))
    assert told["id"] == name
    assert table.post(table.plate(name) + "/edit", {"note": "seen"})[0] == 200
    assert load_session(session).plates[1].note == "seen"
    tile = f"/tiles/positive/{table.json(table.plate(name))['version']}/4/0_0.jpg"
    assert table.get(table.plate(name) + tile)[0] == 200


def test_a_session_without_plates_is_a_table_without_any(tmp_path: Path) -> None:
    (tmp_path / "session.toml").write_text('title = "Empty"\n', encoding="utf-8")
    with served(tmp_path) as empty:
        assert empty.json("api/session")["plates"] == []
        assert empty.post("api/undo")[0] == 200
        assert empty.post("api/do/convert")[0] == 202


def test_an_unknown_plate_and_a_lost_capture_are_clear(table: Served, session: Path) -> None:
    assert table.get(table.plate("other"))[0] == 422
    (session / "dense.dng").unlink()
    status, _, content = table.get(table.plate("dense"))
    assert status == 422 and "dense.dng" in json.loads(content)["error"]
    assert table.get(table.plate("wide"))[0] == 200


def test_a_change_on_disk_is_seen(table: Served, session: Path) -> None:
    file = session / "session.toml"
    file.write_text(
        file.read_text(encoding="utf-8").replace('title = "Test"', 'title = "Another"'),
        encoding="utf-8",
    )
    wait_until(lambda: table.json("api/session")["title"] == "Another")


def test_conversion_runs_from_the_page_and_says_what_came_of_it(
    table: Served, session: Path
) -> None:
    table.post(table.plate("wide") + "/edit", {"rotate": 180})
    assert table.json("api/session")["plates"][1]["stale"]
    assert table.post("api/do/convert")[0] == 202
    wait_until(lambda: table.json("api/session")["running"] is None)
    assert not table.json("api/session")["plates"][1]["stale"]
    assert table.post("api/do/none-such")[0] == 400


def test_what_is_used_least_is_put_away_first() -> None:
    class Thing:
        def __init__(self, nbytes: int) -> None:
            self.nbytes = nbytes

    shelf: Shelf[Thing] = Shelf(100)
    made = []

    def make(name: str) -> Thing:
        made.append(name)
        return Thing(40)

    for name in ("a", "b", "a", "c"):
        shelf.get(name, lambda name=name: make(name))
    assert shelf.held_keys() == ["a", "c"] and made == ["a", "b", "c"]
    assert shelf.nbytes == 80
    shelf.get("huge", lambda: Thing(1000))
    assert shelf.held_keys() == ["huge"]
    with pytest.raises(ZeroDivisionError):
        shelf.get("broken", lambda: Thing(1 // 0))
    assert shelf.held("broken") is None


def test_things_are_made_one_at_a_time_with_room_made_before() -> None:
    class Thing:
        nbytes = 40

    shelf: Shelf[Thing] = Shelf(100)
    making, most, held = 0, 0, []

    def make() -> Thing:
        nonlocal making, most
        making += 1
        most = max(most, making)
        held.append(shelf.nbytes)
        time.sleep(0.02)
        making -= 1
        return Thing()

    with ThreadPoolExecutor(8) as threads:
        list(threads.map(lambda n: shelf.get(n, make), range(8)))
    assert most == 1 and max(held) + Thing.nbytes <= 100


@pytest.mark.parametrize(
    ("name", "wishes", "made"),
    [
        ("share", {"plate": "wide", "long_side": 200}, "converted/shared/wide.jpg"),
        ("share", {"plate": "wide", "kind": "webp", "toned": False}, "converted/shared/wide.webp"),
        (
            "print-negative",
            {"plate": "wide", "process": "salted-paper", "size": ""},
            "print-negatives/*.pdf",
        ),
        ("archive", {}, "packages/shelf/bagit.txt"),
    ],
)
def test_other_work_runs_from_the_page_too(
    table: Served, session: Path, name: str, wishes: dict[str, object], made: str
) -> None:
    assert name in table.json("api/session")["can"]
    assert table.post(f"api/do/{name}", wishes)[0] == 202
    wait_until(lambda: table.json("api/session")["running"] is None)
    assert list(session.glob(made))


def test_two_things_are_not_done_at_once(table: Served) -> None:
    tasks = Tasks(Events())
    go_on = Event()
    assert tasks.start("first", lambda progress: Done(said=(str(go_on.wait(10)),)))
    assert not tasks.start("second", lambda progress: Done(said=()))
    go_on.set()


def test_only_files_made_here_are_given_out(tmp_path: Path) -> None:
    made, secret = MadeFiles(), tmp_path / "secret.jpg"
    secret.write_bytes(b"not to be seen")
    (tmp_path / "proof.jpg").write_bytes(b"proof")
    (offered,) = made.offer([tmp_path / "proof.jpg"])
    assert offered == {"name": "proof.jpg", "number": 0, "picture": True}
    assert made.offer([tmp_path / "proof.jpg"]) == [offered]
    assert made.path(0, "proof.jpg") == tmp_path / "proof.jpg"
    for number, name in [(0, "secret.jpg"), (1, "proof.jpg"), (-1, "proof.jpg"), (0, "")]:
        assert made.path(number, name) is None
    (tmp_path / "proof.jpg").unlink()
    assert made.path(0, "proof.jpg") is None
    (tmp_path / "proof.jpg").symlink_to(secret)
    assert made.path(0, "proof.jpg") is None


def test_a_shape_that_gainsays_the_size_comes_with_sizes_to_choose(
    table: Served, session: Path
) -> None:
    """9x12 cm and 13x18 cm by their names: 4/3 against 18/13, 3.7 % shorter."""
    address = table.plate("wide")
    assert table.post(f"{address}/edit", {"format": "9x12 cm"})[0] == 200
    assert table.json(address)["shape"] is None and table.json(address)["shaped_as"] == []
    assert table.post(f"{address}/edit", {"format": "13x18 cm"})[0] == 200
    told = table.json(address)
    assert "shorter in shape than 13x18 cm" in told["shape"] and "9x12 cm" in told["shaped_as"]
    assert set(told["shaped_as"]) <= set(table.json("api/session")["formats"])


def test_a_page_is_sent_what_it_lacks(table: Served, session: Path) -> None:
    whole = table.json("api/session")
    assert whole["whole"] and len(whole["plates"]) == 2
    same = table.json(f"api/session?since={whole['stamp']}")
    assert not same["whole"] and same["plates"] == [] and same["stamp"] == whole["stamp"]
    table.post(table.plate("wide") + "/edit", {"note": "seen"})
    changed = table.json(f"api/session?since={whole['stamp']}")
    assert [line["id"] for line in changed["plates"]] == ["wide"] and not changed["whole"]
    assert table.json(f"api/session?since={changed['stamp']}")["plates"] == []
    for stamp in ("", "nothing", whole["stamp"] + "9", "0." + whole["stamp"]):
        assert table.json(f"api/session?since={stamp}")["whole"]
    text = (session / "session.toml").read_text(encoding="utf-8")
    more = '[[plate]]\nid = "again"\ncaptures = ["wide.dng"]\n'
    (session / "session.toml").write_text(text + more, encoding="utf-8")
    wait_until(lambda: table.json(f"api/session?since={changed['stamp']}")["whole"])
