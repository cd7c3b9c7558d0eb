"""A session as it grows: what running it again costs, with nothing changed and with one plate.

    python bench/growth.py [--plates 100 500 2000 10000] [--megapixels 0.4] [--folder DIR]

Four plates are simulated and converted; every other plate is one of their captures under another
name, and its positive and preview are copied by a stand-in for the conversion, which then writes a
true record. So a run over thousands takes minutes, and everything but the pixels' own work is real:
settings, digests, records, the reports of ``check`` and ``convert``. The plate that is changed is
converted in earnest.

Each measure runs in a process of its own and is given in processor seconds, workers included, which
says more than the clock where others use the machine. Memory is the parent's.

``start`` is timed by the clock on 100 captures, by itself and beside as many busy processes as
there are cores.
"""

from __future__ import annotations

import argparse
import functools
import json
import multiprocessing
import os
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from contextlib import ExitStack
from pathlib import Path
from typing import Any

from one_core import figure, frame_shape, peak_bytes

KINDS = 4
AIMS = {  # processor seconds by plates
    "nothing changed": {500: 3.0, 2000: 10.0},
    "one tone changed": {500: 6.0},
}
SAID = [  # as check says of a good capture
    ["good", "exposure: 0.4 stops below clipping"],
    ["good", "focus: grain is sharp from corner to corner"],
    ["note", "noise: the deepest density that one reading gives within 0.04 is 2.9"],
]


def make_captures(folder: Path, megapixels: float) -> None:
    """Write a blank frame and four plates."""
    from platebench.synthetic import (
        CameraModel,
        LightBox,
        PlateModel,
        simulate_blank,
        simulate_plate,
        write_dng,
    )

    camera, box = CameraModel(shape=frame_shape(megapixels), fill=0.9), LightBox()
    blank = simulate_blank(box, camera, exposure_s=1 / 16, seed=1)
    write_dng(folder / "blank.dng", blank)
    for n in range(KINDS):
        plate = PlateModel(size_mm=(101.0, 126.2), dust=10 * n)
        frame = simulate_plate(plate, box, camera, exposure_s=1 / 16, seed=10 + n).frame
        write_dng(folder / f"kind-{n}.dng", frame)


def write_settings(folder: Path, names: list[str]) -> None:
    """List the captures, a plate each."""
    head = 'title = "Growth"\n[light]\nblank = ["blank.dng"]\n[every_plate]\nformat = "4x5 in"\n'
    plates = (f'\n[[plate]]\nid = "{name}"\ncaptures = ["{name}.dng"]\n' for name in names)
    (folder / "session.toml").write_text(head + "".join(plates), encoding="utf-8")


def stand_in(job: Any, *, made: Path) -> Any:
    """Copy the results of the plate's kind and write a record of them."""
    from platebench.plate.job import PlateResult
    from platebench.session.record import read_record, write_record

    kind = f"kind-{int(job.plate_id.rpartition('-')[2]) % KINDS}"
    shutil.copy(made / "positives" / f"{kind}.tif", job.positive)
    shutil.copy(made / "previews" / f"{kind}.jpg", job.preview)
    record = read_record(made / "plates" / f"{kind}.json")
    assert record is not None
    written = (job.positive, job.preview)
    result = PlateResult(
        plate_id=job.plate_id, written=written, record=record.result, ends=record.ends
    )
    return write_record(job, result)


def make_session(base: Path, folder: Path, count: int) -> None:
    """Make a converted and checked session of so many plates."""
    from platebench.session.convert_session import convert_session

    folder.mkdir()
    names = [f"plate-{n:05d}" for n in range(count)]
    os.link(base / "blank.dng", folder / "blank.dng")
    for n, name in enumerate(names):
        os.link(base / f"kind-{n % KINDS}.dng", folder / f"{name}.dng")
    write_settings(folder, names)
    seen = [*names, "blank"]
    size = (folder / "blank.dng").stat().st_size
    checks = {f"{name}.dng": {"bytes": size, "verdicts": SAID} for name in seen}
    (folder / "converted").mkdir()
    (folder / "converted" / "check.json").write_text(
        json.dumps({"schema": 1, "captures": checks}), encoding="utf-8"
    )
    task = functools.partial(stand_in, made=base / "converted")
    convert_session(folder, workers=1, task=task)


def step_convert(folder: Path) -> dict[str, float]:
    """Convert in this process; count what is done already."""
    from platebench.session.convert_session import convert_session

    result = convert_session(folder, workers=1)
    if result.exit_code or any(plate.error for plate in result.results):
        raise SystemExit(f"the session was not converted: {result.errors}")
    return {"skipped": sum(plate.skipped for plate in result.results)}


