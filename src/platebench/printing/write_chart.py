"""The step chart as files to print, plain or through a process's present correction."""

from __future__ import annotations

from pathlib import Path

from platebench.errors import ChartError
from platebench.printing.chart_sheet import draw_chart
from platebench.printing.process import Process
from platebench.printing.step_chart import StepChart, chart_to_json, corrected_chart, plain_chart
from platebench.printing.write_sheet import write_sheet
from platebench.progress import Progress


def write_chart(
    folder: Path,
    process: Process | None,
    *,
    levels: int,
    ppi: float,
    progress: Progress | None = None,
) -> tuple[StepChart, tuple[Path, ...]]:
    """Write a step chart as TIFF, PDF and the JSON file that says what is on it.

    Parameters
    ----------
    folder : Path
        Made if need be.
    process : Process or None
        The process whose correction the steps go through; None for a first pass.
    levels : {51, 101}
    ppi : float
        Of the printer.
    progress : Progress or None
        Told of each file.

    Raises
    ------
    ChartError
        If the process has no calibration yet.
    WriteError
        If a file could not be written.
    """
    if process is None:
        chart = plain_chart(levels)
    elif process.calibration is None:
        raise ChartError(
            f'process "{process.name}"',
            "is not calibrated, so there is no correction to go through",
            "write the first chart without --process",
        )
    else:
        chart = corrected_chart(process.calibration.response, process.name, levels)
    files = write_sheet(
        folder,
        f"step-chart-{chart.name}",
        draw_chart(chart, ppi),
        ppi=ppi,
        title=f"Step chart {chart.name}",
        facts=chart_to_json(chart),
        progress=progress,
    )
    return chart, files
