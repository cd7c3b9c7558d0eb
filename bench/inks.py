"""The ink of print negatives: chosen by a chart on invented printers, then calibrated twice.

A printer has four inks whose densities in the process's light, black ink and replacement are drawn
afresh; each third one has yellow that blocks more than black. The chart knows how much ink black
takes, as its user types it in, rounded to halves. What it could have found at best is searched in
the printer itself, over all its colours.

    python bench/inks.py --printers 12 --seed 1
"""

from __future__ import annotations

import argparse
import tempfile
from dataclasses import replace
from pathlib import Path

import numpy as np
import tifffile
from numpy.typing import NDArray

from one_core import figure
from platebench.core.errors import PlateError
from platebench.printing import calibrate_process as loop
from platebench.printing.chart_sheet import InkSheet, draw_chart
from platebench.printing.ink_chart import choose_process_ink, draw_ink_chart, ink_chart
from platebench.printing.negative_tone import print_density
from platebench.printing.printing_time import FIRST_TINT, TOLERANCE
from platebench.printing.process import codes_of, coloured, response_of
from platebench.printing.process_file import load_process, process_folders
from platebench.printing.step_chart import corrected_chart, plain_chart, white_box
from platebench.synthetic.printing_process import (
    ColourPrinter,
    PrintingProcess,
    ScanModel,
    simulate_print,
    simulate_scan,
)
from platebench.write.colour import lightness_of, luminance_of

PPI = 150.0
NAME = "salted-paper"
_LEVELS = np.linspace(0, 1, 11)
_AMOUNTS = np.linspace(0, 1, 201)[1:, None]


def scan_of(
    path: Path, sheet: InkSheet, codes: NDArray[np.uint16], paper: PrintingProcess, seed: int
) -> Path:
    covered = np.zeros(sheet.ink.shape, np.bool_)
    box = white_box()
    top, bottom, left, right = (
        round(edge * sheet.scale) for edge in (box.top, box.bottom, box.left, box.right)
    )
    covered[top:bottom, left:right] = True
    printed = simulate_print(codes, PPI, paper, seed=seed, covered=covered)
    scan = simulate_scan(printed, PPI, ScanModel(turn_deg=2.0), seed=seed)
    tifffile.imwrite(path, scan, resolution=(PPI, PPI), resolutionunit="INCH")
    return path


def least_ink(printer: ColourPrinter, asked: NDArray[np.float64], scale: float) -> float:
    """Return the least ink on the line from white to a colour that holds back the scale."""
    line = _AMOUNTS * asked
    holds = printer.film_density(line) >= scale
    return float(printer.ink_laid(line[np.argmax(holds)])) if holds.any() else np.inf


def drawn(number: int, seed: int) -> tuple[ColourPrinter, PrintingProcess]:
    rng = np.random.default_rng((seed, number))
    cyan, magenta = rng.uniform(0.2, 1.4, 2)
    black = rng.uniform(1.2, 3.2)
    yellow = black + rng.uniform(0.5, 2.0) if number % 3 == 0 else rng.uniform(0.8, 3.5)
    alone = number % 3 == 1
    printer = ColourPrinter(
        inks=(cyan, magenta, yellow, black),
        black_from=0.0 if alone else rng.uniform(0.2, 0.6),
        replaced=1.0 if alone else rng.uniform(0.3, 0.8),
        spread=rng.uniform(0.04, 0.14),
        scatter=rng.uniform(1.2, 1.9),
    )
    paper = PrintingProcess(
        d_max=rng.uniform(1.2, 1.7), scale=rng.uniform(0.7, 1.3), toe=rng.uniform(4, 7),
        shoulder=rng.uniform(4, 8), printer=printer,
    )  # fmt: skip
    fine = np.linspace(0, 4, 4001)
    full = fine[np.argmax(paper.density_at(fine) >= paper.density_at(6.0) - TOLERANCE)]
    return printer, replace(paper, exposure=float(full))


