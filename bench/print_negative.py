"""A 60 MP plate to a 10 x 12 in print negative at 720 ppi, against writing that TIFF.

    python bench/print_negative.py [--megapixels 60] [--runs 3] [--folder DIR]

Prints ratios measured in one run, since machines are noisy. The floor is writing the finished
negative's pixels to a TIFF in the same way: to a file beside it, synced to the disk, read back,
renamed. Measured against it: positive to TIFF, and the whole command's work, with PDF and proof.

Every measurement runs in a process of its own, with as many threads as the command takes, and is
the second of two; the best run counts.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from one_core import figure, run_bench, run_step

Figures = dict[str, float]
PPI = 720.0
SHAPE = 12 / 10  # of the film's picture, long to short


def make_positive(folder: Path, megapixels: float) -> None:
    """Write a positive with soft tones and grain, its size known."""
    import numpy as np

    from platebench.write.tiff import write_print_negative

    rows = round((megapixels * 1e6 * SHAPE) ** 0.5)
    shape = rows, round(rows / SHAPE)
    rng = np.random.default_rng(1)
    across = 0.3 * np.sin(np.arange(shape[1]) / 300)

    def bands() -> Any:
        for top in range(0, shape[0], 256):
            down = np.cos(np.arange(top, min(top + 256, shape[0])) / 500)[:, np.newaxis]
            grain = rng.normal(0, 0.01, (len(down), shape[1]))
            yield np.rint(65535 * (0.5 + across * down + grain).clip(0, 1)).astype(np.uint16)

    write_print_negative(
        folder / "plate.tif", shape, bands(), ppi=shape[0] / 12, description="", software=""
    )


def order_and_source(folder: Path) -> Any:
    from platebench.core.formats import format_named
    from platebench.printing.make_negative import NegativeOrder, NegativeSource
    from platebench.printing.negative_tone import table_from_positive
    from platebench.printing.print_picture import read_positive
    from platebench.printing.process import response_of
    from platebench.printing.process_file import load_process, process_folders

    process = load_process("salted-paper", process_folders(None, None))
    picture = read_positive(folder / "plate.tif")
    source = NegativeSource(
        plate_id="plate",
        path=folder / "plate.tif",
        codes=picture.codes,
        table=table_from_positive(picture.luminance, response_of(process)),
        ppi=picture.ppi,
    )
    return source, process, NegativeOrder(size=format_named("10x12 in"), ppi=PPI)


def second_of_two(work: Callable[[], object]) -> Figures:
    """Return the wall and the processor time of the second call, all threads together."""
    for _ in range(2):
        start, used = time.perf_counter(), time.process_time()
        work()
        figures = {
            "seconds": time.perf_counter() - start,
            "cpu_seconds": time.process_time() - used,
        }
    return figures


def step_tiff(folder: Path) -> Figures:
    """Time the way from the positive's file to the negative's TIFF."""
    from platebench.printing.make_negative import plan_sheet, write_sheet

    def work() -> None:
        source, process, order = order_and_source(folder)
        write_sheet(folder / "negative.tif", plan_sheet(source, process, order), source, order)

    return second_of_two(work)


def step_whole(folder: Path) -> Figures:
    """Time everything the command writes: TIFF, PDF, proof."""
    from platebench.printing.make_negative import make_negative

    return second_of_two(lambda: make_negative(*order_and_source(folder), folder))


def step_floor(folder: Path) -> Figures:
    """Time writing the negative's pixels, which are in memory."""
    import tifffile

    from platebench.write.tiff import write_print_negative

    pixels = tifffile.imread(folder / "negative.tif")

    def work() -> None:
        bands = (pixels[top : top + 128] for top in range(0, len(pixels), 128))
        write_print_negative(
            folder / "floor.tif", pixels.shape, bands, ppi=PPI, description="", software=""
        )

    return second_of_two(work)


def step_idle(_folder: Path) -> Figures:
    """Load what the command loads, and do nothing."""
    return {}


STEPS = {"idle": step_idle, "tiff": step_tiff, "whole": step_whole, "floor": step_floor}


def compare(folder: Path, asked: argparse.Namespace) -> None:
    """Measure and print the ratios."""
    megapixels, runs = asked.megapixels, asked.runs
    make_positive(folder, megapixels)
    run_step(__file__, "tiff", folder)  # leaves the picture the floor writes
    idle = run_step(__file__, "idle", folder)["peak_bytes"]
    best: dict[str, Figures] = {}
    for _ in range(runs):
        for name in ("floor", "tiff", "whole"):
            figures = run_step(__file__, name, folder, limits={})
            known = best.get(name, figures)
            best[name] = {key: min(known[key], figures[key]) for key in figures}
    size = (folder / "negative.tif").stat().st_size
    film = f"10 x 12 in at {PPI:g} ppi ({size / 1e6:.0f} MB)"
    print(f"{megapixels:g} MP positive to {film}, best of {runs}")
    for key, said in (("seconds", "wall"), ("cpu_seconds", "processor")):
        floor, tiff, whole = (best[name][key] for name in ("floor", "tiff", "whole"))
        print(f"  {said}: writing that TIFF {floor:.2f} s   positive to TIFF {tiff:.2f} s")
        aim = "<= 2" if said == "wall" else ""
        figure(f"positive to TIFF / writing that TIFF, {said}", f"{tiff / floor:.2f}", aim)
        figure(f"with PDF and proof, {said}", f"{whole / floor:.2f}")
    above = (best["whole"]["peak_bytes"] - idle) / (megapixels * 2e6)
    figure("peak memory above idle / 16-bit positive", f"{above:.2f}")


def main() -> None:
    """Measure one positive."""
    run_bench(__doc__, STEPS, compare)


if __name__ == "__main__":
    main()
