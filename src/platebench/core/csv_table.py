"""Tables as spreadsheets save them: comma, semicolon or tab, with or without a byte order mark."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from platebench.core.checked_table import raise_problems
from platebench.core.errors import BadSettingError, SettingsFileError
from platebench.core.files import read_at_most

LARGEST_FILE = 64 << 20  # bytes; a log of a hundred thousand plates stays below
_SEPARATORS = ",;\t"


@dataclass(frozen=True, slots=True, kw_only=True)
class CsvTable:
    """A table: its headings, and its rows with the numbers a spreadsheet shows.

    Attributes
    ----------
    path : Path
        The file.
    headings : tuple of str
        First row, spaces around them taken off; "" where a column has none.
    rows : tuple of (int, tuple of str)
        Row number, and as many cells as the row has; rows without content are left out.
    """

    path: Path
    headings: tuple[str, ...]
    rows: tuple[tuple[int, tuple[str, ...]], ...]


class CellProblems:
    """What is wrong with the cells of a table: collected, and told all at once.

    Parameters
    ----------
    table : CsvTable
        The table.
    """

    def __init__(self, table: CsvTable) -> None:
        self.table = table
        self.found: list[BadSettingError] = []

    def cell(self, row: int, index: int, what: str, remedy: str) -> None:
        """Note a cell: row as a spreadsheet numbers it, column from 0."""
        headings = self.table.headings
        column, heading = f"column {column_letter(index)}", headings[index : index + 1]
        place = f"{heading[0]} ({column})" if heading and heading[0] else column
        self.found.append(BadSettingError(self.table.path, f"row {row}, {place}", what, remedy))

    def heading(self, index: int, what: str, remedy: str) -> None:
        """Note a heading."""
        column = f"column {column_letter(index)}"
        self.found.append(BadSettingError(self.table.path, column, what, remedy))

    def finish(self) -> None:
        """Raise what was noted.

        Raises
        ------
        BadSettingError, BadSettingsError
            If anything was.
        """
        raise_problems(self.found)


def read_csv_table(path: Path) -> CsvTable:
    """Read a CSV file; the separator is the one that the first row has most of.

    Raises
    ------
    SettingsFileError
        If it is missing, too large, not UTF-8, empty, or no table.
    """
    text = table_text(path, as_utf8="save it as CSV in UTF-8", largest=LARGEST_FILE)
    rows = _numbered_rows(path, text)
    first = next(rows, None)
    if first is None:
        raise SettingsFileError(path, "holds no rows", "write headings into the first one")
    return CsvTable(path=path, headings=first[1], rows=tuple(rows))


def read_numbers(text: str, headings: Sequence[str]) -> list[tuple[float, ...]]:
    r"""Return the numbers under some headings, row after row.

    Decimal commas are fine where the separator is another.

    Raises
    ------
    ValueError
        If a heading or a number is missing, or a row has more cells than there are headings, as
        decimal commas between commas make it.
    csv.Error
        If it is no table.

    Examples
    --------
    >>> read_numbers("time_s;density\n15;0,25\n", ("density", "time_s"))
    [(0.25, 15.0)]
    """
    said, separator = separator_of(text)
    reader = csv.reader(io.StringIO(said, newline=""), delimiter=separator, strict=True)
    rows = [row for row in reader if any(cell.strip() for cell in row)]
    if not rows:
        return []
    found = [cell.strip().casefold() for cell in rows[0]]
    places = [found.index(heading) for heading in headings]
    if any(not max(places) < len(row) <= len(found) for row in rows[1:]):
        raise ValueError("cells and headings differ in number")
    point = str.maketrans("" if separator == "," else ",", "" if separator == "," else ".")
    return [tuple(float(row[place].translate(point)) for place in places) for row in rows[1:]]


def column_letter(index: int) -> str:
    """Return a column's name in a spreadsheet.

    Examples
    --------
    >>> column_letter(0), column_letter(25), column_letter(26)
    ('A', 'Z', 'AA')
    """
    letters = ""
    while index >= 0:
        letters = chr(ord("A") + index % 26) + letters
        index = index // 26 - 1
    return letters


def table_text(path: Path, *, as_utf8: str, largest: int) -> str:
    """Return the text of a table that somebody wrote.

    Parameters
    ----------
    as_utf8 : str
        What to do about a file that is no UTF-8.
    largest : int
        Bytes, at most.

    Raises
    ------
    SettingsFileError
        If it is missing, too large, unreadable, or not UTF-8.
    """
    try:
        content = read_at_most(path, largest)
        if content is None:
            raise SettingsFileError(
                path, "is too large for a table", "check that it is the right file"
            )
        return content.decode("utf-8-sig")
    except FileNotFoundError as error:
        raise SettingsFileError(path, "is missing", "check the name of the table") from error
    except UnicodeDecodeError as error:
        raise SettingsFileError(path, "is not UTF-8 text", as_utf8) from error
    except OSError as error:
        what = f"cannot be read ({error.strerror})"
        raise SettingsFileError(path, what, "check the file and its permissions") from error


def _numbered_rows(path: Path, text: str) -> Iterator[tuple[int, tuple[str, ...]]]:
    said, separator = separator_of(text)
    skipped = text.count("\n", 0, len(text) - len(said))
    # Strict: a quote that is never closed would swallow all rows after it.
    reader = csv.reader(io.StringIO(said, newline=""), delimiter=separator, strict=True)
    try:
        for number, cells in enumerate(reader, 1 + skipped):
            row = tuple(cell.strip() for cell in cells)
            if any(row):
                yield number, row
    except csv.Error as error:
        raise SettingsFileError(path, f"is no table: {error}", "save it as CSV") from error


def separator_of(text: str) -> tuple[str, str]:
    """Return the text without a line that names the separator (``sep=;``), and the separator."""
    line, end, rest = text.partition("\n")
    named = line.strip().strip('"').lower()
    if end and named.startswith("sep=") and named[4:] in _SEPARATORS and len(named) == 5:
        return rest, named[4:]
    heading = next((line for line in text.splitlines() if line.strip(' \t,;"')), text)
    return text, max(_SEPARATORS, key=_outside_quotes(heading).count)


def _outside_quotes(line: str) -> str:
    return "".join(line.split('"')[::2])


def write_csv_rows(rows: Sequence[Sequence[str]]) -> bytes:
    """Return rows as CSV that spreadsheets open without asking: commas, UTF-8, its mark first."""
    text = io.StringIO(newline="")
    csv.writer(text, lineterminator="\r\n").writerows(rows)
    return text.getvalue().encode("utf-8-sig")
