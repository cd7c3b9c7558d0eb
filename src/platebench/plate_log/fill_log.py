"""Cells added to a person's plate log; everything else in the file stays byte for byte.

The file keeps its separator, its line ends, its quotes and its decimal mark, as a spreadsheet saved
it. A cell that says something already is never replaced.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from platebench.core.camera_time import time_in_words
from platebench.core.csv_table import separator_of
from platebench.core.errors import SettingsFileError
from platebench.core.files import atomic_write
from platebench.core.locks import only_writer
from platebench.core.plate_names import folded_id
from platebench.core.progress import NullProgress
from platebench.plate_log.cells import COLUMNS, NOT_KNOWN, BadCell, Column, column_of
from platebench.plate_log.read_log import load_plate_log, template

_BY_KEY = {column.key: column for column in COLUMNS}
_TIMES = ("metered_s", "given_s", "develop_s")
_DECIMAL_COMMA = re.compile(r"^-?\d+,\d+$")
_MARK = "\ufeff"


@dataclass(slots=True)
class _Row:
    """One row as it stands in the file: cells with their quotes, and the end of the line."""

    cells: list[str]
    end: str

    @property
    def is_empty(self) -> bool:
        return not any(map(_plain, self.cells))


def fill_plate_log(path: Path, plate_id: str, values: Mapping[str, str | float]) -> tuple[str, ...]:
    """Write what is known of a plate into its row; begin a log, a row, a column where needed.

    Parameters
    ----------
    path : Path
        The plate log; made if missing.
    plate_id : str
        The plate; capitals do not matter.
    values : mapping of str to (str or float)
        By field of ``LogEntry``: seconds, millimetres, f-number, EV, text.

    Returns
    -------
    tuple of str
        The headings of the cells that were filled. Those that held the same already are not named.

    Raises
    ------
    SettingsFileError
        If the file cannot be read, or a cell of the plate says something else already: nothing is
        written then.
    BadSettingError, BadSettingsError
        If the log has cells that cannot be read.
    WriteError
        If it cannot be written.
    """
    with only_writer(path.parent, NullProgress()):
        begun = not path.exists()
        if begun:
            before = template((plate_id,)).decode("utf-8-sig")
            mark = _MARK
        else:
            load_plate_log(path)  # refused here, with row and column, before anything is changed
            content = path.read_bytes().decode()
            mark = _MARK if content.startswith(_MARK) else ""
            before = content.removeprefix(_MARK)
        text, filled = _filled(path, before, plate_id, values)
        if filled or begun:
            with atomic_write(path) as stream:
                stream.write((mark + text).encode())
    return filled


def _filled(
    path: Path, text: str, plate_id: str, values: Mapping[str, str | float]
) -> tuple[str, tuple[str, ...]]:
    body, separator = separator_of(text)
    rows = _rows(body, separator)
    first = next(n for n, row in enumerate(rows) if not row.is_empty)
    headings = [_plain(cell) for cell in rows[first].cells]
    places = {column.key: n for n, h in enumerate(headings) if (column := column_of(h))}
    comma = _uses_comma(rows[first + 1 :], separator)
    newline = next((row.end for row in rows if row.end), "\n")
    row = _row_of(rows[first + 1 :], places["plate_id"], plate_id)
    if row is None:
        if not rows[-1].end:
            rows[-1].end = newline
        cells = [""] * len(headings)
        cells[places["plate_id"]] = _quoted(plate_id, separator)
        row = _Row(cells, newline)
        rows.append(row)
    filled = []
    for key, value in values.items():
        said = _written(key, value, comma=comma)
        if key not in places:
            places[key] = len(rows[first].cells)
            rows[first].cells.append(_quoted(_BY_KEY[key].heading, separator))
        at = places[key]
        row.cells += [""] * (at + 1 - len(row.cells))
        there = _plain(row.cells[at])
        if there in NOT_KNOWN:
            row.cells[at] = _quoted(said, separator)
            filled.append(_BY_KEY[key].heading)
        elif not _same(_BY_KEY[key], there, said):
            heading = _BY_KEY[key].heading
            what = f'says "{there[:40]}" of {plate_id} under "{heading}", not "{said}"'
            raise SettingsFileError(path, what, "empty that cell, or name another plate")
    lead = text[: len(text) - len(body)]
    return lead + "".join(separator.join(r.cells) + r.end for r in rows), tuple(filled)


def _row_of(rows: list[_Row], place: int, plate_id: str) -> _Row | None:
    for row in rows:
        if place < len(row.cells) and folded_id(_plain(row.cells[place])) == folded_id(plate_id):
            return row
    return None


def _rows(text: str, separator: str) -> list[_Row]:
    """Return the rows of a table that was read before, so that its quotes are known to close."""
    rows: list[_Row] = []
    cells, begin, at, quoted = [], 0, 0, False
    while at < len(text):
        letter = text[at]
        if letter == '"' and text[begin] == '"':
            quoted = not quoted  # a doubled quote closes and opens again
        elif not quoted and letter == separator:
            cells.append(text[begin:at])
            begin = at + 1
        elif not quoted and letter in "\r\n":
            end = "\r\n" if text[at : at + 2] == "\r\n" else letter
            rows.append(_Row([*cells, text[begin:at]], end))
            at += len(end)
            cells, begin = [], at
            continue
        at += 1
    if begin < len(text) or cells:
        rows.append(_Row([*cells, text[begin:]], ""))
    return rows


def _plain(cell: str) -> str:
    if cell.startswith('"') and cell.endswith('"') and len(cell) > 1:
        cell = cell[1:-1].replace('""', '"')
    return cell.strip()


def _quoted(text: str, separator: str) -> str:
    if any(mark in text for mark in (separator, '"', "\r", "\n")):
        return '"' + text.replace('"', '""') + '"'
    return text


def _uses_comma(rows: list[_Row], separator: str) -> bool:
    """Tell whether numbers are written with a comma: as they are, else as such files mostly do."""
    if separator == ",":
        return False
    cells = [_plain(cell) for row in rows for cell in row.cells]
    if any(map(_DECIMAL_COMMA.match, cells)):
        return True
    return separator == ";" and not any(re.match(r"^-?\d+\.\d+$", cell) for cell in cells)


def _written(key: str, value: str | float, *, comma: bool) -> str:
    if isinstance(value, str):
        return value
    if key in _TIMES:
        said = time_in_words(value)  # with its unit: a bare fraction becomes a date
    elif key == "f_number":
        said = f"f/{value:.4g}"  # the same: 5.6 would be the fifth of June
    else:
        said = f"{round(value, 2):g}"
    return said.replace(".", ",") if comma else said


def _same(column: Column, there: str, said: str) -> bool:
    try:
        one, other = column.read(there), column.read(said)
    except BadCell:
        return there == said
    if isinstance(one, float) and isinstance(other, float):
        return abs(one - other) <= 0.02 * max(abs(one), abs(other))
    return one == other
