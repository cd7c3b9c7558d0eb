"""Plates converted on a cluster of this machine's own cores, against the local pool.

    python bench/cluster.py [--plates 200] [--megapixels 6] [--workers 2] [--folder DIR]

A scheduler and the workers are started as processes of their own, before the clock runs; both sides
have as many workers. Every plate is one simulated capture under another name. Given are the clock
of the whole command, in turns, the best of two each, and processor seconds of command and workers.
The files made are compared byte for byte.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import psutil

from convert import make_session
from one_core import ONE_CORE, figure


def tree(folder: Path) -> dict[str, str]:
    """Return the digest of every file."""
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def convert(folder: Path, *where: str) -> tuple[float, float, dict[str, str]]:
    """Convert all plates; return seconds by the clock, processor seconds, and what was made."""
    shutil.rmtree(folder / "converted", ignore_errors=True)
    command = [sys.executable, "-m", "platebench", "convert", str(folder), "--quiet", *where]
    before, begun = os.times(), time.perf_counter()
    subprocess.run(command, check=True, env=os.environ | ONE_CORE)
    took, after = time.perf_counter() - begun, os.times()
    used = after.children_user + after.children_system
    return took, used - before.children_user - before.children_system, tree(folder / "converted")


def main() -> None:
    """Read the command line, measure and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--plates", type=int, default=200)
    parser.add_argument("--megapixels", type=float, default=6.0)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--folder", type=Path)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory(dir=asked.folder) as name:
        folder, file = (Path(name) / "session").resolve(), Path(name) / "scheduler.json"
        folder.mkdir()
        make_session(folder, asked.megapixels, compress=True)
        text = '[light]\nblank = ["blank.dng"]\n[every_plate]\nformat = "4x5 in"\n'
        for n in range(asked.plates):
            os.link(folder / "plate.dng", folder / f"plate-{n:03d}.dng")
            text += f'[[plate]]\nid = "plate-{n:03d}"\ncaptures = ["plate-{n:03d}.dng"]\n'
        (folder / "session.toml").write_text(text, encoding="utf-8")
        started = []
        common = ["--scheduler-file", str(file), "--no-dashboard"]
        kinds: list[tuple[str, ...]] = [("scheduler", "--host", "127.0.0.1", "--port", "0")]
        kinds += [("worker", "--nthreads", "1", "--no-nanny")] * asked.workers
        try:
            for kind, *more in kinds:
                command = [sys.executable, "-m", f"distributed.cli.dask_{kind}", *common, *more]
                null = subprocess.DEVNULL
                started.append(
                    subprocess.Popen(
                        command, stdout=null, stderr=null, cwd=name, env=os.environ | ONE_CORE
                    )
                )
                while not file.exists():
                    time.sleep(0.1)
            while not json.loads(file.read_text(encoding="utf-8") or "{}").get("address"):
                time.sleep(0.1)

            def of_cluster() -> float:
                times = [psutil.Process(one.pid).cpu_times() for one in started]
                return sum(one.user + one.system for one in times)

            local, engine = [], []
            for _ in range(2):
                local.append(convert(folder, "--jobs", str(asked.workers)))
                before = of_cluster()
                took, used, made = convert(folder, "--cluster", str(file))
                engine.append((took, used + of_cluster() - before, made))
            same = all(one[2] == local[0][2] for one in (*local, *engine))
            print(f"{asked.plates} plates of {asked.megapixels:g} MP, {asked.workers} workers")
            clock = [min(one[0] for one in side) for side in (local, engine)]
            used_s = [min(one[1] for one in side) for side in (local, engine)]
            figure("the same bytes", "yes" if same else "NO", "yes")
            figure("clock, local; cluster", f"{clock[0]:.1f} s; {clock[1]:.1f} s")
            figure("clock, cluster / local", f"{clock[1] / clock[0]:.2f}", "1.10")
            figure("processor, local; cluster", f"{used_s[0]:.1f} s; {used_s[1]:.1f} s")
        finally:
            for one in reversed(started):
                one.terminate()
                one.wait()


if __name__ == "__main__":
    main()
