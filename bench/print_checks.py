"""What ``check-print`` finds of a wrong time and a slope of light, on prints scanned askew.

Pictures, papers, printers and scans are drawn afresh for each seed. The process's response is the
simulator's own plus the error of a calibration; its curve comes from a test strip of whole stops.
The simulator's coating, mottle, texture, specks and drift of depth are not in the fit.

    python bench/print_checks.py --prints 40 --seed 1
"""

from __future__ import annotations

import argparse
import math
import tempfile
from dataclasses import replace
from pathlib import Path

import numpy as np
import tifffile

from one_core import figure
from platebench.core.errors import PlateError
from platebench.printing.check_print import check_print, load_negative
from platebench.printing.fit_response import fit_response
from platebench.printing.make_negative import NegativeOrder, NegativeSource, make_negative
from platebench.printing.negative_tone import table_from_positive
from platebench.printing.print_look import Status
from platebench.printing.printing_time import find_printing_time, tested_scale
from platebench.printing.process import ChartPrint, Process, ProcessCalibration
from platebench.printing.process_file import load_process, process_folders
from platebench.printing.strip_plan import strip_times
from platebench.session.record import write_json
from platebench.synthetic.printing_process import (
    PrinterModel,
    PrintFaults,
    PrintingProcess,
    ScanModel,
    simulate_print,
    simulate_scan,
)
from platebench.synthetic.scene import make_scene

PPI = 300.0
SCENES = ("landscape", "shore", "facade", "still life", "fern", "cup", "cat", "moon")


def calibrated(paper: PrintingProcess, rng: np.random.Generator, strip_first: float) -> Process:
    """Return the process as a chart and a strip have it."""
    ink = np.linspace(0, 1, 51)
    read = paper.print_density(ink) + rng.normal(0, 0.006, ink.size)
    chart = ChartPrint(
        scan="chart", chart="51", ink=tuple(ink.tolist()), density=tuple(read.tolist()),
        error=(0.006,) * ink.size,
    )  # fmt: skip
    response = fit_response([chart]).response  # as calibrate-process does
    times = strip_times(1.0, 13, 1.0)
    strip = paper.density_at(strip_first + np.log10(times)) + rng.normal(0, 0.006, len(times))
    found = find_printing_time("strip", times, strip.tolist())
    process = load_process("salted-paper", process_folders(None, None))
    curve = found.curve()
    assert found.scale is not None and curve is not None
    return replace(
        process,
        scales=(tested_scale(found.scale),),
        print_curve=replace(curve, status=Status.TESTED),
        calibration=ProcessCalibration(
            response=response, prints=(), residual=0.01, noise=0.01, evenness=0.05
        ),
    )


