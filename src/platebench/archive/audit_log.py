"""``audits.csv``, what every audit found, a line each; and which packages are due next.

A plain table beside the catalogue, so that the history outlives any database. A line that a kill
cut off is passed over.
"""

from __future__ import annotations

import csv
import io
import math
import os
import re
import sqlite3
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from fractions import Fraction
from pathlib import Path

from platebench.archive.manifest import decode_path, encode_path
from platebench.core.errors import CollectionError
from platebench.core.files import write_error


def open_round(connection: sqlite3.Connection) -> list[str]:
    """Return what an interrupted round has left to do, in its order; empty where none is open."""
    rows = connection.execute("SELECT package FROM round WHERE done = 0 ORDER BY place")
    return [str(row[0]) for row in rows]


def begin_round(connection: sqlite3.Connection, packages: Sequence[str]) -> None:
    """Note the packages of a new round; an old one is forgotten."""
    connection.execute("BEGIN IMMEDIATE")
    connection.execute("DELETE FROM round")
    connection.executemany(
        "INSERT INTO round (package, place) VALUES (?, ?)",
        [(package, place) for place, package in enumerate(packages)],
    )
    connection.execute("COMMIT")


def note_done(connection: sqlite3.Connection, entry: AuditEntry) -> None:
    """Keep the outcome for a package, and count it as done."""
    connection.execute("BEGIN IMMEDIATE")
    connection.execute(
        "INSERT INTO audits VALUES (?, ?, ?, ?)",
        (entry.day, entry.package, entry.outcome, entry.detail),
    )
    connection.execute("UPDATE round SET done = 1 WHERE package = ?", (entry.package,))
    connection.execute("COMMIT")


def due(packages: Sequence[str], last_day: Mapping[str, str], share: Fraction) -> list[str]:
    """Return a share of the packages, those first whose last check is longest ago.

    Parameters
    ----------
    packages : sequence of str
    last_day : mapping of str to str
        ISO date of each package's last check; one that is not there was never checked.
    share : Fraction
        Above 0, at most 1; rounded up, so that no package is left for ever.

    Examples
    --------
    >>> due(["a", "b", "c"], {"a": "2026-03-01", "c": "2026-01-01"}, Fraction(1, 2))
    ['b', 'c']
    """
    count = math.ceil(len(packages) * share)
    return sorted(packages, key=lambda package: (last_day.get(package, ""), package))[:count]


FILE_NAME = "audits.csv"
ELSEWHERE = "name another file"
HEADINGS = ("day", "package", "outcome", "detail")
OUTCOMES = ("valid", "not valid", "gone")
LARGEST = 1 << 30  # bytes
_DAY = re.compile(r"\d{4}-\d\d-\d\d")
_AS_IT_WAS = (
    "it was saved in another form, by a spreadsheet perhaps: put a copy of it back as it was, or "
    "move it away to begin another"
)
_MOST_TOLD = 10  # findings of one package


@dataclass(frozen=True, slots=True, kw_only=True)
class AuditEntry:
    """One check of one package.

    Attributes
    ----------
    day : str
        ISO date.
    package : str
        Path in the collection.
    outcome : {"valid", "not valid", "gone"}
    detail : str
        What was found, joined by " | ".
    """

    day: str
    package: str
    outcome: str
    detail: str = ""


def entry_of(day: date, package: str, findings: Sequence[str], *, gone: bool = False) -> AuditEntry:
    """Return the entry for a package that was checked, or is not there any more."""
    detail = " | ".join(findings[:_MOST_TOLD])
    if len(findings) > _MOST_TOLD:
        detail += f" | and {len(findings) - _MOST_TOLD} more"
    outcome = "gone" if gone else "not valid" if findings else "valid"
    return AuditEntry(day=day.isoformat(), package=package, outcome=outcome, detail=detail)


def read_audits(path: Path) -> list[AuditEntry]:
    """Return the entries of a log in their order; none where there is no log.

    Raises
    ------
    CollectionError
        If it cannot be read, or was saved in another form.
    """
    try:
        if path.is_dir():
            what = "is a folder, not a log of audits"
            raise CollectionError(path, what, f"move it away, or {ELSEWHERE}", "catalogue")
        if path.stat().st_size > LARGEST:
            raise CollectionError(path, "is too large for a log", "check that it is the right file")
        text = path.read_bytes().decode("utf-8-sig", errors="surrogateescape")
    except FileNotFoundError:
        return []
    except OSError as error:
        what = f"cannot be read ({error.strerror})"
        raise CollectionError(path, what, "check its permissions") from error
    heading = ",".join(HEADINGS)
    first, *lines = (line.rstrip("\r") for line in text.split("\n"))
    if _cells(first) != [*HEADINGS] and not heading.startswith(first):  # a kill may cut it off
        raise CollectionError(path, f"does not begin with {heading}", _AS_IT_WAS)
    entries = []
    for number, line in enumerate(lines[:-1], 2):  # what follows the last line feed was cut off
        cells = _cells(line)
        if cells is None:
            raise CollectionError(path, f"has no line of a table in line {number}", _AS_IT_WAS)
        if len(cells) == len(HEADINGS) and cells[2] in OUTCOMES:
            day, package, outcome, detail = cells
            if not _DAY.fullmatch(day):
                what = f"has no day such as 2026-03-01 in line {number}"
                raise CollectionError(path, what, _AS_IT_WAS)
            entries.append(
                AuditEntry(day=day, package=decode_path(package), outcome=outcome, detail=detail)
            )
    return entries


def _cells(line: str) -> list[str] | None:
    """Return the cells of a line; None for bytes or line ends that no such table has."""
    try:
        return next(csv.reader([line]), [])
    except csv.Error:
        return None


def append_audit(path: Path, entry: AuditEntry) -> None:
    """Add a line to the log and flush it to the disk; what is there is never changed.

    Raises
    ------
    WriteError
        If it cannot be written.
    """
    text = io.StringIO(newline="")
    row = (entry.day, encode_path(entry.package), entry.outcome, " ".join(entry.detail.split()))
    try:
        with path.open("ab") as stream:
            if stream.tell() == 0:
                csv.writer(text).writerow(HEADINGS)
            elif not _ends_whole(path):
                text.write("\r\n")  # after a line that was cut off
            csv.writer(text).writerow(row)
            stream.write(text.getvalue().encode(errors="surrogateescape"))
            stream.flush()
            os.fsync(stream.fileno())
    except OSError as error:
        raise write_error(path, error, elsewhere=(ELSEWHERE, "catalogue")) from error


def _ends_whole(path: Path) -> bool:
    with path.open("rb") as stream:
        stream.seek(-1, os.SEEK_END)
        return stream.read(1) == b"\n"
