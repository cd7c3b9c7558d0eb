"""Packaging and what can happen to it, for real: kill -9, full disks, closed folders, Ctrl-C.

Each time: no package under its final name that is not whole, originals untouched, one clear line.
"""

from __future__ import annotations

import errno
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result

from platebench.archive.pack_session import PackOptions, pack_session
from platebench.archive.package_writer import new_package
from platebench.archive.verify import verify_package
from platebench.cli import main
from platebench.core.errors import ArchiveError, ExitCode, WriteError
from platebench.core.files import UNFINISHED

from ..processes import PATIENCE_S, command, environment, wait_until
from ..refusals import refused
from ..session_files import tree
from .conftest import NOW
from .packages import DAY

pytestmark = pytest.mark.skipif(os.name != "posix", reason="faults made the POSIX way")

# Packs the same small files again and again, so that a kill may come at any moment of it. What
# is needed is loaded once; each line of its input forks another one to be killed.
PACKING = """
import os
import sys
from datetime import date
from pathlib import Path

from platebench.archive.package_writer import new_package

for line in sys.stdin:
    place = Path(line.rstrip())
    if child := os.fork():
        os.waitpid(child, 0)
        print("ended", flush=True)
        continue
    print(os.getpid(), flush=True)
    for number in range(100_000):
        with new_package(place / f"p{number}", date(2026, 3, 1)) as writer:
            for source in sorted(Path(sys.argv[1]).iterdir()):
                writer.copy(source, f"masters/{source.name}")
"""


def kill_while_packing(folder: Path, moments: np.random.Generator, times: int) -> tuple[int, int]:
    """Kill a packing process at random moments; return whole packages seen, and killed ones."""
    sources = folder / "sources"
    sources.mkdir()
    for n in range(4):
        (sources / f"{n}.tif").write_bytes(moments.bytes(200_000))
    before = tree(sources)
    whole = unfinished = 0
    packing = subprocess.Popen(
        [sys.executable, "-c", PACKING, str(sources)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        encoding="utf-8",
        env=environment(),
    )
    assert packing.stdin is not None and packing.stdout is not None
    for turn in range(times):
        place = folder / f"turn{turn}"
        place.mkdir()
        print(place, file=packing.stdin, flush=True)
        child = int(packing.stdout.readline())
        time.sleep(moments.uniform(0, 0.3))
        os.kill(child, signal.SIGKILL)
        assert packing.stdout.readline() == "ended\n"
        for path in place.iterdir():
            if path.name.startswith(UNFINISHED):
                unfinished += 1
                continue
            assert verify_package(path).valid, path
            whole += 1
        assert tree(sources) == before
        shutil.rmtree(place)
    packing.communicate()
    assert packing.returncode == 0
    return whole, unfinished


@pytest.mark.big
def test_killed_at_random_moments_a_few_times(tmp_path: Path) -> None:
    whole, unfinished = kill_while_packing(tmp_path, np.random.default_rng(5), 6)
    assert whole + unfinished > 0


@pytest.mark.big
def test_killed_at_random_moments_two_hundred_times(tmp_path: Path) -> None:
    whole, unfinished = kill_while_packing(tmp_path, np.random.default_rng(6), 200)
    assert whole > 20 and unfinished > 50  # killed between packages, and in the midst of one


def archive_here(session: Path, *args: str | Path) -> Result:
    """Run the command in this process, for what needs none of its own."""
    return CliRunner().invoke(main, ["archive", str(session), *map(str, args)])


def test_a_disk_that_takes_no_large_files(session: Path) -> None:
    import resource

    before = tree(session)

    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (40_000, hard))  # a write past it gives EFBIG
    try:
        done = archive_here(session, "--no-masters", "--captures")
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    assert done.exit_code == ExitCode.OUTPUT and done.stdout == ""
    assert done.stderr.count("\n") == 1
    assert tree(session) == before and not list((session / "packages").iterdir())


