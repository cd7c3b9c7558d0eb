"""A step tablet in a 60 MP frame: how long finding and reading take once the frame is read.

    python bench/tablet.py [--megapixels 60] [--runs 3]

Prints seconds and the ratio to reading the frame (LibRaw open and unpack to counts), measured in
one run on one core, since machines are noisy. The aim is a second at most.
"""

from __future__ import annotations

import argparse
import os
import tempfile
import time
from pathlib import Path

from one_core import ONE_CORE, figure, frame_shape

os.environ.update(ONE_CORE)  # before NumPy is loaded

AIM_S = 1.0
EXPOSURE_S = 1 / 16


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--megapixels", type=float, default=60.0)
    parser.add_argument("--runs", type=int, default=3)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        measure(Path(folder) / "tablet.dng", asked.megapixels, asked.runs)


def measure(path: Path, megapixels: float, runs: int) -> None:
    import cv2

    from platebench.measure.tablet.calibration_fit import fit_calibration
    from platebench.measure.tablet.known_tablet import STANDARD
    from platebench.measure.tablet.read_tablet import read_tablet
    from platebench.plate.flatten import transmittance_from_counts
    from platebench.plate.light import light_from_blanks
    from platebench.read.capture import read_capture
    from platebench.synthetic import (
        CameraModel,
        LightBox,
        PlateModel,
        StepTablet,
        simulate_blank,
        simulate_plate,
        write_dng,
    )

    cv2.setNumThreads(1)
    camera = CameraModel(shape=frame_shape(megapixels), tilt_deg=5, fill=0.85)
    box = LightBox(glare=0.005)
    target = StepTablet(densities=STANDARD["31"].densities, grid=(1, 31), size_mm=(12.7, 127.0))
    tablet = PlateModel(size_mm=(12.7, 127.0), target=target, grain_um=0.3, dust=20)
    shot = simulate_plate(tablet, box, camera, exposure_s=EXPOSURE_S, seed=1)
    write_dng(path, shot.frame)
    light = light_from_blanks([simulate_blank(box, camera, exposure_s=EXPOSURE_S, seed=2)])
    reading, finding, steps = [], [], 0
    for _ in range(runs):
        start = time.perf_counter()
        frame = read_capture(path)
        reading.append(time.perf_counter() - start)
        image = transmittance_from_counts(frame, light)
        start = time.perf_counter()
        found = read_tablet(image, path)
        fit_calibration(found, STANDARD["31"], path=path)
        finding.append(time.perf_counter() - start)
        steps = len(found.steps)
    took, floor = min(finding), min(reading)
    print(f"{megapixels:g} MP, {steps} steps, best of {runs}")
    print(f"  frame read {floor:.3f} s")
    figure("tablet found, read and fitted", f"{took:.2f} s", f"<= {AIM_S:.0f} s")
    figure("the same / reading the frame", f"{took / floor:.2f}")


if __name__ == "__main__":
    main()
