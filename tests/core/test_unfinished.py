"""What a killed run leaves goes with the next run; what a living one is writing stays."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import filelock
import pytest
from click.testing import CliRunner

from platebench.cli import main
from platebench.core.errors import ExitCode, WriteError
from platebench.core.files import (
    DAY_S,
    HELD_OPEN,
    UNFINISHED,
    atomic_folder,
    atomic_write,
    remove_unfinished,
    write_error,
)
from platebench.session.convert_session import convert_session

from ..processes import environment
from ..refusals import refused
from ..session_files import tree, write_session

WRITING = """
import sys, time
from pathlib import Path
from platebench.core.files import atomic_folder, atomic_write

target = Path(sys.argv[2])
if sys.argv[1] == "folder":
    with atomic_folder(target) as folder:
        (folder / "data").write_bytes(bytes(1000))
        print("writing", flush=True)
        time.sleep(600)
with atomic_write(target) as stream:
    stream.write(bytes(1000))
    stream.flush()
    print("writing", flush=True)
    time.sleep(600)
"""


@contextmanager
def writer(target: Path, kind: str = "file") -> Iterator[subprocess.Popen[str]]:
    """Another process in the midst of writing ``target``."""
    with subprocess.Popen(
        [sys.executable, "-c", WRITING, kind, str(target)],
        stdout=subprocess.PIPE,
        encoding="utf-8",
        env=environment(),
    ) as process:
        try:
            assert process.stdout is not None and process.stdout.readline() == "writing\n"
            yield process
        finally:
            process.kill()


def unfinished(folder: Path) -> list[Path]:
    return sorted(folder.rglob(f"{UNFINISHED}*"))


@pytest.mark.parametrize("kind", ["file", "folder"])
def test_what_is_being_written_stays_and_what_was_killed_goes(tmp_path: Path, kind: str) -> None:
    with writer(tmp_path / "wide.tif", kind) as other:
        remove_unfinished(tmp_path)
        (place,) = unfinished(tmp_path)
        assert any(path.stat().st_size == 1000 for path in place.rglob("*") if path.is_file())
        other.kill()
        other.wait()
        assert place.exists()
        remove_unfinished(tmp_path)
    assert list(tmp_path.iterdir()) == []


def test_writing_a_file_takes_away_what_a_killed_process_left_beside_it(tmp_path: Path) -> None:
    with writer(tmp_path / "wide.tif") as other:
        other.kill()
        other.wait()
    assert unfinished(tmp_path)
    with atomic_write(tmp_path / "tall.tif") as stream:
        stream.write(b"whole")
    assert tree(tmp_path).keys() == {"tall.tif"}


def test_two_that_write_the_same_file_at_once_both_do(tmp_path: Path) -> None:
    with atomic_write(tmp_path / "a") as first:
        first.write(b"first")
        with atomic_write(tmp_path / "a") as second:
            second.write(b"second")
        assert (tmp_path / "a").read_bytes() == b"second"
    assert (tmp_path / "a").read_bytes() == b"first" and list(tmp_path.iterdir()) == [
        tmp_path / "a"
    ]


@pytest.mark.parametrize("state", ["empty", "half removed", "of an earlier version"])
def test_what_was_killed_before_or_after_it_held_its_place_goes_too(
    tmp_path: Path, state: str
) -> None:
    place = tmp_path / f"{UNFINISHED}x"
    place.mkdir()
    if state != "empty":
        (place / "data").mkdir()
    remove_unfinished(tmp_path)
    assert not place.exists()


def test_where_the_disk_knows_no_locks_age_decides(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def unknown(descriptor: int, *, blocking: bool) -> bool:
        raise OSError(95, "Operation not supported")

    monkeypatch.setattr(filelock, "lock_descriptor", unknown)
    with atomic_write(tmp_path / "whole.tif") as stream:
        stream.write(b"whole")
        remove_unfinished(tmp_path)
        (place,) = unfinished(tmp_path)
        then = time.time() - DAY_S - 60
        kept = tmp_path / f"{UNFINISHED}old"
        shutil.copytree(place, kept)
        os.utime(kept, (then, then))
        remove_unfinished(tmp_path)
        assert unfinished(tmp_path) == [place]
    assert tree(tmp_path).keys() == {"whole.tif"}


@pytest.fixture(scope="module")
def converted(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = write_session(tmp_path_factory.mktemp("original") / "shelf", names=("wide",))
    convert_session(folder, workers=1)
    return folder


@pytest.mark.big
@pytest.mark.parametrize(
    ("args", "places"),
    [
        (("convert", "."), ("converted", "converted/positives", "converted/plates")),
        (("master", "."), ("masters",)),
        (("share", "."), ("converted/shared",)),
        (("archive", "."), ("packages",)),
        (("print-negative", ".", "wide", "--process", "albumen"), ("print-negatives",)),
        (("print-plate", ".", "wide", "--process", "albumen"), ("test-strips",)),
        (("process-chart", "charts"), ("charts",)),
        (("develop-log", ".", "--plate", "wide", "--develop", "5m"), (".",)),
        (("measure", ".", "wide", "--grid", "2x2", "--output", "read.csv"), (".",)),
        (("start", "."), (".",)),
        (("demo", "new"), ("new",)),
    ],
    ids=lambda part: part[0] if isinstance(part, tuple) else "",
)
def test_the_next_run_of_each_command_takes_leftovers_away_at_once(
    args: tuple[str, ...],
    places: tuple[str, ...],
    converted: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    session = Path(shutil.copytree(converted, tmp_path / "shelf"))
    if args[0] == "start":
        (session / "session.toml").unlink()
    if args[0] == "demo":  # as it was made, it takes a minute
        monkeypatch.setattr("platebench.synthetic.demo._plates", lambda: ())
    monkeypatch.chdir(session)
    for place in places:
        (session / place).mkdir(exist_ok=True)
        with writer(session / place / "packed", "folder") as other:
            other.kill()
            other.wait()
    assert len(unfinished(session)) == len(places)
    result = CliRunner().invoke(main, list(args))
    if args[0] != "demo":
        assert result.exit_code == ExitCode.OK, result.output
    assert unfinished(session) == []


@pytest.mark.parametrize(
    ("code", "said"),
    [(32, "another program has it open"), (33, "another program has it open"), (5, "read-only")],
)
def test_a_file_that_another_program_holds_open(tmp_path: Path, code: int, said: str) -> None:
    """As Windows refuses it: WinError 32, 33 or 5 (its documentation of system error codes)."""
    target = tmp_path / "report.pdf"
    target.touch()
    error = PermissionError(13, "Permission denied")
    error.winerror = code  # type: ignore[attr-defined]
    told = write_error(target, error)
    assert isinstance(told, WriteError) and said in str(told) and "close it there" in str(told)


def test_a_file_held_open_keeps_what_is_in_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    target = tmp_path / "report.pdf"
    target.write_bytes(b"before")

    def held(self: Path, to: Path) -> Path:
        error = PermissionError(13, "Permission denied", str(to))
        error.winerror = 32  # type: ignore[attr-defined]
        raise error

    monkeypatch.setattr(Path, "replace", held)
    with (
        refused(WriteError, path=target, what=HELD_OPEN[0], remedy=HELD_OPEN[1]),
        atomic_write(target) as new,
    ):
        new.write(b"after")
    with pytest.raises(WriteError), atomic_folder(target):
        pass
    assert target.read_bytes() == b"before" and list(tmp_path.iterdir()) == [target]
