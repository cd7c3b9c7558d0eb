"""The log of developing: a CSV file, a line for each step of each plate."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from platebench.errors import SettingsFileError
from platebench.exposing.processing import STEPS, Step, StepDone, check_step
from platebench.fsio import atomic_write

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
    before = _log_so_far(path)
    added = io.StringIO()
    writer = csv.writer(added, lineterminator="\n")
    if not before:
        writer.writerow(HEADER)
    writer.writerows(log_lines(developed, steps))
    end = b"" if not before or before.endswith(b"\n") else b"\n"
    with atomic_write(path) as stream:
        stream.write(before + end + added.getvalue().encode())


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
        raise SettingsFileError(path, "is no log of developing", "name another file")
    return before
