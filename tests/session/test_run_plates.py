"""What holds for every command on plates: it waits its turn, replaces nobody's work, goes on."""

from __future__ import annotations

import os
import shutil
from dataclasses import dataclass
from pathlib import Path
from types import SimpleNamespace

import pytest
from click.testing import CliRunner, Result

from platebench.cli import main
from platebench.core import locks
from platebench.core.errors import ExitCode
from platebench.core.files import UNFINISHED
from platebench.core.locks import LOCK, let_go, try_to_hold
from platebench.session import pool
from platebench.session.convert_session import convert_session

from ..session_files import tree, write_session

PLATES = ("dense", "wide")


@dataclass(frozen=True)
class Command:
    """A command on plates: its words, and what it makes of a plate below its folder."""

    name: str
    picture: str
    options: tuple[str, ...] = ()
    skips: bool = False  # leaves what is done as it is

    def run(self, session: Path, out: Path) -> Result:
        plates = () if self.skips else PLATES
        words = [self.name, str(session), *plates, *self.options, "--output", str(out)]
        return CliRunner().invoke(main, words)

    def made(self, out: Path, plate: str) -> Path:
        (path,) = out.glob(self.picture.format(plate))
        return path


COMMANDS = (
    Command("convert", "positives/{}.tif", ("--jobs", "1"), skips=True),
    Command("master", "{}.tif", ("--jobs", "1"), skips=True),
    Command("print-negative", "{}-*.tif", ("--process", "albumen", "--jobs", "1")),
    Command("print-plate", "{}-*.pdf", ("--process", "albumen")),
    Command("share", "{}.jpg"),
)
every_command = pytest.mark.parametrize("command", COMMANDS, ids=lambda command: command.name)
REFUSED = (ExitCode.OUTPUT, ExitCode.PARTIAL)  # before the first plate, or for this plate alone


@pytest.fixture(scope="module")
def converted(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = write_session(tmp_path_factory.mktemp("loop") / "shelf", names=PLATES)
    convert_session(folder, workers=1)
    return folder


@pytest.fixture(scope="module")
def results(converted: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """What each command makes; never to be changed."""
    made = {}
    for command in COMMANDS:
        made[command.name] = tmp_path_factory.mktemp("made") / "out"
        done = command.run(converted, made[command.name])
        assert done.exit_code == 0, done.output
    return made


@pytest.fixture
def out(command: Command, results: dict[str, Path], tmp_path: Path) -> Path:
    """What a command made, to be changed."""
    return Path(shutil.copytree(results[command.name], tmp_path / "out"))


@every_command
def test_another_run_is_waited_for(
    command: Command, out: Path, converted: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    before, held = tree(out), try_to_hold(out / LOCK)
    waited = []

    def other_ends(pause_s: float) -> None:
        assert held is not None
        waited.append(pause_s)
        let_go(out / LOCK, held)

    monkeypatch.setattr(locks, "time", SimpleNamespace(sleep=other_ends))
    assert command.run(converted, out).exit_code == 0
    assert len(waited) == 1
    assert tree(out) == before  # made again, or left: the same bytes, and no lock


@every_command
def test_a_file_that_somebody_edited_is_refused(
    command: Command, out: Path, converted: Path
) -> None:
    command.made(out, "wide").write_bytes(b"mine")
    assert command.run(converted, out).exit_code in REFUSED
    assert command.made(out, "wide").read_bytes() == b"mine"


@every_command
def test_a_capture_is_never_replaced(command: Command, out: Path, converted: Path) -> None:
    before, picture = tree(converted), command.made(out, "wide")
    picture.unlink()
    os.link(converted / "wide.dng", picture)
    assert command.run(converted, out).exit_code in REFUSED
    assert tree(converted) == before and picture.samefile(converted / "wide.dng")


@every_command
def test_a_plate_that_fails_does_not_stop_the_others(
    command: Command, out: Path, converted: Path
) -> None:
    """The first of the two fails: there is a folder where its picture goes."""
    first, second = (command.made(out, plate) for plate in PLATES)
    shutil.rmtree(out)
    first.mkdir(parents=True)
    done = command.run(converted, out)
    assert done.exit_code == ExitCode.PARTIAL
    assert second.is_file() and first.is_dir()
    assert [line for line in done.stderr.splitlines() if line.startswith("Error: ")]


@every_command
def test_what_a_killed_run_left_is_removed(command: Command, out: Path, converted: Path) -> None:
    place = command.made(out, "wide").parent / f"{UNFINISHED}0123"
    place.mkdir()
    (place / "wide.tif").write_bytes(b"half")
    assert command.run(converted, out).exit_code == 0
    assert not place.exists()


@every_command
def test_an_interrupted_run_goes_on_where_it_stopped(
    command: Command,
    converted: Path,
    results: dict[str, Path],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    real, calls, out = pool._guarded, [], tmp_path / "out"

    def interrupted(*args: object) -> object:
        calls.append(args)
        if len(calls) == 2:
            raise KeyboardInterrupt
        return real(*args)  # type: ignore[arg-type]

    monkeypatch.setattr(pool, "_guarded", interrupted)
    assert command.run(converted, out).exit_code == ExitCode.INTERRUPTED
    made = command.made(out, PLATES[0]).stat()
    assert not list(out.rglob(f"{UNFINISHED}*")) and not (out / LOCK).exists()
    monkeypatch.setattr(pool, "_guarded", real)
    assert command.run(converted, out).exit_code == 0
    assert tree(out) == tree(results[command.name])
    kept = command.made(out, PLATES[0]).stat().st_mtime_ns == made.st_mtime_ns
    assert kept is command.skips
