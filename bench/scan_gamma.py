"""How often a print's scan read with a wrong gamma is noticed, and a right one doubted.

Papers, printers, coatings and scanners are drawn afresh for each seed: nothing was tuned on them.
The scanner adds flare, which reading does not know of, and codes by what the case says; the
densitometer is off by its own error. Usual blacks are those of the profiles that come along.

    python bench/scan_gamma.py --prints 20 --seed 1
"""

from __future__ import annotations

import argparse
import tempfile
from dataclasses import replace
from pathlib import Path

import numpy as np
import tifffile

from one_core import figure
from platebench.core.errors import ChartError
from platebench.printing.chart_sheet import InkSheet, draw_chart
from platebench.printing.process import Process
from platebench.printing.process_file import list_processes, load_process, process_folders
from platebench.printing.read_chart import ChartReading, read_chart
from platebench.printing.scan_gamma import KnownPatch, against_known, gamma_notes
from platebench.printing.step_chart import (
    COLUMNS,
    ROWS,
    patch_box,
    patch_name,
    plain_chart,
    white_box,
)
from platebench.synthetic.printing_process import (
    PrinterModel,
    PrintFaults,
    PrintingProcess,
    ScanModel,
    simulate_print,
    simulate_scan,
)
from platebench.write.paper_page import Box

PPI = 150.0
# How it was coded, and the gamma it is read by.
CASES = {
    "2.2 read as 2.2": (2.2, 2.2),
    "1.8 read as 1.8": (1.8, 1.8),
    "linear read as 1.0": (1.0, 1.0),
    "sRGB read as 2.2": ("srgb", 2.2),
    "1.8 read as 2.2": (1.8, 2.2),
    "2.2 read as 1.8": (2.2, 1.8),
    "linear read as 2.2": (1.0, 2.2),
    "2.2 read as 1.0": (2.2, 1.0),
    "sRGB read as 1.8": ("srgb", 1.8),
}


def coded(light: np.ndarray, how: float | str) -> np.ndarray:
    """Return codes of linear light; sRGB as IEC 61966-2-1 has it."""
    if how == "srgb":
        return np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    return light ** (1 / float(how))


def strip_of(sheet: InkSheet, box: Box) -> np.ndarray:
    """Return where tape keeps the paper white."""
    mask = np.zeros(sheet.ink.shape, np.bool_)
    mask[edges_of(sheet, box)] = True
    return mask


def edges_of(sheet: InkSheet, box: Box) -> tuple[slice, slice]:
    """Return a box's rows and columns."""
    top, bottom, left, right = (
        round(e * sheet.scale) for e in (box.top, box.bottom, box.left, box.right)
    )
    return slice(top, bottom), slice(left, right)


def lightness(density: np.ndarray, paper: float) -> np.ndarray:
    """Return CIE L* of densities above a paper white of some reflectance (CIE 15)."""
    y = paper * 10**-density
    return np.where(y > 216 / 24389, 116 * np.cbrt(y) - 16, y * 24389 / 27)


def main() -> None:
    """Print a row a case."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--prints", type=int, default=20)
    parser.add_argument("--seed", type=int, default=1)
    wanted = parser.parse_args()
    rng = np.random.default_rng(wanted.seed)
    folders = process_folders(None, None)
    processes = [load_process(name, folders) for name in list_processes(folders)]
    sheet = draw_chart(plain_chart(51), PPI)
    tape = strip_of(sheet, white_box())
    rows = {case: np.zeros(4) for case in CASES}
    reads: dict[str, list[float]] = {case: [] for case in CASES}
    with tempfile.TemporaryDirectory() as folder:
        for number in range(wanted.prints):
            of = processes[rng.integers(len(processes))]
            one = invented(of, rng)
            seed = wanted.seed * 1000 + number
            faults = PrintFaults(texture=rng.uniform(0.01, 0.05), mottle=rng.uniform(0, 0.03))
            density = simulate_print(
                sheet.codes(), PPI, one, seed=seed, faults=faults, covered=tape
            )
            paper = rng.uniform(0.72, 0.92)
            scan = ScanModel(gamma=1.0, paper=paper, noise=rng.uniform(0.0005, 0.003))
            light = simulate_scan(density, PPI, scan, seed=seed) / 65535
            flare = rng.uniform(0, 0.008)
            light = light * (1 - flare) + flare * paper
            known = densitometer(density, sheet, rng)
            for case, (how, gamma) in CASES.items():
                path = Path(folder) / "print.tif"
                codes = np.rint(65535 * coded(light, how)).astype(np.uint16)
                tifffile.imwrite(path, codes, resolution=(PPI, PPI), resolutionunit="INCH")
                try:
                    reading = read_chart(path, gamma=gamma)
                except ChartError:
                    rows[case][3] += 1
                    continue
                black = float(reading.evened.density[0])
                rows[case][0] += len(gamma_notes(black, gamma, process=of)) > 1
                try:
                    against_known(path, patch_of(reading, known), gamma, known)
                except ChartError:
                    rows[case][1] += 1
                ink = np.asarray(reading.printed.ink)
                right = one.print_density(ink)
                off = lightness(np.asarray(reading.printed.density), paper) - lightness(
                    right, paper
                )
                reads[case].append(float(np.abs(off).max()))
    for case, (bounds, known, _, refused) in rows.items():
        off = np.median(reads[case]) if reads[case] else float("nan")
        counts = f"{bounds:.0f}; {known:.0f}; {refused:.0f} of {wanted.prints}; {off:.1f} L*"
        figure(f"{case}: doubted; refused by patch; by chart; error", counts)


def densitometer(density: np.ndarray, sheet: InkSheet, rng: np.random.Generator) -> KnownPatch:
    """Return a patch near half of black as an instrument with errors of its own reads it.

    Its opening lies within the patch; nobody lays it on dirt, so the median stands for it.
    """
    places = [(row, column) for row in range(ROWS) for column in range(COLUMNS)]
    read = [np.median(density[edges_of(sheet, within(patch_box(*p)))]) for p in places]
    middle = int(np.argmin(np.abs(np.asarray(read) - max(read) / 2)))
    seen = read[middle] * rng.normal(1, 0.015) + rng.normal(0, 0.01)
    return KnownPatch(name=patch_name(*places[middle]), density=float(seen))


def within(box: Box) -> Box:
    """Return the middle of a box, half as large each way."""
    down, across = box.height / 4, box.width / 4
    return Box(box.top + down, box.left + across, box.bottom - down, box.right - across)


def patch_of(reading: ChartReading, known: KnownPatch) -> float:
    """Return a patch as the scan reads it."""
    places = np.ndindex(reading.patches.shape)
    return float(next(reading.patches[p] for p in places if patch_name(*p) == known.name))


def invented(of: Process, rng: np.random.Generator) -> PrintingProcess:
    """Return a process whose black lies about the profile's, as papers differ."""
    scale = rng.uniform(0.8, 2.0)
    usual = of.look.d_max * rng.lognormal(0, 0.15)
    printer = PrinterModel(
        full_density=scale + rng.uniform(0.4, 1.6),
        spread=rng.uniform(0, 0.2),
        scatter=rng.uniform(1, 2.2),
    )
    one = PrintingProcess(scale=scale, toe=rng.uniform(2.5, 7), shoulder=rng.uniform(3, 6),
                          exposure=scale + rng.uniform(0.3, 0.7), printer=printer)  # fmt: skip
    return replace(one, d_max=one.d_max * usual / float(one.print_density([0.0])[0]))


if __name__ == "__main__":
    main()
