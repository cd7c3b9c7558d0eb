"""The log of developing: a CSV file, a line for each step of each plate."""

from __future__ import annotations

import csv
import errno
import io
import math
import os
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from platebench.core.csv_table import CellProblems, read_csv_table
from platebench.core.errors import SettingsFileError
from platebench.core.files import atomic_write, write_error
from platebench.core.locks import only_writer
from platebench.core.progress import NullProgress
from platebench.exposing.processing import STEP_NAMES, STEPS, Step, StepDone, check_step
from platebench.plate_log.entry import StepNoted

FILE_NAME = "developing.csv"  # in a session folder, beside the plate log
HEADER = ("date", "plate", "step", "time_s", "temperature_c", "note", "warnings")


@dataclass(frozen=True, slots=True, kw_only=True)
class Developed:
    """One plate's developing, as noted.

    Attributes
    ----------
    plate_id : str
        Name of the plate.
    day : date
        When.
    steps : tuple of StepDone
        In the order they were done.
    note : str
        Developer, dilution, anything else; stands on each line.
    """

    plate_id: str
    day: date
    steps: tuple[StepDone, ...]
    note: str = ""


def warnings_of(developed: Developed, steps: Sequence[Step] = STEPS) -> tuple[str, ...]:
    """Return the warnings of all steps, in order."""
    return tuple(text for done in developed.steps for text in check_step(done, steps))


def log_lines(developed: Developed, steps: Sequence[Step] = STEPS) -> list[list[str]]:
    """Return the lines of a plate, as in ``HEADER``."""
    return [
        [
            developed.day.isoformat(),
            developed.plate_id,
            done.name,
            f"{done.time_s:g}",
            "" if done.temperature_c is None else f"{done.temperature_c:g}",
            developed.note,
            "; ".join(check_step(done, steps)),
        ]
        for done in developed.steps
    ]


def append_to_log(path: Path, developed: Developed, steps: Sequence[Step] = STEPS) -> None:
    """Add a plate to a log, or begin one; what is in it stays byte for byte.

    Raises
    ------
    SettingsFileError
        If the file is something else than such a log, or cannot be read.
    WriteError
        If it cannot be written; the log is then as it was.
    """
    if not path.parent.is_dir():
        raise write_error(path, FileNotFoundError(errno.ENOENT, os.strerror(errno.ENOENT)))
    with only_writer(path.parent, NullProgress()):  # else two plates at once would lose one
        before = _log_so_far(path)
        added = io.StringIO()
        writer = csv.writer(added, lineterminator="\n")
        if not before:
            writer.writerow(HEADER)
        writer.writerows(log_lines(developed, steps))
        end = b"" if not before or before.endswith(b"\n") else b"\n"
        with atomic_write(path) as stream:
            stream.write(before + end + added.getvalue().encode())


def read_log(path: Path) -> dict[str, tuple[StepNoted, ...]]:
    """Return the steps of each plate, in the order they were noted.

    Parameters
    ----------
    path : Path
        A log of developing, perhaps saved again by a spreadsheet.

    Raises
    ------
    SettingsFileError
        If it cannot be read, or is something else than such a log.
    BadSettingError, BadSettingsError
        If one cell, or several, cannot be read: all of them, by row and column.
    """
    table = read_csv_table(path)
    headings = [heading.casefold() for heading in table.headings]
    if not set(HEADER[1:4]) <= set(headings):
        raise _no_log(path)
    places = {name: headings.index(name) for name in HEADER if name in headings}
    problems = CellProblems(table)
    steps: dict[str, list[StepNoted]] = {}
    for row, cells in table.rows:
        said = {name: cells[at] for name, at in places.items() if at < len(cells)}
        time_s, heat = _number(said.get("time_s", "")), _number(said.get("temperature_c", ""))
        step = said.get("step", "").casefold()
        if not said.get("plate"):
            problems.cell(row, places["plate"], "is empty", "write the plate's id")
        if step not in STEP_NAMES:
            problems.cell(row, places["step"], "is no step", f"write {', '.join(STEP_NAMES)}")
        if time_s is None or time_s <= 0:
            problems.cell(row, places["time_s"], "is no time", "write seconds, such as 300")
        if heat is None and said.get("temperature_c"):
            what = "is no temperature"
            problems.cell(row, places["temperature_c"], what, "write degrees Celsius, such as 20")
        if time_s is not None:
            noted = StepNoted(
                name=step,
                time_s=time_s,
                temperature_c=heat,
                day=said.get("date", ""),
                note=said.get("note", ""),
            )
            steps.setdefault(said.get("plate", ""), []).append(noted)
    problems.finish()
    return {plate: tuple(noted) for plate, noted in steps.items()}


def _number(cell: str) -> float | None:
    try:
        number = float(cell.replace(",", "."))
    except ValueError:
        return None
    return number if math.isfinite(number) else None


def _no_log(path: Path) -> SettingsFileError:
    return SettingsFileError(path, "is no log of developing", "name another file")


def _log_so_far(path: Path) -> bytes:
    try:
        before = path.read_bytes()
    except FileNotFoundError:
        return b""
    except OSError as error:
        what = f"cannot be read ({error.strerror})"
        raise SettingsFileError(path, what, "check the file and its permissions") from error
    first = before.removeprefix(b"\xef\xbb\xbf").partition(b"\n")[0].rstrip(b"\r")
    if before and first != ",".join(HEADER).encode():
        raise _no_log(path)
    return before
