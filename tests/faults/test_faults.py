"""Real faults, in real processes: full disks, read-only places, Ctrl-C, killed parents.

Each time: one clear line, the promised exit code, originals untouched, nothing half-written.
"""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from platebench.core.errors import ExitCode, WriteError
from platebench.core.files import UNFINISHED
from platebench.session.convert_session import convert_session

from ..processes import PATIENCE_S, command, environment, wait_until
from ..session_files import tree, write_session

pytestmark = pytest.mark.skipif(os.name != "posix", reason="faults made the POSIX way")


@pytest.fixture(scope="module")
def original(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_session(tmp_path_factory.mktemp("original") / "shelf")


@pytest.fixture
def session(original: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(original, tmp_path / "shelf"))


@pytest.fixture
def untouched(session: Path) -> Iterator[None]:
    """Hold that the captures and the settings are the same bytes afterwards."""
    before = tree(session)
    yield
    assert tree(session, but="converted") == before
    assert not list(session.rglob(f"{UNFINISHED}*"))


@pytest.mark.big
@pytest.mark.usefixtures("untouched")
def test_no_room_for_the_positives(session: Path) -> None:
    import resource

    def keep_files_small() -> None:  # every write past 40 kB is refused with EFBIG
        resource.setrlimit(resource.RLIMIT_FSIZE, (40_000, 40_000))

    done = subprocess.run(
        command("convert", session, "--jobs", "2"),
        capture_output=True,
        encoding="utf-8",
        env=environment(),
        preexec_fn=keep_files_small,
    )
    assert done.returncode == ExitCode.OUTPUT
    lines = done.stderr.splitlines()
    for name, line in zip(("dense", "tall", "wide"), lines[:3], strict=True):
        assert line.startswith(f"Error: {name}: ")
        assert ".tif" in line
    assert len(lines) == 4 and "report.html" in lines[3]  # it carries its typeface
    assert set(tree(session / "converted")) - {".made-from.json"} == {"report.json"}


@contextmanager
def small_disk(folder: Path, kilobytes: int) -> Iterator[Path]:
    """Mount a disk of that size, which takes rights that few test machines give."""
    folder.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", f"size={kilobytes}k", "tmpfs", str(folder)]
    if shutil.which("mount") is None or subprocess.run(mount, capture_output=True).returncode:
        pytest.skip("no right to mount a small disk here")
    try:
        yield folder
    finally:
        subprocess.run(["umount", str(folder)], check=True, capture_output=True)


@pytest.mark.usefixtures("untouched")
def test_a_full_disk(session: Path, tmp_path: Path) -> None:
    with small_disk(tmp_path / "disk", 160) as disk:
        done = subprocess.run(
            command("convert", session, "--output", disk / "out", "--jobs", "1"),
            capture_output=True,
            encoding="utf-8",
            env=environment(),
        )
        assert "disk is full" in done.stderr
        assert done.returncode in (ExitCode.OUTPUT, ExitCode.PARTIAL)
        assert not list(disk.rglob(f"{UNFINISHED}*"))


@pytest.mark.usefixtures("untouched")
def test_a_disk_that_fills_up_while_writing(session: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import errno

    real, calls = os.fsync, []

    def full(fd: int) -> None:
        calls.append(fd)
        if len(calls) > 4:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        real(fd)

    monkeypatch.setattr(os, "fsync", full)
    result = convert_session(session, workers=1)
    failed = [*result.errors, *(one.error for one in result.results if one.error)]
    assert failed and all(isinstance(error, WriteError) for error in failed)
    assert result.exit_code is not ExitCode.OK
    monkeypatch.setattr(os, "fsync", real)
    result = convert_session(session, workers=1)
    assert result.exit_code is ExitCode.OK


@pytest.mark.usefixtures("untouched")
def test_a_folder_that_may_not_be_written(session: Path, tmp_path: Path) -> None:
    if os.geteuid() != 0:
        place = tmp_path / "closed"
        place.mkdir(mode=0o500)
    elif Path("/sys/kernel").is_dir():
        place = Path("/sys/kernel")  # refuses new folders, to root as well
    else:
        pytest.skip("root may write everywhere")
    done = subprocess.run(
        command("convert", session, "--output", place / "out"),
        capture_output=True,
        encoding="utf-8",
        env=environment(),
    )
    assert done.returncode == ExitCode.OUTPUT and done.stdout == ""
    assert done.stderr.count("\n") == 1
    assert "(--output)" in done.stderr


@pytest.mark.usefixtures("untouched")
def test_a_session_folder_that_may_not_be_written(session: Path) -> None:
    if os.geteuid() == 0:
        pytest.skip("root may write everywhere")
    session.chmod(0o500)
    try:
        done = subprocess.run(
            command("convert", session), capture_output=True, encoding="utf-8", env=environment()
        )
    finally:
        session.chmod(0o700)
    assert done.returncode == ExitCode.OUTPUT
    assert "permission" in done.stderr and "(--output)" in done.stderr


# A run whose plates, all but the first where it is FREE, wait to be told to go on.
SLOW = """
import time
from functools import partial
from pathlib import Path

import platebench.session.convert_session as sessions

real = sessions.convert_and_record

def slow(job):
    end = time.monotonic() + 60
    while job.plate_id != FREE and not Path(GO_ON).exists() and time.monotonic() < end:
        time.sleep(0.02)
    return real(job)

if __name__ == "__main__":
    from platebench.cli import main

    convert = sessions.convert_session
    sessions.convert_session = partial(convert, task=slow)
    main()
"""


@contextmanager
def slow_run(session: Path, free: str, *args: str) -> Iterator[subprocess.Popen[str]]:
    script = session.parent / "slow.py"
    go_on = str(session.parent / "go on")
    script.write_text(
        SLOW.replace("FREE", repr(free)).replace("GO_ON", repr(go_on)), encoding="utf-8"
    )
    process = subprocess.Popen(
        [sys.executable, str(script), "convert", str(session), *args],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        encoding="utf-8",
        start_new_session=True,
        env=environment(),
    )
    try:
        yield process
    finally:
        if process.poll() is None:
            process.kill()
        process.communicate()


def records(session: Path) -> int:
    return len(list((session / "converted" / "plates").glob("[!.]*.json")))


@pytest.mark.big
@pytest.mark.usefixtures("untouched")
@pytest.mark.parametrize(
    ("jobs", "asked"),
    [("1", signal.SIGINT), ("2", signal.SIGINT), ("2", signal.SIGTERM)],
    ids=["Ctrl-C alone", "Ctrl-C with workers", "asked to end"],
)
def test_interrupted_then_gone_on_with(session: Path, jobs: str, asked: signal.Signals) -> None:
    with slow_run(session, "dense", "--jobs", jobs) as process:
        wait_until(lambda: records(session) >= 1)
        if asked is signal.SIGINT:
            os.killpg(process.pid, asked)  # as a terminal does, workers and all
        else:
            process.send_signal(asked)
        (session.parent / "go on").touch()
        out, err = process.communicate(timeout=PATIENCE_S)
    assert process.returncode == ExitCode.INTERRUPTED
    assert out == "" and "Traceback" not in err
    assert err.endswith("interrupted; finished files are kept, run again to go on\n")
    kept = records(session)
    assert 1 <= kept <= 3
    assert not list(session.rglob(f"{UNFINISHED}*"))
    result = convert_session(session, workers=1)
    assert sum(plate.skipped for plate in result.results) == kept
    assert result.exit_code is ExitCode.OK


@pytest.mark.big
def test_workers_end_when_their_parent_is_killed(session: Path) -> None:
    if not Path("/proc/self/stat").exists():
        pytest.skip("reads processes from /proc")
    with slow_run(session, "", "--jobs", "2") as process:
        wait_until(lambda: len(members(process.pid)) >= 3)
        process.send_signal(signal.SIGKILL)
        process.wait()
        wait_until(lambda: not members(process.pid))


def members(group: int) -> list[int]:
    """Return the living processes of a process group."""
    found = []
    for stat in Path("/proc").glob("[0-9]*/stat"):
        try:
            state, _, its_group = stat.read_text(encoding="utf-8").rpartition(")")[2].split()[:3]
        except OSError:
            continue
        if int(its_group) == group and state != "Z":
            found.append(int(stat.parent.name))
    return found
