"""A 60 MP bracket of three: merged, against the time of reading it.

    python bench/bracket.py [--megapixels 60] [--runs 3] [--folder DIR]

Prints ratios measured in one run, since machines are noisy:

* merging (measuring ratios, movement and noise, and mixing) to reading the three files;
* the peak memory of the process that reads and merges, in frames of 16 bits a photosite.

Every measurement runs in a process of its own, on one core; the best of the runs counts. The plate
moves by a site in the second kind of bracket, which is the slow way.
"""

from __future__ import annotations

import argparse
import time
from functools import partial
from pathlib import Path

from one_core import figure, frame_shape, run_bench, run_step

TIMES_S = (1 / 16, 1 / 4, 1.0)
NAMES = ("short.dng", "middle.dng", "long.dng")


def make_bracket(folder: Path, megapixels: float, *, compress: bool, moved: bool) -> None:
    """Write three exposures of a dense plate and a blank as DNG files."""
    import numpy as np

    from platebench.synthetic import CameraModel, LightBox, PlateModel, simulate_blank, write_dng
    from platebench.synthetic.simulate import photograph, true_transmittance

    camera = CameraModel(shape=frame_shape(megapixels), tilt_deg=0.7, fill=0.9)
    box = LightBox()
    plate = PlateModel(size_mm=(101.0, 126.2), log_exposure=2.3, dust=20, scratches=2)
    seen = true_transmittance(plate, box, camera, seed=1)
    for seed, (name, time_s) in enumerate(zip(NAMES, TIMES_S, strict=True), start=2):
        if moved and seed == 3:
            seen = np.roll(seen, (1, 0), axis=(0, 1))
        frame = photograph(seen, box, camera, exposure_s=time_s, seed=seed)
        write_dng(folder / name, frame, compress=compress)
    blank = simulate_blank(box, camera, exposure_s=TIMES_S[0], seed=9)
    write_dng(folder / "blank.dng", blank, compress=compress)


def step(folder: Path, *, merge: bool) -> dict[str, float]:
    """Time reading the bracket, and merging it."""
    import cv2
    import numpy as np

    from platebench.plate.bracket.merge import merge_bracket
    from platebench.plate.light import light_from_blanks
    from platebench.read.capture import read_capture

    cv2.setNumThreads(1)
    light = light_from_blanks([read_capture(folder / "blank.dng")]) if merge else None
    start = time.perf_counter()
    frames = [read_capture(folder / name) for name in NAMES]
    read = time.perf_counter() - start
    figures = {"read": read}
    if light is not None:
        start = time.perf_counter()
        merged = merge_bracket(frames, light)
        figures["merge"] = time.perf_counter() - start
        if not np.isfinite(merged.image.pixels).all():
            raise SystemExit("the merge left holes")
    return figures


def compare(folder: Path, asked: argparse.Namespace, *, compress: bool, moved: bool) -> None:
    """Measure one kind of bracket and print the ratios."""
    megapixels, runs = asked.megapixels, asked.runs
    make_bracket(folder, megapixels, compress=compress, moved=moved)
    run_step(__file__, "read", folder)  # warms the file cache
    done = [run_step(__file__, "merge", folder) for _ in range(runs)]
    read, merge = (min(figures[name] for figures in done) for name in ("read", "merge"))
    peak = max(figures["peak_bytes"] for figures in done)
    kind = "lossless-compressed" if compress else "uncompressed"
    kind += " DNG, moved by one site" if moved else " DNG"
    print(f"{megapixels:g} MP, three exposures, {kind}, one core, best of {runs}")
    print(f"  read {read:.2f} s   merge {merge:.2f} s")
    figure(f"{kind}: merging / reading", f"{merge / read:.2f}", "<= 2")
    figure(f"{kind}: peak memory / 16-bit frame", f"{peak / (megapixels * 2e6):.2f}", "about 5")


STEPS = {name: partial(step, merge=name == "merge") for name in ("read", "merge")}


def main() -> None:
    """Measure three kinds of bracket."""
    kinds = ((True, False), (False, False), (True, True))
    run_bench(__doc__, STEPS, *(partial(compare, compress=c, moved=m) for c, m in kinds))


if __name__ == "__main__":
    main()
