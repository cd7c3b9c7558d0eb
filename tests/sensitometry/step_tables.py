"""Readings of three invented test plates of one batch, developed 3, 6 and 12 minutes."""

from __future__ import annotations

import math
from pathlib import Path

MINUTES = (3.0, 6.0, 12.0)
GAMMA_INFINITY, RATE, BASE = 1.9, 0.14, 0.1


def gamma_after(minutes: float) -> float:
    """Return the slope by the law of development."""
    return GAMMA_INFINITY * (1 - math.exp(-RATE * minutes))


def net(log_h: float, gamma: float) -> float:
    """Return density above base plus fog: a line between two bends."""
    rise = math.log1p(math.exp(5 * (log_h + 1.8))) / 5
    fall = math.log1p(math.exp(5 * (log_h - 0.4))) / 5
    return gamma * (rise - fall)


def write_family(folder: Path) -> list[Path]:
    """Write a table of readings a plate, as the curve command reads it."""
    paths = []
    for minutes in MINUTES:
        fog = BASE + 0.005 * minutes
        lines = ["step,tablet_density,density"]
        for step in range(1, 22):
            tablet = 0.05 + 0.15 * (step - 1)
            lines.append(f"{step},{tablet:.2f},{fog + net(-tablet, gamma_after(minutes)):.3f}")
        path = folder / f"batch-14-{minutes:g}-min.csv"
        path.write_text("\n".join([*lines, f"fog,,{fog:.3f}"]) + "\n", encoding="utf-8")
        paths.append(path)
    return paths
