"""A collection's catalogue: one SQLite file, made from the packages and made anew at any time.

The packages are the truth and are only read; whatever is in the file can be had from them, and
the audits from ``audits.csv``.
"""

from __future__ import annotations

import os
import sqlite3
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import astuple, dataclass, fields
from pathlib import Path

from platebench.archive.audit_log import AuditEntry
from platebench.archive.catalogue_rows import PackageRow, PlateRow, read_package, stamp_of
from platebench.archive.collection import find_packages
from platebench.errors import CollectionError
from platebench.fsio import UNFINISHED, write_error
from platebench.printing.process import Process
from platebench.progress import NullProgress, Progress

FILE_NAME = "catalogue.sqlite"
COLUMNS = tuple(part.name for part in fields(PlateRow) if part.name != "suits")
WORDS = ("plate", "title", "place", "notes", "own_columns", "flags")  # searched by text
_FORMAT = 2  # of the file; another is made anew
_APPLICATION = 0x504C4231  # "PLB1"
_AT_A_TIME = 200  # packages in a transaction: what a kill may cost
_TABLES = f"""
CREATE TABLE packages (
  path TEXT PRIMARY KEY, stamp TEXT NOT NULL, identifier TEXT, title TEXT, day TEXT,
  files INTEGER, size INTEGER
) WITHOUT ROWID;
CREATE TABLE plates (
  id INTEGER PRIMARY KEY, package TEXT NOT NULL, {", ".join(COLUMNS)}
);
CREATE INDEX plates_package ON plates (package);
CREATE INDEX plates_batch ON plates (batch);
CREATE INDEX plates_range ON plates (density_range);
CREATE INDEX plates_first ON plates (first, last);
CREATE TABLE suits (plate INTEGER, process TEXT, PRIMARY KEY (plate, process)) WITHOUT ROWID;
CREATE INDEX suits_process ON suits (process, plate);
CREATE VIRTUAL TABLE words USING fts5 (
  {", ".join(WORDS)}, tokenize = 'unicode61 remove_diacritics 2'
);
CREATE TABLE audits (day TEXT, package TEXT, outcome TEXT, detail TEXT);
CREATE INDEX audits_package ON audits (package, day);
CREATE TABLE round (package TEXT PRIMARY KEY, place INTEGER, done INTEGER DEFAULT 0);
PRAGMA application_id = {_APPLICATION};
PRAGMA user_version = {_FORMAT};
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Indexed:
    """What indexing did.

    Attributes
    ----------
    packages, plates : int
        In the catalogue now.
    added, renewed, unchanged : int
        Packages.
    gone : tuple of str
        Packages that were there before and are not any more.
    """

    packages: int
    plates: int
    added: int
    renewed: int
    unchanged: int
    gone: tuple[str, ...]


def catalogue_of(collection: Path, catalogue: Path | None) -> Path:
    """Return where a collection's catalogue is: in it, unless another file is named."""
    return collection / FILE_NAME if catalogue is None else catalogue


@contextmanager
def open_catalogue(path: Path, *, create: bool = False) -> Iterator[sqlite3.Connection]:
    """Open a catalogue; with ``create``, one that is missing is begun.

    Raises
    ------
    CollectionError
        If it is missing, damaged, or no catalogue of this version.
    WriteError
        If the disk is full, or it may not be written.
    """
    remedy = "make it anew from the packages: platebench catalogue index COLLECTION --anew"
    if not create and not path.is_file():
        raise CollectionError(path, "is not there", "run: platebench catalogue index COLLECTION")
    try:
        connection = sqlite3.connect(path, timeout=30, isolation_level=None)
    except sqlite3.OperationalError as error:
        other = "see that its folder may be written, or name another file with --catalogue"
        raise CollectionError(path, f"cannot be opened ({error})", other) from error
    try:
        if create and not connection.execute("SELECT 1 FROM sqlite_master").fetchone():
            with suppress(sqlite3.OperationalError):  # another process may have been faster
                connection.executescript(f"BEGIN IMMEDIATE; {_TABLES} COMMIT;")
        version = connection.execute("PRAGMA user_version").fetchone()[0]
        if version != _FORMAT:
            raise CollectionError(path, "is no catalogue of this version", remedy)
        yield connection
    except sqlite3.Error as error:
        text = str(error)
        if "full" in text or "readonly" in text:
            number = 28 if "full" in text else 30  # ENOSPC, EROFS
            raise write_error(path, OSError(number, text)) from error
        if "locked" in text:
            again = "wait until it is done, then run again"
            raise CollectionError(path, "is in use by another run", again) from error
        raise CollectionError(path, f"is damaged or no catalogue ({text})", remedy) from error
    finally:
        connection.close()


