"""What the benchmarks share: a command line, steps in processes of their own, and their memory."""

from __future__ import annotations

import argparse
import json
import os
import resource
import subprocess
import sys
import tempfile
from collections.abc import Callable, Mapping
from pathlib import Path

KEPT_IN = "BENCH_FIGURES"  # names the file in which ``python -m bench`` gathers figures
ONE_CORE = {name: "1" for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")}


def frame_shape(megapixels: float) -> tuple[int, int]:
    """Return even rows and columns of a 3:2 frame."""
    rows = round((megapixels * 1e6 / 1.5) ** 0.5 / 2) * 2
    return rows, round(rows * 1.5 / 2) * 2


def peak_bytes() -> int:
    """Return the most memory this process has held, interpreter and libraries included."""
    status = Path("/proc/self/status")
    if status.exists():  # getrusage counts what the parent held at the fork
        line = next(
            text
            for text in status.read_text(encoding="utf-8").splitlines()
            if text.startswith("VmHWM")
        )
        return int(line.split()[1]) * 1024
    unit = 1 if sys.platform == "darwin" else 1024
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * unit


def run_step(
    script: str, name: str, folder: Path, *, limits: dict[str, str] = ONE_CORE
) -> dict[str, float]:
    """Run ``script --step name`` in a process of its own; return the figures it prints."""
    command = [sys.executable, script, "--step", name, "--folder", str(folder)]
    done = subprocess.run(
        command, capture_output=True, encoding="utf-8", env={**os.environ, **limits}, check=False
    )
    if done.returncode:
        raise SystemExit(f"{name} failed:\n{done.stderr}")
    figures: dict[str, float] = json.loads(done.stdout.splitlines()[-1])
    return figures


def print_figures(**figures: float) -> None:
    """Print a step's figures, with its peak memory, for :func:`run_step`."""
    print(json.dumps(figures | {"peak_bytes": peak_bytes()}))


def figure(what: str, value: str, aim: str = "") -> None:
    """Print one figure as a line; keep it too where ``python -m bench`` asks for it."""
    print(f"  {what:<58} {value}" + f"   (aim {aim})" * bool(aim), flush=True)
    if KEPT_IN in os.environ:
        with Path(os.environ[KEPT_IN]).open("a", encoding="utf-8") as rows:
            rows.write(json.dumps({"what": what, "value": value, "aim": aim}) + "\n")


def run_bench(
    about: str,
    steps: Mapping[str, Callable[[Path], dict[str, float]]],
    *measures: Callable[[Path, argparse.Namespace], None],
    size: tuple[str, float] = ("megapixels", 60.0),
) -> None:
    """Read the command line; do the one step it names, else take every measure.

    Parameters
    ----------
    about : str
        The benchmark's docstring; its first line is the help.
    steps : mapping of name to callable
        What :func:`run_step` may ask for; each is given the folder and returns its figures.
    *measures : callable
        Each is given an empty folder of its own and the arguments.
    size : (str, float)
        Name of the option for how much is measured, and its default.
    """
    parser = argparse.ArgumentParser(description=about.splitlines()[0])
    parser.add_argument(f"--{size[0]}", type=type(size[1]), default=size[1])
    parser.add_argument("--runs", type=int, default=3)
    parser.add_argument("--folder", type=Path)
    parser.add_argument("--step", choices=sorted(steps), help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.step:
        print_figures(**steps[asked.step](asked.folder))
        return
    for measure in measures:
        with tempfile.TemporaryDirectory(dir=asked.folder) as name:
            measure(Path(name), asked)
