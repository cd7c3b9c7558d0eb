"""Work in processes: order, failures as values, killed workers, interrupts."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from functools import partial
from pathlib import Path

import pytest

from platebench.core.errors import (
    CaptureError,
    ExitCode,
    OutOfMemoryError,
    UnexpectedError,
    WorkerLostError,
)
from platebench.core.memory import UNKNOWN_MEMORY, available_bytes, cores, peak_bytes, workers_for
from platebench.session.pool import run_all

from ..processes import environment, wait_until

HERE = Path(__file__)


class Listener:
    def __init__(self) -> None:
        self.said: list[str] = []

    def begin(self, what: str, total: int, *, work: float = 0.0, at_once: int = 1) -> None:
        self.said.append(f"begin {what} {total}")

    def advance(self, name: str, work: float = 1.0) -> None:
        self.said.append(f"done {name}")

    def note(self, text: str) -> None:
        self.said.append(text)

    def end(self) -> None:
        self.said.append("end")


def work(item: str, *, folder: Path | None = None) -> str:
    if item == "bad":
        raise CaptureError(Path("a.dng"), "is empty", "copy it again")
    if item == "bug":
        raise ZeroDivisionError("a\nfault")
    if item == "memory":
        raise MemoryError
    if item == "kill":
        os.kill(os.getpid(), signal.SIGKILL)
    if item == "kill once" and folder is not None and not (folder / "killed").exists():
        (folder / "killed").touch()
        os.kill(os.getpid(), signal.SIGKILL)
    if item == "slow":
        time.sleep(0.3)
    if item == "unsendable":
        return lambda: 0  # type: ignore[return-value]
    return item.upper()


def work_after(item: str, *, folder: Path) -> str:
    if item == "kill once" and not (folder / "waited").exists():
        (folder / "waited").touch()
        time.sleep(60)
    if item == "kill":
        wait_until((folder / "waited").exists)
    return work(item, folder=folder)


def name_of(item: str) -> str:
    return item


@pytest.mark.parametrize("workers", [1, 3])
def test_results_keep_the_order_and_failures_are_values(workers: int) -> None:
    items = ["slow", "bad", "b", "bug", "memory", "c"]
    got = run_all(work, items, name_of=name_of, workers=workers)
    assert [got[0], got[2], got[5]] == ["SLOW", "B", "C"]
    assert isinstance(got[1], CaptureError) and str(got[1]) == "a.dng is empty; copy it again"
    assert isinstance(got[3], UnexpectedError)
    assert "ZeroDivisionError" in got[3].trace and "\n" not in str(got[3])
    assert isinstance(got[4], OutOfMemoryError) and got[4].exit_code is ExitCode.WORKER_LOST


def test_a_result_that_cannot_be_sent_is_an_error_of_that_item() -> None:
    got = run_all(work, ["a", "unsendable", "b"], name_of=name_of, workers=2)
    assert got[0] == "A" and got[2] == "B" and isinstance(got[1], UnexpectedError)


@pytest.mark.big
@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="no SIGKILL on this system")
def test_an_item_whose_first_process_alone_is_killed_is_tried_again(tmp_path: Path) -> None:
    # the pool broke before "kill once" was killed; that happens for the first time alone
    got = run_all(
        partial(work_after, folder=tmp_path), ["kill", "kill once"], name_of=name_of, workers=2
    )
    assert isinstance(got[0], WorkerLostError) and got[1] == "KILL ONCE"


@pytest.mark.big
@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="no SIGKILL on this system")
def test_killed_workers_take_nobody_with_them(tmp_path: Path) -> None:
    listener = Listener()
    items = ["a", "kill", "b", "kill once", "c"]
    task = partial(work, folder=tmp_path)
    got = run_all(task, items, name_of=name_of, workers=2, what="plates", progress=listener)
    assert [got[0], got[2], got[3], got[4]] == ["A", "B", "KILL ONCE", "C"]
    assert isinstance(got[1], WorkerLostError) and got[1].plate_id == "kill"
    assert listener.said[0] == "begin plates 5" and listener.said[-1] == "end"
    assert any("a worker was lost" in line for line in listener.said)
    assert sorted(line for line in listener.said if line.startswith("done")) == sorted(
        f"done {item}" for item in items
    )


_INTERRUPTED = """
import sys, time
from pathlib import Path
from platebench.session.pool import run_all

