"""The user's own table of reciprocity: CSV with the columns ``metered_s`` and ``given_s``."""

from __future__ import annotations

import csv
from pathlib import Path

from platebench.errors import BadSettingError
from platebench.exposing.reciprocity import OwnTable, table_problem
from platebench.files.checked_table import LARGEST_FILE
from platebench.files.csv_table import table_text

HEADER = ["metered_s", "given_s"]


def load_reciprocity_table(path: Path) -> OwnTable:
    """Read a table of reciprocity.

    Lines that are empty or begin with ``#`` do not count.

    Raises
    ------
    SettingsFileError
        If the file cannot be read.
    BadSettingError
        If a row is not two times in seconds, or the rows do not rise.
    """
    text = table_text(path, as_utf8="save it as UTF-8", largest=LARGEST_FILE)
    rows = [
        (number, _cells(line))
        for number, line in enumerate(text.splitlines(), 1)
        if line.strip() and not line.lstrip().startswith("#")
    ]
    if not rows or [cell.lower() for cell in rows[0][1]] != HEADER:
        remedy = f"begin with the line {','.join(HEADER)}"
        raise BadSettingError(path, f"line {rows[0][0] if rows else 1}", "is no header", remedy)
    times = [(number, *_two_times(path, number, cells)) for number, cells in rows[1:]]
    metered, given = tuple(time[1] for time in times), tuple(time[2] for time in times)
    problem = table_problem(metered, given)
    if problem is not None:
        row, what, remedy = problem
        line = times[row - 1][0] if times else rows[0][0]
        raise BadSettingError(path, f"line {line}", what, remedy)
    return OwnTable(metered=metered, given=given, name=f"the table {path.name}")


def _cells(line: str) -> list[str]:
    try:
        return [cell.strip() for cell in next(csv.reader([line]), [])]
    except csv.Error:  # a cell of more than 131,072 characters
        return []


def _two_times(path: Path, line: int, cells: list[str]) -> tuple[float, float]:
    try:
        metered, given = (float(cell) for cell in cells)
    except ValueError as error:
        remedy = "write two numbers with a point, such as 60,90 or 1.5,1.8"
        raise BadSettingError(path, f"line {line}", "is not two times", remedy) from error
    return metered, given
