"""Converting and checking a camera session in one go, against converting it alone.

    python bench/checked.py [--plates 12] [--megapixels 24]

Processor time of one worker, in one run, since machines are noisy. The aim is 1.3 at most.
"""

from __future__ import annotations

import argparse
import os
import resource
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from one_core import ONE_CORE, figure, frame_shape

os.environ.update(ONE_CORE)  # before NumPy is loaded

EXPOSURE_S = 1 / 16


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--plates", type=int, default=12)
    parser.add_argument("--megapixels", type=float, default=24.0)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        write_session(folder, asked.plates, asked.megapixels)
        once = seconds(folder, "convert")
        checked = seconds(folder, "convert", "--check")
        alone = seconds(folder, "check")
    figure(f"{asked.plates} plates: converting and checking at once / converting",
           f"{checked / once:.2f}", "<= 1.3")  # fmt: skip
    figure("converting, then checking / converting", f"{(once + alone) / once:.2f}")


def write_session(folder: Path, plates: int, megapixels: float) -> None:
    """Write a blank frame and captures of plates."""
    from platebench.synthetic import (
        CameraModel,
        LightBox,
        PlateModel,
        simulate_blank,
        simulate_plate,
        write_dng,
    )

    camera, box = CameraModel(shape=frame_shape(megapixels)), LightBox()
    write_dng(folder / "blank.dng", simulate_blank(box, camera, exposure_s=EXPOSURE_S, seed=1))
    shot = simulate_plate(PlateModel(), box, camera, exposure_s=EXPOSURE_S, seed=2)
    write_dng(folder / "p0.dng", shot.frame)
    for n in range(1, plates):
        shutil.copy(folder / "p0.dng", folder / f"p{n}.dng")
    listed = "".join(f'[[plate]]\nid = "p{n}"\ncaptures = ["p{n}.dng"]\n' for n in range(plates))
    (folder / "session.toml").write_text(
        f'[light]\nblank = ["blank.dng"]\n[every_plate]\nformat = "9x12 cm"\n{listed}',
        encoding="utf-8",
    )


def seconds(folder: Path, *command: str) -> float:
    """Return the processor time of a command on the session, from nothing."""
    shutil.rmtree(folder / "converted", ignore_errors=True)
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    name, *options = command
    line = [sys.executable, "-m", "platebench", name, str(folder), *options, "--jobs", "1"]
    subprocess.run(line, check=True, stdout=subprocess.DEVNULL)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


if __name__ == "__main__":
    main()