def work(item):
    (Path(sys.argv[1]) / f"begun-{item}").touch()
    time.sleep(float(sys.argv[2]))
    (Path(sys.argv[1]) / f"ended-{item}").touch()

def name_of(item):
    return str(item)

if __name__ == "__main__":
    try:
        run_all(work, list(range(12)), name_of=name_of, workers=2)
    except KeyboardInterrupt:
        print("interrupted")
"""


@pytest.mark.big
@pytest.mark.skipif(os.name != "posix", reason="sends signals to a process group")
@pytest.mark.parametrize(("presses", "seconds"), [(1, 1.0), (2, 60.0)])
def test_interrupt_finishes_what_is_in_hand_and_again_stops_at_once(
    tmp_path: Path, presses: int, seconds: float
) -> None:
    script = tmp_path / "script.py"
    script.write_text(_INTERRUPTED, encoding="utf-8")
    process = subprocess.Popen(
        [sys.executable, str(script), str(tmp_path), str(seconds)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        encoding="utf-8",
        start_new_session=True,
        env=environment(),
    )
    try:
        wait_until(lambda: len(list(tmp_path.glob("begun-*"))) >= 2)
        for press in range(presses):
            time.sleep(press)  # two that come together are one
            os.killpg(process.pid, signal.SIGINT)
        out, err = process.communicate(timeout=45)  # less than the work would take
    finally:
        process.kill()
        process.wait()
    assert out == "interrupted\n" and err == ""
    begun, ended = len(list(tmp_path.glob("begun-*"))), len(list(tmp_path.glob("ended-*")))
    assert begun < 12
    assert ended == (begun if presses == 1 else 0)


def test_memory_bounds_the_workers() -> None:
    assert workers_for(16, 8 << 30, 3 << 30) == 2
    assert workers_for(16, 1 << 30, 3 << 30) == 1
    assert workers_for(2, 8 << 30, 0) == 2


def test_memory_grows_with_the_frame_and_with_colours() -> None:
    sixty = 60_000_000  # a conversion may take 4 times the 16-bit frame
    assert peak_bytes("mosaic", sixty) > 4 * 2 * sixty
    assert peak_bytes("demosaiced", sixty) > 2 * peak_bytes("mosaic", sixty)


def test_memory_is_taken_from_the_tightest_of_machine_and_container(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import psutil

    import platebench.core.memory as memory

    free = psutil.virtual_memory()._replace(available=5_120_000)
    monkeypatch.setattr(psutil, "virtual_memory", lambda: free)
    monkeypatch.setattr(memory, "_CGROUP", tmp_path)
    assert available_bytes() == 0.75 * 5_120_000  # a quarter is left to others
    (tmp_path / "memory.max").write_text("max\n", encoding="utf-8")
    (tmp_path / "memory.current").write_text("100000\n", encoding="utf-8")
    assert available_bytes() == 0.75 * 5_120_000
    (tmp_path / "memory.max").write_text("1100000\n", encoding="utf-8")
    assert available_bytes() == 0.75 * 1_000_000
    (tmp_path / "memory.stat").write_text("anon 5\ninactive_file 60000\n", encoding="utf-8")
    assert available_bytes() == 0.75 * 1_060_000

    def nothing_known() -> None:
        raise FileNotFoundError("/proc/meminfo")

    monkeypatch.setattr(psutil, "virtual_memory", nothing_known)
    monkeypatch.setattr(memory, "_CGROUP", tmp_path / "none")
    assert available_bytes() == UNKNOWN_MEMORY
    assert cores() >= 1
