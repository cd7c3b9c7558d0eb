"""Test strips: the film to print, what its print says, and the scale it gives a process."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from platebench.errors import ChartError
from platebench.printing.film_scale import tested_scale
from platebench.printing.printing_time import PrintingTime
from platebench.printing.process import Process
from platebench.printing.process_file import load_process
from platebench.printing.process_write import write_profile
from platebench.printing.scan_gamma import KnownPatch
from platebench.printing.strip_sheet import draw_strip, read_strip, read_strip_table
from platebench.printing.write_sheet import write_sheet
from platebench.progress import Progress


def write_strip(
    folder: Path, steps: int, ppi: float, progress: Progress | None = None
) -> tuple[Path, ...]:
    """Write the test strip's film as TIFF and PDF.

    Raises
    ------
    WriteError
        If a file could not be written.
    """
    name, title = f"test-strip-{steps}", f"Test strip, {steps} half stops"
    return write_sheet(
        folder, name, draw_strip(steps, ppi), ppi=ppi, title=title, progress=progress
    )


def read_printing_time(
    path: Path,
    first_s: float | None,
    *,
    tolerance: float,
    gamma: float,
    known: KnownPatch | None = None,
    process: Process | None = None,
) -> PrintingTime:
    """Return what a strip says: a scan, or a table that ends in ``.csv``.

    Raises
    ------
    CaptureError, ReadingsError
        If the file cannot be read.
    ChartError
        If it says nothing, or is a scan and the time of step 1 is not given.
    """
    if path.suffix.casefold() == ".csv":
        return read_strip_table(path, tolerance=tolerance)
    if first_s is None:
        what = "is a scan, which does not say how long step 1 was exposed"
        raise ChartError(path, what, "give it: --first SECONDS")
    return read_strip(path, first_s, tolerance=tolerance, gamma=gamma, known=known, process=process)


def keep_scale(
    found: PrintingTime, name: str, folders: Sequence[Path], into: Path
) -> tuple[Path, ...]:
    """Write a tested exposure scale into a process profile of one's own.

    Returns
    -------
    tuple of Path
        The profile; nothing where the strip gave no scale.

    Raises
    ------
    MissingProfileError, SettingsFileError, BadSettingError, BadSettingsError
        If the process cannot be read.
    WriteError
        If the profile cannot be written.
    """
    process = load_process(name, folders)
    if found.scale is None:
        return ()
    scale = tested_scale(found.scale)
    path = into / f"{name}.toml"
    write_profile(path, replace(process, path=path), scale=scale)
    return (path,)
