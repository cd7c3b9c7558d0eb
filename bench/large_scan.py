"""A scan of 30,000 x 30,000 pixels, 16 bits: what start, check and convert take of memory and time.

    python bench/large_scan.py [--megapixels 900] [--folder DIR]

Every command runs in a process of its own, on one core. What is planned for it, by the header
alone, stands beside what it took.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from one_core import figure, run_bench, run_step

ROWS_AT_ONCE = 500


def make_scan(path: Path, side: int) -> None:
    """Write a plate on a bright ground, with grain, a band of rows at a time."""
    import cv2
    import numpy as np
    import tifffile

    rng = np.random.default_rng(12)
    light = np.full((600, 600), 0.8, np.float32)
    density = 0.3 + 1.2 * rng.random((20, 16), dtype=np.float32)
    light[90:510, 120:480] *= 10 ** -cv2.resize(density, (360, 420))
    grain = rng.normal(0, 300, (ROWS_AT_ONCE, side)).astype(np.float32)
    across = (np.arange(side, dtype=np.float32) + 0.5) * (600 / side) - 0.5

    def bands() -> Iterator[Any]:
        for top in range(0, side, ROWS_AT_ONCE):
            down = across[top : top + ROWS_AT_ONCE, None]
            places = (np.broadcast_to(a, (len(down), side)).copy() for a in (across, down))
            seen = cv2.remap(light, *places, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
            yield np.clip(65535 * seen ** (1 / 2.2) + grain[: len(down)], 0, 65535).astype("u2")

    tifffile.imwrite(
        path,
        bands(),
        shape=(side, side),
        dtype=np.uint16,
        photometric="minisblack",
        rowsperstrip=ROWS_AT_ONCE,
        metadata=None,
    )


def step_idle(_folder: Path) -> dict[str, float]:
    """Load what the commands load, and do nothing."""
    return {}


def step_start(folder: Path) -> dict[str, float]:
    """Draft the session."""
    from platebench.session.draft_file import write_draft
    from platebench.session.drafting import draft_session

    write_draft(folder, draft_session(folder, workers=1))
    return {}


def step_check(folder: Path) -> dict[str, float]:
    """Check its one plate."""
    from platebench.session.check_session import check_session

    check_session(folder, workers=1)
    return {}


def step_convert(folder: Path) -> dict[str, float]:
    """Convert its one plate."""
    from platebench.session.convert_session import convert_session

    done = convert_session(folder, workers=1, force=True).results[0]
    if done.error is not None:
        raise SystemExit(str(done.error))
    return {}


STEPS = {"idle": step_idle, "start": step_start, "check": step_check, "convert": step_convert}
PLANNED = {"start": "look", "check": "check", "convert": "mosaic"}


def measure(folder: Path, asked: argparse.Namespace) -> None:
    """Measure the three commands."""
    from platebench.session.room import peak_of

    side = int((asked.megapixels * 1e6) ** 0.5)
    scan = folder / "scan.tif"
    make_scan(scan, side)
    print(f"{side} x {side} pixels of 16 bits, {scan.stat().st_size / 1e9:.2f} GB, one core")
    for name in STEPS:
        figures = run_step(__file__, name, folder)
        planned = peak_of(PLANNED[name], [scan]).bytes if name in PLANNED else 0
        taken = f"{figures['peak_bytes'] / 1e9:.2f}"
        if planned:
            figure(f"{name}: peak; planned by the header", f"{taken}; {planned / 1e9:.2f} GB")
        else:
            figure(f"{name}: peak", f"{taken} GB")


def main() -> None:
    """Measure one scan."""
    run_bench(__doc__, STEPS, measure, size=("megapixels", 900.0))


if __name__ == "__main__":
    main()
