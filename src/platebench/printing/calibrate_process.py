"""The calibration loop: scans of printed charts to a process profile of one's own, and a plot."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from platebench.core.errors import ChartError
from platebench.core.files import atomic_write, refuse_foreign
from platebench.core.installed import profiles_folder
from platebench.core.progress import NullProgress, Progress
from platebench.core.rounding import rounded
from platebench.printing.fit_response import PooledFit, fit_response
from platebench.printing.print_look import Status
from platebench.printing.printing_time import scale_through_film
from platebench.printing.process import ChartPrint, ExposureScale, Process, ProcessCalibration
from platebench.printing.process_file import load_process
from platebench.printing.process_write import write_profile
from platebench.printing.read_chart import ChartReading, read_chart
from platebench.printing.scan_gamma import KnownPatch
from platebench.printing.step_chart import StepChart

INK_NOTE = (
    "the response holds for this printer, ink setting, film, paper and chemistry together: what "
    "ink holds back in ultraviolet cannot be seen, nor read off a visual densitometer"
)
_SILENT = NullProgress()
_A_FACTOR = 0.35  # of what is off is left where one factor explains it
_APART = 0.06  # D, RMS between a new print and the curve so far: more is not drift


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CalibratedProcess:
    """What a calibration found and wrote.

    Attributes
    ----------
    process : Process
        As the profile now has it.
    reading : ChartReading
        Of this print.
    fit : PooledFit
        Through all prints.
    files : tuple of Path
        Profile, PNG, SVG.
    notes : tuple of str
    """

    process: Process
    reading: ChartReading
    fit: PooledFit
    files: tuple[Path, ...]
    notes: tuple[str, ...]

    @property
    def calibration(self) -> ProcessCalibration:
        """What the profile keeps."""
        assert self.process.calibration is not None  # made by calibrate_process
        return self.process.calibration

    def to_json(self) -> dict[str, Any]:
        """Return the results as JSON types."""
        found, response = self.calibration, self.calibration.response
        return {
            "process": self.process.name,
            "chart": self.reading.chart.name,
            "prints": [one.scan for one in found.prints],
            "d_max": rounded(response.d_max, 4),
            "d_min": rounded(response.d_min, 4),
            "residual": rounded(found.residual, 4),
            "noise": rounded(found.noise, 4),
            "evenness": rounded(found.evenness, 4),
            "exposure_scales": [
                {"typical": rounded(scale.typical, 3), "status": str(scale.status[1])}
                for scale in self.process.scales
            ],
            "damaged": list(self.reading.evened.damaged),
            "depth_drift": [rounded(drift, 4) for drift in self.fit.depth_drift],
            "tone_drift": [rounded(drift, 4) for drift in self.fit.tone_drift],
            "ink": list(response.ink),
            "density": list(response.density),
            "notes": list(self.notes),
            "files": [str(path) for path in self.files],
        }


def calibrate_process(
    scan: Path,
    name: str,
    folders: Sequence[Path],
    into: Path,
    *,
    chart: StepChart | None = None,
    save_as: str = "",
    fresh: bool = False,
    film: Path | None = None,
    gamma: float = 2.2,
    known: KnownPatch | None = None,
    progress: Progress = _SILENT,
) -> CalibratedProcess:
    """Read a print of the step chart and keep what it says in a profile.

    Parameters
    ----------
    scan : Path
        Scan of the print.
    name : str
        The process.
    folders : sequence of Path
        Where its profile is looked for.
    into : Path
        Folder of the profile that is written, and of the plot.
    chart : StepChart, optional
        The chart, where it went through a correction.
    save_as : str
        Another name for the profile; "" keeps the process's own.
    fresh : bool
        Forget earlier prints: printer, ink, paper or chemistry changed.
    film : Path, optional
        Table of the film's densities in the light that prints: gives the exposure scale.
    gamma : float
        Coding of scans without a profile.
    known : KnownPatch, optional
        A patch as a densitometer reads it; shows whether gamma is right.
    progress : Progress
        Told when the scan is read and evened, the curve fitted, and the files written.

    Raises
    ------
    CaptureError, ChartError, ReadingsError
        If the scan, or the table, cannot be used.
    MissingProfileError, SettingsFileError, BadSettingError, BadSettingsError
        If the process cannot be read.
    WriteError
        If the profile or the plot cannot be written.
    """
    process = load_process(name, folders)
    target = save_as or name
    earlier = _earlier(process, target, folders, fresh)
    progress.begin(scan.name, 3)
    try:
        reading = read_chart(scan, chart, gamma=gamma, known=known, process=process)
        if reading.chart.colour != process.colour:
            what = f'shows a chart in another ink than "{name}" has now'
            raise ChartError(scan, what, "write the chart again for this process, and print that")
        progress.advance("read")
        prints = (*(p for p in earlier if p.density != reading.printed.density), reading.printed)
        fit = fit_response(prints)
        progress.advance("fitted")
        scale = None if film is None else scale_through_film(film, fit.response)
        if scale is not None:
            process = replace(process, scales=(scale,))
        process, files = _kept(process, target, into, prints, reading, fit, scale)
        progress.advance("written")
    finally:
        progress.end()
    made_for = reading.chart.made_for
    meant = () if made_for in ("", name, target) else (f"the chart was made for {made_for}",)
    apart, scaled = _apart_notes(prints, fit), _scale_notes(process)
    notes = (*reading.notes, *meant, *apart, *scaled, INK_NOTE)
    return CalibratedProcess(process=process, reading=reading, fit=fit, files=files, notes=notes)


def _kept(
    process: Process,
    target: str,
    into: Path,
    prints: tuple[ChartPrint, ...],
    reading: ChartReading,
    fit: PooledFit,
    scale: ExposureScale | None,
) -> tuple[Process, tuple[Path, ...]]:
    """Write profile and plot; return the process as it now is, and the files."""
    calibration = ProcessCalibration(
        response=fit.response,
        prints=prints,
        residual=fit.residual,
        noise=reading.evened.noise,
        evenness=reading.evened.evenness,
        colour=process.colour,
    )
    path = into / f"{target}.toml"
    process = replace(process, name=target, path=path, calibration=calibration)
    whole = not (profiles_folder() / "process" / f"{target}.toml").is_file()
    refuse_foreign(_plots(into, process))
    write_profile(path, process, calibration=calibration, scale=scale, whole=whole)
    return process, (path, *_write_plot(into, process, fit))


def _earlier(
    process: Process, target: str, folders: Sequence[Path], fresh: bool
) -> tuple[ChartPrint, ...]:
    """Return the prints that the profile to be written holds already."""
    if fresh:
        return ()
    if target != process.name:
        if not any((folder / f"{target}.toml").is_file() for folder in folders):
            return ()
        process = load_process(target, folders)
    return () if process.calibration is None else process.calibration.prints


def _apart_notes(prints: Sequence[ChartPrint], fit: PooledFit) -> tuple[str, ...]:
    """Say where the new print does not go with those before it."""
    if len(prints) < 2:
        return ()
    newest = prints[-1]
    read, mean = np.asarray(newest.density), fit.response.density_of(newest.ink)
    if (rms := _rms(read - mean)) <= _APART:
        return ()
    off = f"this print is {rms:.2f} D off the mean of all {len(prints)}"
    earlier = fit_response(prints[:-1]).response.density_of(newest.ink)
    times = float(read @ earlier / (earlier @ earlier))
    if _rms(read - times * earlier) < _A_FACTOR * _rms(read - earlier):
        off += (
            f", all its densities {times:.2f} times the others', as in a scan read with another "
            "gamma than theirs"
        )
    return (
        f"{off}: if printer, ink, paper or chemistry changed, calibrate afresh; if nothing did, "
        " the process drifts that much",
    )


def _rms(values: NDArray[np.float64]) -> float:
    return float(np.sqrt(np.mean(values**2)))


def _scale_notes(process: Process) -> tuple[str, ...]:
    """Say where the exposure scale must come from: a chart of ink cannot show it."""
    if len(process.scales) > 1:
        return ("this is the response of one grade or filter: keep each under a name of its own",)
    if Status.TESTED in process.scales[0].status:
        return ()
    return (
        "the exposure scale stays a starting value: what ink holds back is not known, so a chart "
        "of ink cannot show it; a test strip can",
    )


def _plots(folder: Path, process: Process) -> tuple[Path, Path]:
    png, svg = (folder / f"{process.name}-calibration{end}" for end in (".png", ".svg"))
    return png, svg


def _write_plot(folder: Path, process: Process, fit: PooledFit) -> tuple[Path, Path]:
    from platebench.printing.fit_response import draw_response
    from platebench.sensitometry.plot_paper import png_of, svg_of

    drawing = draw_response(process, fit)
    png, svg = _plots(folder, process)
    for path, content in ((png, png_of(drawing)), (svg, svg_of(drawing))):
        with atomic_write(path) as stream:
            stream.write(content)
    return png, svg
