"""Prints of step charts and test strips as files, made by the simulator."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from contextlib import redirect_stderr
from dataclasses import dataclass, replace
from io import StringIO
from pathlib import Path

import numpy as np
import pytest
import tifffile
from numpy.typing import NDArray

from platebench.cli.ending import show_error
from platebench.core.errors import ChartError
from platebench.printing.chart_sheet import InkSheet, draw_chart
from platebench.printing.exposure_strip import draw_strip, strip_size, window_box
from platebench.printing.make_negative import NegativeOrder, NegativeSource, make_negative
from platebench.printing.negative_tone import table_from_positive
from platebench.printing.printing_time import find_printing_time, tested_scale
from platebench.printing.process import PrintResponse, Process, ProcessCalibration, coloured
from platebench.printing.process_file import load_process, process_folders
from platebench.printing.step_chart import StepChart, white_box
from platebench.printing.strip_plan import HALF, StripPlan, strip_times
from platebench.synthetic.printing_process import (
    PrinterModel,
    PrintFaults,
    PrintingProcess,
    ScanModel,
    simulate_print,
    simulate_scan,
)
from platebench.synthetic.scene import make_scene
from platebench.write.paper_page import Box

PPI = 150.0
ORDINARY, FLAT = PrintFaults(), ScanModel()

# Printers and papers far apart, and far from the shapes of the profiles that come along.
PROCESSES = {
    "middling": PrintingProcess(),
    "long scale, dots that spread": PrintingProcess(
        d_max=1.6,
        scale=1.7,
        toe=3,
        shoulder=3,
        exposure=2.5,
        printer=PrinterModel(full_density=3.2, spread=0.2, scatter=1.8),
    ),
    "hard paper": PrintingProcess(
        d_max=1.25,
        scale=0.8,
        toe=6,
        shoulder=5,
        exposure=1.25,
        printer=PrinterModel(full_density=1.9, spread=0.05, scatter=1.2),
    ),
    "deep black, too little ink": PrintingProcess(
        d_max=1.9,
        scale=0.9,
        toe=7,
        shoulder=5,
        exposure=1.5,
        printer=PrinterModel(full_density=1.6, spread=0.18, scatter=2.2),
    ),
    "dense ink, plain dots": PrintingProcess(
        d_max=1.4,
        scale=1.9,
        toe=2.5,
        shoulder=4,
        exposure=2.6,
        printer=PrinterModel(full_density=4.5, spread=0.0, scatter=1.0),
    ),
}


@dataclass(frozen=True, kw_only=True)
class Printing:
    """How a chart is printed and scanned."""

    process: PrintingProcess = PROCESSES["middling"]
    faults: PrintFaults = ORDINARY
    scan: ScanModel = FLAT
    ink_side_on_paper: bool = True
    inverted: bool = False
    taped: bool = True


ASKED = Printing()


def covered(sheet: InkSheet, box: Box) -> NDArray[np.bool_]:
    mask = np.zeros(sheet.ink.shape, np.bool_)
    edges = [round(edge * sheet.scale) for edge in (box.top, box.bottom, box.left, box.right)]
    mask[edges[0] : edges[1], edges[2] : edges[3]] = True
    return mask


def print_chart(path: Path, chart: StepChart, seed: int, how: Printing = ASKED) -> Path:
    sheet = draw_chart(chart, PPI)
    codes = coloured(sheet.codes(), chart.colour)
    return print_sheet(path, sheet, codes, seed, how)


def print_sheet(
    path: Path, sheet: InkSheet, codes: NDArray[np.uint16], seed: int, how: Printing = ASKED
) -> Path:
    density = simulate_print(
        65535 - codes if how.inverted else codes,
        PPI,
        how.process,
        seed=seed,
        faults=how.faults,
        covered=covered(sheet, white_box()) if how.taped else None,
        ink_side_on_paper=how.ink_side_on_paper,
    )
    return save(path, simulate_scan(density, PPI, how.scan, seed=seed))


def print_strip(
    path: Path,
    first_log: float,
    process: PrintingProcess,
    *,
    steps: int = 15,
    stops: float = HALF,
    seed: int = 0,
) -> Path:
    """A strip whose step 1 has a log exposure (from the foot of the curve) through clear film."""
    sheet = draw_strip(StripPlan(first_s=1.0, steps=steps, stops=stops), PPI)
    white = covered(sheet, white_box(*strip_size(steps)))
    faults = replace(
        PrintFaults(), specks=0, coating_exposure=0.02, exposure_drift=0, depth_drift=0
    )
    density = simulate_print(sheet.codes(), PPI, process, seed=seed, faults=faults, covered=white)
    truth = simulate_print(
        sheet.codes(), PPI, process, seed=seed, faults=replace(faults, texture=0, mottle=0)
    )
    for step in range(steps):
        window = covered(sheet, window_box(step)) & (sheet.ink == 0)
        printed = process.density_at(first_log + step * np.log10(2) * stops)
        density[window] += printed - truth[window]
    return save(path, simulate_scan(density, PPI, seed=seed))


def known_by(process: PrintingProcess, profile: str = "albumen") -> Process:
    """The profile as a chart and a test strip, both without error, would have made it."""
    ink, times = np.linspace(0, 1, 51), strip_times(1.0, 13, 1.0)
    read = process.density_at(process.exposure - 2.7 + np.log10(times))
    found = find_printing_time("strip", times, read.tolist())
    curve = found.curve()
    assert found.scale is not None and curve is not None
    response = PrintResponse(
        ink=tuple(ink.tolist()),
        density=tuple(np.minimum.accumulate(process.print_density(ink)).tolist()),
        calibrated=True,
    )
    return replace(
        load_process(profile, process_folders(None, None)),
        scales=(tested_scale(found.scale),),
        print_curve=curve,
        calibration=ProcessCalibration(
            response=response, prints=(), residual=0, noise=0, evenness=0
        ),
    )


def print_picture(
    folder: Path,
    process: PrintingProcess,
    *,
    scene: str = "still life",
    stops: float = 0.0,
    fall: float = 0.0,
    turned: int = 0,
    seed: int = 0,
) -> tuple[Path, Path]:
    """A negative in FOLDER/films and its print, print.tif: light falls from left to right."""
    films = folder / "films"
    films.mkdir()
    known = known_by(process)
    seen = make_scene(scene, (500, 640))
    codes = np.rint(65535 * np.clip(seen, 0, 1) ** (1 / 2.2)).astype(np.uint16)
    light = (np.arange(65536) / 65535) ** 2.2
    assert known.calibration is not None
    table = table_from_positive(light, known.calibration.response)
    source = NegativeSource(
        plate_id="film", path=films, codes=codes, table=table, ppi=codes.shape[1] / 5
    )
    made = make_negative(source, known, NegativeOrder(ppi=PPI), films)
    for path in made.files[:1]:
        path.rename(films / "film.tif")
    (films / "film.json").write_text(json.dumps(made.record), encoding="utf-8")
    film = tifffile.imread(films / "film.tif")
    faults = replace(PrintFaults(), coating_exposure=0, exposure_drift=0, specks=2)
    density = simulate_print(film, PPI, process, seed=seed, faults=faults)
    ink = (1 - film / 65535.0)[:, ::-1]
    away = stops * np.log10(2) + np.log10(1 - fall) * np.linspace(-0.5, 0.5, ink.shape[1])
    density += process.print_density(ink, exposure=away) - process.print_density(ink)
    density = np.pad(np.maximum(density, -0.02), 100)  # bare paper around
    scan = simulate_scan(density, PPI, ScanModel(turn_deg=1.5 + 90 * turned), seed=seed)
    return save(folder / "print.tif", scan), films / "film.tif"


def save(path: Path, codes: NDArray[np.generic]) -> Path:
    """A grey TIFF; how it is coded it does not say."""
    tifffile.imwrite(path, np.asarray(codes), resolution=(PPI, PPI), resolutionunit="INCH")
    return path


_DOCS = Path(__file__).parents[2] / "docs" / "errors.md"


def refused(call: Callable[[], object]) -> str:
    """Return what the command line says of a ChartError: one line, and documented."""
    with pytest.raises(ChartError) as caught:
        call()
    with redirect_stderr(StringIO()) as shown:
        show_error(caught.value)
    said = shown.getvalue().removeprefix("Error: ").removesuffix("\n")
    section = _DOCS.read_text(encoding="utf-8").split("`ChartError`")[1].split("\n## ")[0]
    documented = [
        line.split("| `")[1].removesuffix("` |") for line in section.splitlines() if "| `" in line
    ]
    patterns = [
        ".+".join(re.escape(part) for part in line.split("\N{HORIZONTAL ELLIPSIS}"))
        for line in documented
    ]
    assert any(re.fullmatch(pattern, said) for pattern in patterns), said
    return said
