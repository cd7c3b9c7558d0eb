"""Watching a folder: files half copied, brackets, edited sessions, faults."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
from pathlib import Path

import pytest

from platebench.session import record
from platebench.session.session_file import load_session
from platebench.session.watch_session import SessionWatch

from .processes import PATIENCE_S, command, environment
from .session_files import EXPOSURE_S, put_plate, write_session


@pytest.fixture(scope="module")
def shelf(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_session(tmp_path_factory.mktemp("shelf"), names=("dense", "tall", "wide"))


class Clock:
    now = 0.0

    def __call__(self) -> float:
        return self.now


@pytest.fixture
def watched(tmp_path: Path) -> tuple[SessionWatch, Clock, Path]:
    folder = tmp_path / "today"
    folder.mkdir()
    clock = Clock()
    return SessionWatch(folder=folder, settle_s=3.0, workers=1, clock=clock), clock, folder


def arrive(shelf: Path, folder: Path, *names: str) -> None:
    for name in names:
        shutil.copy(shelf / name, folder / name)


def test_a_copy_under_a_name_of_its_own_is_not_a_capture_yet(watched, shelf: Path) -> None:
    """Copying programs write beside the final name and rename; the whole file may be there."""
    watch, clock, folder = watched
    arrive(shelf, folder, "blank.dng", "dark.dng", "wide.dng")
    for name in ("tall.dng.part", "tall.tmp"):
        shutil.copy(shelf / "tall.dng", folder / name)
    watch.look()
    clock.now = 4
    assert [plate.plate_id for plate in watch.look().plates] == ["plate-001"]
    (folder / "tall.dng.part").rename(folder / "tall.dng")
    watch.look()
    clock.now = 8
    assert watch.look().files == ("tall.dng",)
    captures = [name for plate in load_session(folder).plates for name in plate.captures]
    assert sorted(captures) == ["tall.dng", "wide.dng"]


def test_what_could_not_be_brought_in_is_tried_again_once_session_toml_is_mended(
    watched, shelf: Path
) -> None:
    watch, clock, folder = watched
    arrive(shelf, folder, "blank.dng", "dark.dng", "wide.dng")
    (folder / "session.toml").write_text("title = ")  # somebody is writing it
    watch.look()
    clock.now = 4
    assert "session.toml" in watch.look().trouble[0]
    assert watch.look() is None
    (folder / "session.toml").write_text('title = "Mended"\n[light]\nblank = ["blank.dng"]\n')
    arrival = watch.look()
    assert arrival.trouble == () and [plate.error for plate in arrival.plates] == [None]
    assert watch.look() is None


def test_files_that_stay_as_they_are_are_read_for_their_digest_once(
    watched, shelf: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    watch, clock, folder = watched
    arrive(shelf, folder, "blank.dng", "dark.dng", "wide.dng")
    watch.look()
    clock.now = 4
    assert watch.look().plates[0].error is None
    read: list[str] = []
    real = record.hash_file
    monkeypatch.setattr(record, "hash_file", lambda path: read.append(path.name) or real(path))
    arrive(shelf, folder, "tall.dng")
    watch.look()
    clock.now = 8
    assert [plate.plate_id for plate in watch.look().plates] == ["plate-002"]
    assert "tall.dng" in read and not {"blank.dng", "dark.dng", "wide.dng"} & set(read)


def test_a_plate_is_converted_once_its_file_is_whole(watched, shelf: Path) -> None:
    watch, clock, folder = watched
    assert watch.look() is None  # an empty folder
    arrive(shelf, folder, "blank.dng", "dark.dng")
    assert watch.look() is None  # just come: it may still grow
    clock.now = 4
    arrival = watch.look()
    assert arrival.files == ("blank.dng", "dark.dng") and arrival.plates == ()
    assert watch.look() is None  # nothing new

    whole = (shelf / "wide.dng").read_bytes()
    (folder / "wide.dng").write_bytes(whole[: len(whole) // 2])
    clock.now = 5
    assert watch.look() is None
    clock.now = 12  # settled, but cut off: the copy has stalled
    assert watch.look() is None
    (folder / "wide.dng").write_bytes(whole)
    assert watch.look() is None
    clock.now = 16
    arrival = watch.look()
    assert [plate.plate_id for plate in arrival.plates] == ["plate-001"]
    assert arrival.plates[0].error is None and arrival.trouble == ()
    assert [entry.name for entry in arrival.checked] == ["wide.dng"]
    assert (folder / "converted" / "positives" / "plate-001.tif").exists()
    assert (folder / "wide.dng").read_bytes() == whole

    arrive(shelf, folder, "dense.dng")
    clock.now = 17
    watch.look()
    clock.now = 21
    arrival = watch.look()
    assert len(load_session(folder).plates) == 2
    # taken before the other, come after it: the first keeps its id, and is not made again
    assert [plate.plate_id for plate in arrival.plates] == ["plate-002"]
    assert [plate.captures for plate in load_session(folder).plates] == [
        ("wide.dng",),
        ("dense.dng",),
    ]


def test_an_edited_session_is_added_to_and_keeps_its_comments(watched, shelf: Path) -> None:
    watch, clock, folder = watched
    arrive(shelf, folder, "blank.dng", "tall.dng")
    watch.look()
    clock.now = 4
    watch.look()
    file = folder / "session.toml"
    file.write_text(file.read_text() + 'tone = "softer"  # my choice\n')
    arrive(shelf, folder, "wide.dng", "dark.dng")
    watch.look()
    clock.now = 8
    arrival = watch.look()
    settings = load_session(folder)
    assert [plate.captures for plate in settings.plates] == [("tall.dng",), ("wide.dng",)]
    assert settings.dark == ("dark.dng",) and settings.blank == ("blank.dng",)
    assert settings.plates[0].tone == "softer" and "# my choice" in file.read_text()
    assert [plate.plate_id for plate in arrival.plates] == ["plate-001", "plate-002"]


def test_the_rest_of_a_bracket_joins_its_plate(watched, shelf: Path) -> None:
    watch, clock, folder = watched
    arrive(shelf, folder, "blank.dng")
    put_plate(folder / "b1.dng", "wide", at_s=60)
    watch.look()
    clock.now = 4
    watch.look()
    file = folder / "session.toml"
    file.write_text(file.read_text() + "# edited\n")
    put_plate(folder / "b2.dng", "wide", at_s=62, exposure_s=EXPOSURE_S * 4)
    watch.look()
    clock.now = 8
    watch.look()
    assert [plate.captures for plate in load_session(folder).plates] == [("b1.dng", "b2.dng")]


def test_a_file_that_stays_broken_is_told_once_and_stops_nothing(watched, shelf: Path) -> None:
    watch, clock, folder = watched
    arrive(shelf, folder, "blank.dng", "wide.dng")
    (folder / "bad.dng").write_bytes(b"not a raw")
    watch.look()
    clock.now = 100
    arrival = watch.look()
    assert len(arrival.trouble) == 1 and "bad.dng" in arrival.trouble[0]
    assert [plate.plate_id for plate in arrival.plates] == ["plate-001"]
    clock.now = 200
    assert watch.look() is None


def test_settings_that_cannot_be_used_are_told_and_watching_goes_on(watched, shelf: Path) -> None:
    watch, clock, folder = watched
    (folder / "session.toml").write_text("rotate = 3\n")
    arrive(shelf, folder, "blank.dng", "wide.dng")
    watch.look()
    clock.now = 4
    arrival = watch.look()
    assert any("rotate" in sentence for sentence in arrival.trouble) and arrival.plates == ()


@pytest.mark.skipif(os.name != "posix", reason="sends a signal")
def test_the_command_tells_each_arrival_and_ends_when_asked(tmp_path: Path, shelf: Path) -> None:
    folder = tmp_path / "today"
    folder.mkdir()
    arrive(shelf, folder, "blank.dng", "wide.dng")
    process = subprocess.Popen(
        command("watch", folder, "--settle", "0.2", "--json"),
        stdout=subprocess.PIPE,
        text=True,
        env=environment(),
    )
    try:
        told = json.loads(process.stdout.readline())
        process.send_signal(signal.SIGINT)
        assert process.wait(timeout=PATIENCE_S) == 130
    finally:
        process.kill()
        process.stdout.close()
    assert told["files"] == ["blank.dng", "wide.dng"]
    assert told["plates"][0]["result"]["density_range"] > 0
    assert [entry["capture"] for entry in told["checked"]] == ["blank.dng", "wide.dng"]
