"""The round of an audit: which packages are due, kept in the catalogue until all are done."""

from __future__ import annotations

import math
import sqlite3
from collections.abc import Mapping, Sequence
from fractions import Fraction

from platebench.archive.audit_log import AuditEntry


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