def index_collection(
    collection: Path,
    *,
    catalogue: Path | None = None,
    processes: Sequence[Process] = (),
    audits: Sequence[AuditEntry] = (),
    anew: bool = False,
    progress: Progress | None = None,
) -> Indexed:
    """Bring a catalogue up to date: packages that are new or changed are read, others not.

    Parameters
    ----------
    collection : Path
        Folder of packages; only the catalogue is written in it.
    catalogue : Path or None
        The file; None: ``catalogue.sqlite`` in the collection.
    processes : sequence of Process
        Printing processes that plates are compared with.
    audits : sequence of AuditEntry
        From the log of audits; they replace those in the catalogue.
    anew : bool
        Make the file anew; the one that is there is replaced once the new one is whole.

    Raises
    ------
    CollectionError
        If the collection or the catalogue cannot be used.
    WriteError
        If the catalogue cannot be written.
    """
    packages = find_packages(collection)
    target = catalogue_of(collection, catalogue)
    place = target
    if anew:
        try:
            number, name = tempfile.mkstemp(prefix=UNFINISHED, dir=target.parent)
        except OSError as error:
            raise write_error(target, error) from error
        os.close(number)
        place = Path(name)
    try:
        with open_catalogue(place, create=True) as connection:
            indexed = _index(connection, collection, packages, processes, progress)
            _replace_audits(connection, audits)
        if anew:
            place.chmod(0o644)
            place.replace(target)
    finally:
        if anew:
            place.unlink(missing_ok=True)
    return indexed


def _index(
    connection: sqlite3.Connection,
    collection: Path,
    packages: Sequence[str],
    processes: Sequence[Process],
    progress: Progress | None,
) -> Indexed:
    known: dict[str, str] = dict(connection.execute("SELECT path, stamp FROM packages"))
    gone = tuple(sorted(known.keys() - set(packages)))
    with _transaction(connection):
        for path in gone:
            _remove(connection, path)
    counts = {"added": 0, "renewed": 0, "unchanged": 0}
    progress = progress or NullProgress()
    progress.begin("packages", len(packages))
    try:
        for start in range(0, len(packages), _AT_A_TIME):
            with _transaction(connection):
                for path in packages[start : start + _AT_A_TIME]:
                    counts[_index_one(connection, collection, path, known, processes)] += 1
                    progress.advance(path)
    finally:
        progress.end()
    plates = connection.execute("SELECT count(*) FROM plates").fetchone()[0]
    return Indexed(packages=len(packages), plates=plates, gone=gone, **counts)


def _index_one(
    connection: sqlite3.Connection,
    collection: Path,
    path: str,
    known: Mapping[str, str],
    processes: Sequence[Process],
) -> str:
    stamp = stamp_of(collection / path)
    if known.get(path) == stamp:
        return "unchanged"
    if path in known:
        _remove(connection, path)
    _add(connection, path, stamp, read_package(collection / path, processes))
    return "renewed" if path in known else "added"


def _add(connection: sqlite3.Connection, path: str, stamp: str, row: PackageRow) -> None:
    connection.execute(
        "INSERT OR REPLACE INTO packages VALUES (?, ?, ?, ?, ?, ?, ?)",
        (path, stamp, row.identifier, row.title, row.day, row.files, row.size),
    )
    marks, word_marks = (", ".join("?" * len(names)) for names in (COLUMNS, WORDS))
    for plate in row.plates:
        values = astuple(plate)[: len(COLUMNS)]
        cursor = connection.execute(
            f"INSERT INTO plates (package, {', '.join(COLUMNS)}) VALUES (?, {marks})",
            (path, *values),
        )
        number = cursor.lastrowid
        connection.executemany(
            "INSERT OR IGNORE INTO suits VALUES (?, ?)",
            [(number, process) for process in plate.suits],
        )
        connection.execute(
            f"INSERT INTO words (rowid, {', '.join(WORDS)}) VALUES (?, {word_marks})",
            (number, *(getattr(plate, name) for name in WORDS)),
        )


def _remove(connection: sqlite3.Connection, path: str) -> None:
    numbers = connection.execute("SELECT id FROM plates WHERE package = ?", (path,)).fetchall()
    connection.executemany("DELETE FROM words WHERE rowid = ?", numbers)
    connection.executemany("DELETE FROM suits WHERE plate = ?", numbers)
    connection.execute("DELETE FROM plates WHERE package = ?", (path,))
    connection.execute("DELETE FROM packages WHERE path = ?", (path,))


def _replace_audits(connection: sqlite3.Connection, audits: Sequence[AuditEntry]) -> None:
    with _transaction(connection):
        connection.execute("DELETE FROM audits")
        connection.executemany(
            "INSERT INTO audits VALUES (?, ?, ?, ?)",
            [(entry.day, entry.package, entry.outcome, entry.detail) for entry in audits],
        )


@contextmanager
def _transaction(connection: sqlite3.Connection) -> Iterator[None]:
    connection.execute("BEGIN IMMEDIATE")
    try:
        yield
    except BaseException:
        if connection.in_transaction:  # on a full disk SQLite has taken it back already
            connection.execute("ROLLBACK")
        raise
    connection.execute("COMMIT")
