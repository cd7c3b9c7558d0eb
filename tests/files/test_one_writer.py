"""Two runs into one folder of results: the second waits, and nothing is lost or half written."""

from __future__ import annotations

import subprocess
import sys
import threading
from pathlib import Path

import pytest

from platebench.files.one_writer import only_writer
from platebench.fsio import UNFINISHED
from platebench.plate_job import PlateJob, PlateResult
from platebench.progress import NullProgress
from platebench.session.convert_session import convert_and_record, convert_session

from ..session_files import tree, write_session

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="no folder can be locked there")


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
        "from platebench.files.one_writer import only_writer\n"
        "from platebench.progress import NullProgress\n"
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
    assert list(tmp_path.iterdir()) == []


def test_where_folders_cannot_be_locked_work_goes_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import errno
    import fcntl

    def unknown(descriptor: int, how: int) -> None:
        raise OSError(errno.ENOLCK, "no locks here")

    monkeypatch.setattr(fcntl, "flock", unknown)
    notes = Notes()
    with only_writer(tmp_path, notes):
        assert notes.said == []