def one(number: int, seed: int, folder: Path) -> dict[str, float]:
    printer, paper = drawn(number, seed)
    # The process's scale as a test strip gives it: from full black to the first tint.
    fine = np.linspace(-2, 4, 6001)
    scale = paper.exposure - float(fine[np.argmax(paper.density_at(fine) >= FIRST_TINT)])
    full_black = float(printer.ink_laid(np.ones(3)))
    black = min(full_black, least_ink(printer, np.ones(3), scale))
    grid = np.stack(np.meshgrid(_LEVELS, _LEVELS, _LEVELS), -1).reshape(-1, 3)[1:]
    best = min(least_ink(printer, asked, scale) for asked in grid)
    typed = min(3.0, max(1.0, round(2 * full_black) / 2))
    chart = ink_chart({}, typed)
    sheet, first = draw_ink_chart(chart, PPI), 1000 * seed + 10 * number
    scan = scan_of(folder / "inks.tif", sheet, sheet.codes(), paper, first)
    folders, into = process_folders(None, folder), folder / "process"
    done = choose_process_ink(scan, NAME, folders, into, chart)
    assert done.process.ink is not None
    colour = done.process.ink.colour
    asked = 1 - np.asarray(colour)
    for step in range(2):
        process = load_process(NAME, folders)
        steps = plain_chart(101, NAME, colour)
        if step:
            steps = corrected_chart(response_of(process), NAME, colour=colour)
        sheet = draw_chart(steps, PPI)
        codes = coloured(sheet.codes(), colour)
        scan = scan_of(folder / f"{step}.tif", sheet, codes, paper, first + 1 + step)
        loop.calibrate_process(scan, NAME, folders, into, chart=steps)
    response = response_of(load_process(NAME, folders))
    lightest = max(response.d_min, float(paper.print_density(asked)))
    wanted = np.linspace(lightest, response.d_max, 501)
    table = coloured(codes_of(response.ink_for(wanted)), colour)
    printed = paper.print_density(1 - table / 65535)
    white = luminance_of(95.0)
    off = lightness_of(white * 10**-printed) - lightness_of(white * 10**-wanted)
    last = response.ink_for(print_density(np.arange(93.0, 100.01, 0.1), response))
    rising = printer.film_density(np.linspace(0, 1, 4001)[:, None] * asked)
    return {
        "holds": float(printer.film_density(asked) >= scale),
        "laid": float(printer.ink_laid(asked)), "black": black, "full_black": full_black,
        "best": best, "rms": float(np.sqrt(np.mean(off**2))), "most": float(np.abs(off).max()),
        "jump": float(np.diff(last).max()), "from": float(last[0]), "to": float(last[-1]),
        "monotone": float((np.diff(rising) > 0).all()),
    }  # fmt: skip


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--printers", type=int, default=12)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--each", action="store_true", help="Print every printer's line.")
    options = parser.parse_args()
    loop._write_plot = lambda *_: ()  # plots take longer than all the rest
    rows = []
    for number in range(options.printers):
        with tempfile.TemporaryDirectory() as name:
            try:
                row = one(number, options.seed, Path(name))
            except PlateError as error:
                print(number, error)
                continue
        rows.append(row)
        if options.each:
            print({key: round(value, 3) for key, value in row.items()}, flush=True)
    able = [row for row in rows if np.isfinite(row["best"])]
    sparing = [row for row in able if row["best"] <= 0.75 * row["black"]]
    figure("printers that came through", f"{len(rows)} of {options.printers}", "all")
    held = sum(row["holds"] for row in able)
    figure("ink holds the process's scale, where any does", f"{held:.0f} of {len(able)}", "all")
    saved = sum(row["laid"] <= 0.75 * row["black"] for row in sparing)
    figure("a quarter less than black, where possible", f"{saved} of {len(sparing)}", "all")
    share = [row["laid"] / row["black"] for row in able]
    figure("ink, of what black takes, median; most", f"{np.median(share):.2f}; {max(share):.2f}")
    figure("L* after two charts, RMS: median; worst", f"{np.median([r['rms'] for r in rows]):.2f}; "
           f"{max(r['rms'] for r in rows):.2f}", "1")  # fmt: skip
    figure("L* after two charts, most: median; worst",
           f"{np.median([r['most'] for r in rows]):.2f}; {max(r['most'] for r in rows):.2f}",
           "2")  # fmt: skip
    figure("largest step of ink in a tenth of an L*, from L* 93 on",
           f"{max(r['jump'] for r in rows):.3f}")  # fmt: skip
    rising = sum(row["monotone"] for row in rows)
    figure("density in the process's light rises all along", f"{rising:.0f} of {len(rows)}", "all")


if __name__ == "__main__":
    main()
