"""The plate log: what the maker or the archive knows of each plate, one row a plate.

A plain spreadsheet saved as CSV, ``plates.csv`` in the session folder. It is only ever read, but
for the template that ``start`` writes where there is none.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

from platebench.core.csv_table import (
    CellProblems,
    CsvTable,
    column_letter,
    read_csv_table,
    write_csv_rows,
)
from platebench.core.errors import SettingsFileError
from platebench.core.plate_names import folded_id
from platebench.plate_log.cells import COLUMNS, NOT_KNOWN, BadCell, Column, column_of, read_text
from platebench.plate_log.entry import LogEntry

__all__ = ["FILE_NAME", "LogEntry", "load_plate_log", "template"]

FILE_NAME = "plates.csv"


def load_plate_log(path: Path) -> dict[str, LogEntry]:
    """Read a plate log.

    Parameters
    ----------
    path : Path
        CSV; see ``docs/plate-log.md`` for its columns.

    Returns
    -------
    dict of str to LogEntry
        By plate id, in the order of the rows.

    Raises
    ------
    SettingsFileError
        If it is missing, not UTF-8, no table, or has no column for the plate's id.
    BadSettingError, BadSettingsError
        If one cell, or several, cannot be read: all of them, by row and column.
    """
    table = read_csv_table(path)
    return _Reader(table).entries()


def template(plate_ids: tuple[str, ...]) -> bytes:
    """Return an empty plate log: the headings, and a row for each plate."""
    headings = [column.heading for column in COLUMNS if column.offered]
    rows = [[plate_id, *[""] * (len(headings) - 1)] for plate_id in plate_ids]
    return write_csv_rows([headings, *rows])


class _Reader:
    """One reading of a table."""

    def __init__(self, table: CsvTable) -> None:
        self.table = table
        self.problems = CellProblems(table)
        self.columns = [column_of(heading) for heading in table.headings]

    def entries(self) -> dict[str, LogEntry]:
        self._check_headings()
        entries: dict[str, LogEntry] = {}
        rows: dict[str, int] = {}
        for number, cells in self.table.rows:
            entry = self._entry(number, cells)
            if entry is None:
                continue
            first = rows.setdefault(folded_id(entry.plate_id), number)
            if first != number:
                what = f'is "{entry.plate_id}", as in row {first}'
                self.problems.cell(number, self._id_column, what, "give each plate one row")
            entries[entry.plate_id] = entry
        self.problems.finish()
        return entries

    @property
    def _id_column(self) -> int:
        return next(index for index, column in enumerate(self.columns) if _is_id(column))

    def _check_headings(self) -> None:
        seen: dict[str, int] = {}
        for index, heading in enumerate(self.table.headings):
            column = self.columns[index]
            name = column.key if column else heading.casefold()
            if name and seen.setdefault(name, index) != index:
                what = f'is headed "{heading}", as column {column_letter(seen[name])} is'
                self.problems.heading(index, what, "give each column its own heading")
        if not any(map(_is_id, self.columns)):
            raise SettingsFileError(
                self.table.path,
                'has no column "plate id"',
                "head one so in the first row, or save it with commas or semicolons",
            )

    def _entry(self, number: int, cells: tuple[str, ...]) -> LogEntry | None:
        """Return a row as an entry; None where nothing tells which plate it is of."""
        values: dict[str, Any] = {}
        more: list[tuple[str, str]] = []
        headings = self.table.headings
        for index, cell in enumerate(cells):
            if not cell:
                continue
            if index >= len(headings) or not headings[index]:
                what = "stands in a column without a heading"
                self.problems.cell(number, index, what, "head it")
                continue
            column = self.columns[index]
            try:
                if column is None:
                    more.append((headings[index], read_text(cell)))
                elif column.is_text or cell not in NOT_KNOWN:
                    values[column.key] = column.read(cell)
            except BadCell as bad:
                self.problems.cell(number, index, bad.what, bad.remedy)
                if _is_id(column):
                    return None
        if not values.get("plate_id"):
            remedy = "write the id that the plate has in session.toml"
            self.problems.cell(number, self._id_column, "is empty", remedy)
            return None
        return LogEntry(**values, more=tuple(more))


def _is_id(column: Column | None) -> bool:
    return column is not None and column.key == "plate_id"