def test_a_full_disk(session: Path, tmp_path: Path) -> None:
    disk = tmp_path / "disk"
    disk.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=400k", "tmpfs", str(disk)]
    if shutil.which("mount") is None or subprocess.run(mount, capture_output=True).returncode:
        pytest.skip("no right to mount a small disk here")
    try:
        done = archive_here(session, "--captures", "--output", disk)
        assert done.exit_code == ExitCode.OUTPUT
        assert "0.4 MB" in done.stderr
        from platebench.archive import pack_session as packing

        real = packing.check_room
        packing.check_room = lambda *args: None  # type: ignore[attr-defined]
        try:
            with refused(WriteError, cause=errno.ENOSPC):
                pack_session(session, now=NOW, to=disk, options=PackOptions(captures=True))
        finally:
            packing.check_room = real  # type: ignore[attr-defined]
        assert list(disk.iterdir()) == []
    finally:
        subprocess.run(["umount", str(disk)], check=True, capture_output=True)


@pytest.mark.parametrize("call", [1, 3, 6, 9])
def test_a_disk_that_fills_up_as_a_file_is_flushed(
    session: Path, monkeypatch: pytest.MonkeyPatch, call: int
) -> None:
    before = tree(session)
    real, calls = os.fsync, []

    def full(number: int) -> None:
        calls.append(number)
        if len(calls) >= call:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        real(number)

    monkeypatch.setattr(os, "fsync", full)
    with refused(WriteError, cause=errno.ENOSPC):
        pack_session(session, now=NOW, options=PackOptions(masters=False))
    monkeypatch.setattr(os, "fsync", real)
    assert tree(session) == before
    (again,) = pack_session(session, now=NOW, options=PackOptions(masters=False))
    assert again.check.valid


def test_a_folder_that_may_not_be_written(session: Path, tmp_path: Path) -> None:
    if os.geteuid() != 0:
        place = tmp_path / "closed"
        place.mkdir(mode=0o500)
    elif Path("/sys/kernel").is_dir():
        place = Path("/sys/kernel")  # refuses new folders, to root as well
    else:
        pytest.skip("root may write everywhere")
    done = archive_here(session, "--output", place / "out")
    assert done.exit_code == ExitCode.OUTPUT and done.stderr.count("\n") == 1
    assert "(--output)" in done.stderr


def test_a_source_that_vanishes_while_it_is_packed(
    session: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from platebench.archive import pack_session as packing

    real: Callable[..., object] = packing._Packing._copy_results

    def vanishing(self: object, writer: object, jobs: object) -> object:
        (session / "converted/previews/tall.jpg").unlink()
        return real(self, writer, jobs)

    monkeypatch.setattr(packing._Packing, "_copy_results", vanishing)
    with refused(ArchiveError, path=session / "converted/previews/tall.jpg"):
        pack_session(session, now=NOW, options=PackOptions(masters=False))
    assert not list((session / "packages").iterdir())


def test_a_source_whose_disk_fails_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from platebench.archive import package_writer

    (tmp_path / "source").write_bytes(b"x" * 100)

    class Failing:
        def __init__(self, path: Path) -> None:
            self.stream = path.open("rb", buffering=0)

        def __enter__(self) -> Failing:
            return self

        def __exit__(self, *args: object) -> None:
            self.stream.close()

        def fileno(self) -> int:
            return self.stream.fileno()

        def readinto(self, buffer: memoryview) -> int:
            raise OSError(errno.EIO, os.strerror(errno.EIO))

    monkeypatch.setattr(package_writer, "open_regular", Failing)
    with (
        refused(ArchiveError, path=tmp_path / "source", cause=errno.EIO),
        new_package(tmp_path / "p", DAY) as writer,
    ):
        writer.copy(tmp_path / "source", "file")
    assert [path.name for path in tmp_path.iterdir()] == ["source"]


@pytest.mark.big
def test_interrupted_it_leaves_nothing(session: Path) -> None:
    before = tree(session)
    process = subprocess.Popen(
        command("archive", session, "--captures"),
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        encoding="utf-8",
        env=environment(),
    )
    packages = session / "packages"
    wait_until(lambda: process.poll() is not None or list(packages.glob("*")))
    process.send_signal(signal.SIGINT)
    _, said = process.communicate(timeout=PATIENCE_S)
    if process.returncode != ExitCode.OK:  # it was faster than the signal
        assert process.returncode == ExitCode.INTERRUPTED, said
        assert said == "interrupted; finished files are kept\n"
        assert not list(packages.iterdir())
    assert tree(session, but="packages") == before
