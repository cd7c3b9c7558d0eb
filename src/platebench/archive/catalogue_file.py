"""The file of a catalogue: one SQLite database, opened, begun, or refused."""

from __future__ import annotations

import errno
import sqlite3
import stat
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import fields
from pathlib import Path

from platebench.archive.audit_log import ELSEWHERE
from platebench.archive.catalogue_rows import PlateRow
from platebench.archive.collection import package_around
from platebench.core.errors import CollectionError, WriteError
from platebench.core.files import write_error

FILE_NAME = "catalogue.sqlite"
ANEW = "make it anew from the packages", "anew"
COLUMNS = tuple(part.name for part in fields(PlateRow) if part.name != "suits")
WORDS = ("plate", "title", "place", "notes", "own_columns", "flags")  # searched by text
_FORMAT = 4  # of the file; another is made anew
_APPLICATION = 0x504C4231  # "PLB1"
_TABLES = f"""
CREATE TABLE packages (
  path TEXT PRIMARY KEY, stamp TEXT NOT NULL, identifier TEXT, title TEXT, day TEXT,
  files INTEGER, size INTEGER, unsafe TEXT NOT NULL
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


def catalogue_of(collection: Path, catalogue: Path | None) -> Path:
    """Return where a collection's catalogue is: in it, unless another file is named."""
    return collection / FILE_NAME if catalogue is None else catalogue


@contextmanager
def open_catalogue(path: Path, *, create: bool = False) -> Iterator[sqlite3.Connection]:
    """Open a catalogue; with ``create``, one that is missing is begun.

    Raises
    ------
    CollectionError
        If it is missing, damaged, in use, no catalogue of this version, or none at all; or would
        be begun in a package.
    WriteError
        If the disk is full, or it may not be written.
    """
    if not is_there(path) and not create:
        raise CollectionError(path, "is not there", "index the collection", "index")
    if create:
        refuse_in_package(path)
    try:
        connection = sqlite3.connect(path, timeout=30, isolation_level=None)
    except sqlite3.OperationalError as error:
        other = f"see that its folder may be written, or {ELSEWHERE}"
        raise CollectionError(path, f"cannot be opened ({error})", other, "catalogue") from error
    try:
        if create and not connection.execute("SELECT 1 FROM sqlite_master").fetchone():
            with suppress(sqlite3.OperationalError):  # another process may have been faster
                connection.executescript(f"BEGIN IMMEDIATE; {_TABLES} COMMIT;")
        version = connection.execute("PRAGMA user_version").fetchone()[0]
        if version != _FORMAT:
            refuse_foreign_catalogue(path)
            what = "is no catalogue of this version" if path.stat().st_size else "is empty"
            raise CollectionError(path, what, *ANEW)
        yield connection
    except sqlite3.Error as error:
        text = str(error)
        if "full" in text:
            raise write_error(path, OSError(errno.ENOSPC, text)) from error
        if "readonly" in text:  # the disk, the folder or the file
            raise WriteError(path, "it is read-only there", ELSEWHERE, "catalogue") from error
        if "locked" in text:
            raise in_use(path) from error
        refuse_foreign_catalogue(path)
        raise CollectionError(path, f"is damaged or no catalogue ({text})", *ANEW) from error
    finally:
        connection.close()


def refuse_in_package(path: Path) -> None:
    """Refuse a place in a package: a file there would make it invalid."""
    if (package := package_around(path.parent)) is not None:
        what = f"would lie in the package {package}, and packages are only read"
        raise CollectionError(path, what, ELSEWHERE, "catalogue")


def is_there(path: Path) -> bool:
    """Tell whether there is a file where a catalogue should be.

    Raises
    ------
    CollectionError
        If it is a folder, or cannot be looked at.
    """
    try:
        mode = path.stat().st_mode
    except (FileNotFoundError, NotADirectoryError):
        return False
    except OSError as error:
        what = f"cannot be read ({error.strerror})"
        raise CollectionError(
            path, what, f"check its permissions, or {ELSEWHERE}", "catalogue"
        ) from error
    if stat.S_ISDIR(mode):
        raise CollectionError(
            path, "is a folder, not a file", f"move it away, or {ELSEWHERE}", "catalogue"
        )
    return True


def in_use(path: Path) -> CollectionError:
    """Return the sentence for a catalogue that another run writes."""
    return CollectionError(
        path, "is in use by another run", "wait until it is done, then run again"
    )


def refuse_foreign_catalogue(path: Path) -> None:
    """Refuse a file that is somebody else's: it is neither used nor replaced.

    Raises
    ------
    CollectionError
        If it is a database of another kind; or no database at all, under a name that is not that
        of a catalogue.
    """
    try:
        with path.open("rb") as stream:
            head = stream.read(100)
    except OSError:  # not there yet, or closed to us
        return
    if head.startswith(b"SQLite format 3\0"):  # https://www.sqlite.org/fileformat.html, 1.3
        foreign = int.from_bytes(head[68:72], "big") != _APPLICATION
    else:
        foreign = bool(head) and path.name != FILE_NAME
    if foreign:
        what = "is no catalogue, and is left as it is"
        raise CollectionError(path, what, f"move it away, or {ELSEWHERE}", "catalogue")
