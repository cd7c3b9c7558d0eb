"""Two runs into one folder of results: the second waits, and nothing is lost or half written."""

from __future__ import annotations

import errno
import os
import subprocess
import sys
import threading
from pathlib import Path

import filelock
import pytest

from platebench.core.files import UNFINISHED
from platebench.core.locks import LOCK, only_writer, sole_run
from platebench.core.progress import NullProgress
from platebench.plate.job import PlateJob, PlateResult
from platebench.session.convert_session import convert_and_record, convert_session

from ..session_files import tree, write_session


class Notes(NullProgress):
    def __init__(self) -> None:
        self.said: list[str] = []
        self.noted = threading.Event()

    def note(self, text: str) -> None:
        self.said.append(text)
        self.noted.set()


def test_the_second_run_waits_and_finds_everything_done(tmp_path: Path) -> None:
    folder = write_session(tmp_path / "shelf", names=("wide",))
    begun, go_on = threading.Event(), threading.Event()

    def slowly(job: PlateJob) -> PlateResult:
        begun.set()
        assert go_on.wait(60)
        return convert_and_record(job)

    first = threading.Thread(target=convert_session, args=(folder,), kwargs={"task": slowly})
    first.start()
    assert begun.wait(60)
    notes, second = Notes(), []

    def again() -> None:
        second.append(convert_session(folder, progress=notes))

    other = threading.Thread(target=again)
    other.start()
    assert notes.noted.wait(60)
    assert not second  # it waits
    go_on.set()
    first.join(60)
    other.join(60)
    assert [result.skipped for result in second[0].results] == [True]
    assert notes.said == [
        f"another run is writing into {folder / 'converted'}; waiting for it to end"
    ]
    assert not [name for name in tree(folder) if UNFINISHED in name]


def test_a_run_that_is_killed_holds_nobody_up(tmp_path: Path) -> None:
    holder = (
        "import sys, time\n"
        "from pathlib import Path\n"
        "from platebench.core.locks import only_writer\n"
        "from platebench.core.progress import NullProgress\n"
        f"with only_writer(Path({str(tmp_path)!r}), NullProgress()):\n"
        "    print('held', flush=True)\n"
        "    time.sleep(60)\n"
    )
    path = [entry for entry in sys.path if entry]
    with subprocess.Popen(
        [sys.executable, "-c", f"import sys; sys.path[:] = {path!r}\n{holder}"],
        stdout=subprocess.PIPE,
        encoding="utf-8",
    ) as process:
        assert process.stdout is not None and process.stdout.readline() == "held\n"
        process.kill()
        process.wait()
    notes = Notes()
    with only_writer(tmp_path, notes):
        assert notes.said == []
    assert os.name != "posix" or list(tmp_path.iterdir()) == []  # elsewhere its file may stay


def test_where_folders_cannot_be_locked_work_goes_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def unknown(descriptor: int, *, blocking: bool) -> bool:
        raise OSError(errno.ENOLCK, "no locks here")

    monkeypatch.setattr(filelock, "lock_descriptor", unknown)
    notes = Notes()
    with only_writer(tmp_path, notes):
        assert notes.said == []


def test_each_of_many_holds_the_folder_alone(tmp_path: Path) -> None:
    """Though the lock's file is taken away and made again each time."""
    inside, most = 0, []

    def work() -> None:
        nonlocal inside
        for _ in range(30):
            with sole_run(tmp_path) as alone:
                if alone:
                    inside += 1
                    most.append(inside)
                    inside -= 1

    threads = [threading.Thread(target=work) for _ in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert most and set(most) == {1}


@pytest.mark.parametrize("why", [errno.EACCES, errno.EROFS])
def test_a_folder_that_is_read_only_holds_nobody_up(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, why: int
) -> None:
    real = os.open

    def closed(path: object, flags: int, *args: int) -> int:
        if str(path).endswith(LOCK) and flags & os.O_CREAT:
            raise OSError(why, os.strerror(why), path)
        return real(path, flags, *args)  # type: ignore[arg-type]

    monkeypatch.setattr(os, "open", closed)
    notes = Notes()
    with only_writer(tmp_path, notes), sole_run(tmp_path) as alone:
        assert alone
    assert notes.said == [] and list(tmp_path.iterdir()) == []


def test_a_lock_another_may_only_read_is_waited_for(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As the file of another user, in a folder that both write in."""
    real = os.open

    def guarded(path: object, flags: int, *args: int) -> int:
        if str(path).endswith(LOCK) and flags & os.O_RDWR and Path(str(path)).exists():
            raise PermissionError(errno.EACCES, "Permission denied", path)
        return real(path, flags, *args)  # type: ignore[arg-type]

    with sole_run(tmp_path) as first:
        monkeypatch.setattr(os, "open", guarded)
        with sole_run(tmp_path) as second:
            assert first and not second