def step_review(folder: Path) -> dict[str, float]:
    """Make what the page is sent when it opens, and after an edit; edit a plate."""
    from platebench.review.table import ReviewTable
    from platebench.review.telling import plate_line, session_to_json

    table = ReviewTable(folder)
    session_to_json(table)
    sent = len(json.dumps(session_to_json(table)).encode())
    plate = table.settings.plates[-1]
    started = time.process_time()
    table.edit(plate.id, {"note": "seen"})
    edited = time.process_time() - started
    line = len(json.dumps(plate_line(table, table.plate(plate.id))).encode())
    table.undo()
    return {"bytes": sent, "edit_s": edited, "line": line}


def step_start(folder: Path) -> dict[str, float]:
    """Draft a session by the clock."""
    from platebench.session.drafting import draft_session

    started = time.perf_counter()
    draft_session(folder)
    return {"clock_s": time.perf_counter() - started}


STEPS: dict[str, Callable[[Path], dict[str, float]]] = {
    "convert": step_convert,
    "review": step_review,
    "start": step_start,
}


def run(step: str, folder: Path) -> dict[str, float]:
    """Run a step in a process of its own, with its processor seconds and its memory."""
    done = subprocess.run(
        [sys.executable, __file__, "--step", step, "--folder", str(folder)],
        capture_output=True,
        encoding="utf-8",
        check=False,
    )
    if done.returncode:
        raise SystemExit(f"{step} failed:\n{done.stderr}")
    figures: dict[str, float] = json.loads(done.stdout.splitlines()[-1])
    return figures


def measure(base: Path, folder: Path, count: int) -> None:
    """Print the table's rows for one size."""
    make_session(base, folder, count)
    same = run("convert", folder)
    assert same["skipped"] == count, same
    settings = folder / "session.toml"
    text = settings.read_text(encoding="utf-8")
    changed = text.rstrip("\n") + '\ntone = "softer"\n'
    settings.write_text(changed, encoding="utf-8")
    one = run("convert", folder)
    assert one["skipped"] == count - 1, one
    seen = run("review", folder)
    for what, took in {"nothing changed": same, "one tone changed": one}.items():
        aim = AIMS[what].get(count)
        figure(
            f"{count} plates, {what}; parent's memory",
            f"{took['cpu_s']:.1f} s; {took['peak_bytes'] / 1e6:.0f} MB",
            "" if aim is None else f"{aim:.0f} s" + "; 400 MB" * (count == 2000),
        )
    figure(
        f"{count} plates, review: list; a plate's line; an edit",
        f"{seen['bytes'] / 1e3:.0f} kB; {seen['line'] / 1e3:.1f} kB; {seen['edit_s']:.2f} s",
    )


def _busy() -> None:
    while True:
        sum(range(10_000))


def measure_start(base: Path, folder: Path, count: int = 100) -> None:
    """Print how long a draft takes on a quiet and on a busy machine."""
    folder.mkdir()
    os.link(base / "blank.dng", folder / "blank.dng")
    for n in range(count):
        os.link(base / f"kind-{n % KINDS}.dng", folder / f"plate-{n:05d}.dng")
    quiet = min(run("start", folder)["clock_s"] for _ in range(2))
    with ExitStack() as end:
        for _ in range(os.cpu_count() or 1):
            other = multiprocessing.Process(target=_busy, daemon=True)
            other.start()
            end.callback(other.terminate)
        busy = min(run("start", folder)["clock_s"] for _ in range(2))
    figure(f"start, {count} captures: quiet; cores taken", f"{quiet:.1f} s; {busy:.1f} s")
    figure("of twice the clock that sharing the cores takes", f"{busy / (2 * quiet):.2f}", "1.5")


def main() -> None:
    """Read the command line, measure and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--plates", type=int, nargs="*", default=[100, 500, 2000, 10_000])
    parser.add_argument("--megapixels", type=float, default=0.4)
    parser.add_argument("--folder", type=Path)
    parser.add_argument("--step", choices=sorted(STEPS), help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.step:
        figures = STEPS[asked.step](asked.folder)
        used = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
        figures["cpu_s"] = sum(one.ru_utime + one.ru_stime for one in used)
        print(json.dumps(figures | {"peak_bytes": peak_bytes()}))
        return
    from platebench.session.convert_session import convert_session

    with tempfile.TemporaryDirectory(dir=asked.folder) as name:
        base = Path(name) / "base"
        base.mkdir()
        make_captures(base, asked.megapixels)
        write_settings(base, [f"kind-{n}" for n in range(KINDS)])
        convert_session(base, workers=1)
        for count in asked.plates:
            measure(base, Path(name) / "session", count)
            shutil.rmtree(Path(name) / "session")
        measure_start(base, Path(name) / "session")


if __name__ == "__main__":
    main()
