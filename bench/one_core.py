"""What the benchmarks share: steps in processes of their own, on one core, and their memory."""

from __future__ import annotations

import json
import os
import resource
import subprocess
import sys
from pathlib import Path

ONE_CORE = {name: "1" for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")}


def frame_shape(megapixels: float) -> tuple[int, int]:
    """Return even rows and columns of a 3:2 frame."""
    rows = round((megapixels * 1e6 / 1.5) ** 0.5 / 2) * 2
    return rows, round(rows * 1.5 / 2) * 2


def peak_bytes() -> int:
    """Return the most memory this process has held, interpreter and libraries included."""
    status = Path("/proc/self/status")
    if status.exists():  # getrusage counts what the parent held at the fork
        line = next(text for text in status.read_text().splitlines() if text.startswith("VmHWM"))
        return int(line.split()[1]) * 1024
    unit = 1 if sys.platform == "darwin" else 1024
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * unit


def run_step(
    script: str, name: str, folder: Path, *, limits: dict[str, str] = ONE_CORE
) -> dict[str, float]:
    """Run ``script --step name`` in a process of its own; return the figures it prints."""
    command = [sys.executable, script, "--step", name, "--folder", str(folder)]
    done = subprocess.run(
        command, capture_output=True, text=True, env={**os.environ, **limits}, check=False
    )
    if done.returncode:
        raise SystemExit(f"{name} failed:\n{done.stderr}")
    figures: dict[str, float] = json.loads(done.stdout.splitlines()[-1])
    return figures


def print_figures(**figures: float) -> None:
    """Print a step's figures, with its peak memory, for :func:`run_step`."""
    print(json.dumps(figures | {"peak_bytes": peak_bytes()}))