def one(number: int, seed: int, folder: Path) -> dict[str, float] | str:
    rng = np.random.default_rng((seed, number))
    printer = PrinterModel(
        full_density=rng.uniform(2.3, 4.0), spread=rng.uniform(0.04, 0.16),
        scatter=rng.uniform(1.2, 1.9),
    )  # fmt: skip
    paper = PrintingProcess(
        d_max=rng.uniform(1.2, 1.9), scale=rng.uniform(0.9, 1.7), toe=rng.uniform(3, 7),
        shoulder=rng.uniform(4, 9), printer=printer,
    )  # fmt: skip
    # Through clear film the print is exposed by its standard printing time: just black.
    fine = np.linspace(0, 4, 4001)
    black = fine[np.argmax(paper.density_at(fine) >= paper.density_at(6.0) - 0.03)]
    paper = replace(paper, exposure=float(black))
    process = calibrated(paper, rng, float(black) - 3.0)
    scene = make_scene(SCENES[number % len(SCENES)], (900, 1150))
    codes = np.rint(65535 * np.clip(scene, 0, 1) ** (1 / 2.2)).astype(np.uint16)
    light = (np.arange(65536) / 65535.0) ** 2.2
    source = NegativeSource(
        plate_id="p", path=folder / "p.tif", codes=codes, ppi=230.0,
        table=table_from_positive(light, process.calibration.response),
    )  # fmt: skip
    made = make_negative(source, process, NegativeOrder(ppi=PPI), folder)
    write_json(made.files[0].with_suffix(".json"), made.record)
    film = tifffile.imread(made.files[0])
    stops, fall = float(rng.choice([-1, 1])) * 0.2, 0.15
    angle = rng.choice([0, math.pi / 2, math.pi, 3 * math.pi / 2])
    y, x = np.mgrid[-0.5 : 0.5 : film.shape[0] * 1j, -0.5 : 0.5 : film.shape[1] * 1j]
    slope = math.log10(1 - fall) * (x * math.cos(angle) + y * math.sin(angle))
    away = stops * math.log10(2) + slope
    faults = PrintFaults(coating_exposure=0.01, coating_depth=0.02, exposure_drift=0)
    shifted = replace(paper, exposure=paper.exposure)
    density = simulate_print(film, PPI, shifted, seed=seed * 1000 + number, faults=faults)
    ink = (1 - film.astype(np.float64) / 65535)[:, ::-1]
    density += paper.print_density(ink, exposure=away) - paper.print_density(ink)
    border = 20 * int(PPI / 25.4)  # uncoated paper around
    density = np.pad(np.maximum(density, -0.02), border)
    scan = ScanModel(turn_deg=rng.uniform(-3, 3) + 90 * rng.integers(4), gamma=2.2)
    codes = simulate_scan(density, PPI, scan, seed=number)
    path = folder / "scan.tif"
    tifffile.imwrite(path, codes, resolution=(PPI, PPI), resolutionunit="INCH")
    try:
        found = check_print(path, load_negative(made.files[0]), process)
    except PlateError as error:
        return str(error)
    sides = {0.0: "right", 1.0: "lower", 2.0: "left", 3.0: "upper"}
    wanted = sides[round(angle / (math.pi / 2)) % 4]
    numbers = found.numbers
    return {
        "stops": numbers.stops, "stops_true": stops, "stops_error": numbers.stops_error,
        "fall": numbers.fall, "fall_error": numbers.fall_error,
        "side": float(numbers.darker_side == wanted), "contrast": numbers.contrast,
        "left": numbers.left_over, "black": numbers.black - numbers.black_aim,
    }  # fmt: skip


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--prints", type=int, default=40)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--each", action="store_true", help="Print every print's line.")
    options = parser.parse_args()
    rows, failed = [], []
    for number in range(options.prints):
        with tempfile.TemporaryDirectory() as name:
            row = one(number, options.seed, Path(name))
        if isinstance(row, str):
            failed.append(row)
        else:
            rows.append(row)
        if options.each:
            print(SCENES[number % len(SCENES)], row if isinstance(row, str) else
                  {key: round(value, 3) for key, value in row.items()}, flush=True)  # fmt: skip
    figure("prints that could be compared", f"{len(rows)} of {options.prints}")
    off = np.array([abs(row["stops"] - row["stops_true"]) for row in rows])
    figure("exposure 0.2 stop out: told within a quarter", f"{(off <= 0.05).sum()} of {len(rows)}",
           "all")  # fmt: skip
    figure("its error, median; worst", f"{np.median(off):.3f}; {off.max():.3f} stop")
    good = np.array([abs(row["fall"] - 0.15) <= 0.0375 and row["side"] for row in rows])
    figure("light that falls 15 %: told within a quarter, right side", f"{good.sum():.0f} of "
           f"{len(rows)}", "all")  # fmt: skip
    fall = np.array([row["fall"] for row in rows])
    figure("fall found, median; least; most", f"{np.median(fall):.3f}; {fall.min():.3f}; "
           f"{fall.max():.3f}")  # fmt: skip


if __name__ == "__main__":
    main()
