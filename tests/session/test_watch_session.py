"""Watching a folder: files half copied, brackets, edited sessions, faults."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
from pathlib import Path

import pytest

from platebench.cli.watch import arrival_line, arrival_lines
from platebench.core.errors import WriteError
from platebench.session import record
from platebench.session.incoming import never_a_capture
from platebench.session.settings_file import load_session
from platebench.session.watch_session import SessionWatch

from ..processes import PATIENCE_S, command, environment
from ..session_files import EXPOSURE_S, put_plate, write_session


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
    (folder / "session.toml").write_text("title = ", encoding="utf-8")  # somebody is writing it
    watch.look()
    clock.now = 4
    assert "session.toml" in watch.look().trouble[0]
    assert watch.look() is None
    (folder / "session.toml").write_text(
        'title = "Mended"\n[light]\nblank = ["blank.dng"]\n', encoding="utf-8"
    )
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


def test_a_sheet_that_cannot_be_written_is_told_beside_the_plates(
    watched, shelf: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*args: object, **kwargs: object) -> None:
        raise WriteError(Path("proof-sheet.pdf"), "the disk is full", "free some space")

    monkeypatch.setattr("platebench.session.convert_session.write_proofs", refuse)
    watch, clock, folder = watched
    arrive(shelf, folder, "blank.dng", "dark.dng", "wide.dng")
    watch.look()
    clock.now = 4
    arrival = watch.look()
    assert [plate.error for plate in arrival.plates] == [None]
    assert ["the disk is full" in sentence for sentence in arrival.trouble] == [True]


def test_an_edited_session_is_added_to_and_keeps_its_comments(watched, shelf: Path) -> None:
    watch, clock, folder = watched
    arrive(shelf, folder, "blank.dng", "tall.dng")
    watch.look()
    clock.now = 4
    watch.look()
    file = folder / "session.toml"
    file.write_text(
        file.read_text(encoding="utf-8") + 'tone = "softer"  # my choice\n', encoding="utf-8"
    )
    arrive(shelf, folder, "wide.dng", "dark.dng")
    watch.look()
    clock.now = 8
    arrival = watch.look()
    settings = load_session(folder)
    assert [plate.captures for plate in settings.plates] == [("tall.dng",), ("wide.dng",)]
    assert settings.dark == ("dark.dng",) and settings.blank == ("blank.dng",)
    assert settings.plates[0].tone == "softer" and "# my choice" in file.read_text(encoding="utf-8")
    assert [plate.plate_id for plate in arrival.plates] == ["plate-001", "plate-002"]


def test_the_rest_of_a_bracket_joins_its_plate(watched, shelf: Path) -> None:
    watch, clock, folder = watched
    arrive(shelf, folder, "blank.dng")
    put_plate(folder / "b1.dng", "wide", at_s=60)
    watch.look()
    clock.now = 4
    watch.look()
    file = folder / "session.toml"
    file.write_text(file.read_text(encoding="utf-8") + "# edited\n", encoding="utf-8")
    put_plate(folder / "b2.dng", "wide", at_s=62, exposure_s=EXPOSURE_S * 4)
    watch.look()
    clock.now = 8
    watch.look()
    assert [plate.captures for plate in load_session(folder).plates] == [("b1.dng", "b2.dng")]


def test_a_text_named_as_a_raw_is_told_as_soon_as_it_has_settled(watched, shelf: Path) -> None:
    watch, clock, folder = watched
    arrive(shelf, folder, "blank.dng", "wide.dng")
    (folder / "notes.dng").write_text("exposed at noon, developed at dusk\n" * 20, encoding="utf-8")
    watch.look()
    clock.now = 4
    arrival = watch.look()
    assert [sentence.split(";")[0] for sentence in arrival.trouble] == [
        f"{folder / 'notes.dng'} is a text file, not a picture"
    ]
    assert arrival.waiting == () and arrival.files == ()
    arrival = watch.look()
    assert arrival.files == ("blank.dng", "wide.dng")
    assert [plate.plate_id for plate in arrival.plates] == ["plate-001"]
    clock.now = 100
    assert watch.look() is None  # told once


def test_a_half_copied_file_is_waited_for_aloud_and_holds_up_nothing(watched, shelf: Path) -> None:
    watch, clock, folder = watched
    whole = (shelf / "tall.dng").read_bytes()
    arrive(shelf, folder, "blank.dng", "wide.dng")
    (folder / "tall.dng").write_bytes(whole[: len(whole) // 2])
    watch.look()
    clock.now = 8
    assert watch.look() is None  # the rest of it may come at any moment
    clock.now = 11.5
    arrival = watch.look()
    assert arrival.trouble == () and arrival.plates == ()  # said before plates are converted
    (sentence,) = arrival.waiting
    assert sentence.startswith("waiting for tall.dng, which is cut off")
    assert next(arrival_lines(arrival)) == sentence
    assert json.loads(arrival_line(arrival))["waiting"] == [sentence]
    assert [plate.plate_id for plate in watch.look().plates] == ["plate-001"]
    clock.now = 30
    assert watch.look() is None  # said once
    (folder / "tall.dng").write_bytes(whole)  # the copy goes on
    watch.look()
    clock.now = 34
    arrival = watch.look()
    assert arrival.files == ("tall.dng",) and arrival.trouble == ()
    assert [plate.plate_id for plate in arrival.plates] == ["plate-002"]


def test_a_file_that_stays_broken_is_told_once_and_stops_nothing(watched, shelf: Path) -> None:
    watch, clock, folder = watched
    arrive(shelf, folder, "blank.dng", "wide.dng")
    (folder / "bad.dng").write_bytes(b"II*\0 not a raw, cut off before its first directory")
    watch.look()
    clock.now = 10
    arrival = watch.look()
    assert arrival.trouble == () and "bad.dng" in arrival.waiting[0]
    assert [plate.plate_id for plate in watch.look().plates] == ["plate-001"]
    clock.now = 59
    assert watch.look() is None
    clock.now = 63
    arrival = watch.look()
    assert arrival.files == () and len(arrival.trouble) == 1 and "bad.dng" in arrival.trouble[0]
    assert list(arrival_lines(arrival)) == []  # errors go to stderr
    clock.now = 200
    assert watch.look() is None


@pytest.mark.parametrize(
    ("beginning", "never"),
    [
        (b"words, and no picture. ", True),
        (b"PK\x03\x04" + bytes(20), True),  # ZIP: APPNOTE 4.3.7, local file header signature
        (b"%PDF-1.7", True),  # ISO 32000-1, 7.5.2
        (b"\0\0\0\x18ftypmp42", True),  # ISO/IEC 14496-12, 4.3
        (bytes(64), False),  # room kept for a copy that has not begun
        (b"II*\0" + bytes(4), False),  # TIFF 6.0: a header whose directory is still to come
        (b"\x89PNG\r\n\x1a\n", False),  # PNG, 5.2
        (b"\xff\xd8\xff\xe0", False),  # JPEG
        (b"\x93 not known here", False),
    ],
)
def test_only_a_files_beginning_can_tell_that_more_of_it_would_not_help(
    tmp_path: Path, beginning: bytes, never: bool
) -> None:
    path = tmp_path / "file.dng"
    path.write_bytes(beginning * 100)
    assert never_a_capture(path) is never
    path.write_bytes(beginning[:8])  # so little may be the first of anything
    assert never_a_capture(path) is False
    path.unlink()
    assert never_a_capture(path) is False


def test_settings_that_cannot_be_used_are_told_and_watching_goes_on(watched, shelf: Path) -> None:
    watch, clock, folder = watched
    (folder / "session.toml").write_text("rotate = 3\n", encoding="utf-8")
    arrive(shelf, folder, "blank.dng", "wide.dng")
    watch.look()
    clock.now = 4
    arrival = watch.look()
    assert any("rotate" in sentence for sentence in arrival.trouble) and arrival.plates == ()


@pytest.mark.big
@pytest.mark.skipif(os.name != "posix", reason="sends a signal")
def test_the_command_tells_each_arrival_and_ends_when_asked(tmp_path: Path, shelf: Path) -> None:
    folder = tmp_path / "today"
    folder.mkdir()
    arrive(shelf, folder, "blank.dng", "wide.dng")
    process = subprocess.Popen(
        command("watch", folder, "--settle", "0.2", "--json"),
        stdout=subprocess.PIPE,
        encoding="utf-8",
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
