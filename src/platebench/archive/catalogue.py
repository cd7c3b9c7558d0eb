"""A collection's catalogue: one SQLite file, made from the packages and made anew at any time.

The packages are the truth and are only read; whatever is in the file can be had from them, and
the audits from ``audits.csv``.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import astuple, dataclass, field
from pathlib import Path

from platebench.archive.audit_log import ELSEWHERE, AuditEntry
from platebench.archive.catalogue_file import (
    COLUMNS,
    WORDS,
    catalogue_of,
    in_use,
    is_there,
    open_catalogue,
    refuse_foreign_catalogue,
    refuse_in_package,
)
from platebench.archive.catalogue_rows import PackageRow, read_package, stamp_of
from platebench.archive.collection import Collection, find_packages, is_folder
from platebench.core.errors import ExitCode
from platebench.core.files import place_to_work, write_error
from platebench.core.locks import sole_run
from platebench.core.progress import Progress, working
from platebench.printing.process import Process

_AT_A_TIME = 200  # packages in a transaction: what a kill may cost


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
    moved : dict of str to str
        Those that were gone and lie elsewhere in the collection now: where, by where they were.
    no_package : tuple of str
        The same, where the folder is still there.
    closed : tuple of (str, str)
        Folders that could not be looked into, and why; what is known of packages in them is kept.
    without_plates : tuple of str
        Packages of ours, read just now, whose recipe names no plates: it is lost or damaged.
    unsafe : tuple of (str, str)
        Packages, read just now or before, whose manifests list unsafe paths, and the first of
        those.
    """

    packages: int
    plates: int
    added: int
    renewed: int
    unchanged: int
    gone: tuple[str, ...]
    moved: dict[str, str] = field(default_factory=dict)
    no_package: tuple[str, ...] = ()
    closed: tuple[tuple[str, str], ...] = ()
    without_plates: tuple[str, ...] = ()
    unsafe: tuple[tuple[str, str], ...] = ()

    @property
    def exit_code(self) -> ExitCode:
        """Not ``OK`` where a package cannot be trusted."""
        return ExitCode.PACKAGE_INVALID if self.unsafe else ExitCode.OK


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
    found = find_packages(collection)
    target = catalogue_of(collection, catalogue)
    if not anew:
        with open_catalogue(target, create=True) as connection:
            return _index(connection, collection, found, processes, audits, progress)
    refuse_in_package(target)
    if is_there(target):
        refuse_foreign_catalogue(target)
    with sole_run(target.parent) as alone, ExitStack() as stack:
        if not alone:
            raise in_use(target)
        try:
            place = stack.enter_context(place_to_work(target.parent)) / target.name
            with open_catalogue(place, create=True) as connection:
                indexed = _index(connection, collection, found, processes, audits, progress)
            place.replace(target)
        except OSError as error:
            raise write_error(target, error, elsewhere=(ELSEWHERE, "catalogue")) from error
    return indexed


def _index(
    connection: sqlite3.Connection,
    collection: Path,
    found: Collection,
    processes: Sequence[Process],
    audits: Sequence[AuditEntry],
    progress: Progress | None,
) -> Indexed:
    known: dict[str, str] = dict(connection.execute("SELECT path, stamp FROM packages"))
    missing = sorted(path for path in known.keys() - set(found.packages) if not found.hides(path))
    with _transaction(connection):
        for path in missing:
            _remove(connection, path)
    counts = {"added": 0, "renewed": 0, "unchanged": 0}
    without: list[str] = []
    with working(progress, "packages", len(found.packages)) as told:
        for start in range(0, len(found.packages), _AT_A_TIME):
            with _transaction(connection):
                for path in found.packages[start : start + _AT_A_TIME]:
                    done = _index_one(connection, collection, path, known, processes, without)
                    counts[done] += 1
                    told.advance(path)
    _replace_audits(connection, audits)
    (plates,) = connection.execute("SELECT count(*) FROM plates").fetchone()
    (packages,) = connection.execute("SELECT count(*) FROM packages").fetchone()
    unsafe = connection.execute(
        "SELECT path, unsafe FROM packages WHERE unsafe != '' ORDER BY path"
    ).fetchall()
    was = {known[path]: path for path in missing}
    stamps = connection.execute("SELECT stamp, path FROM packages ORDER BY path").fetchall()
    moved = {was[stamp]: path for stamp, path in stamps if stamp in was and path not in known}
    standing = tuple(path for path in missing if path not in moved and is_folder(collection / path))
    return Indexed(
        packages=packages,
        plates=plates,
        gone=tuple(path for path in missing if path not in moved and path not in standing),
        moved=moved,
        no_package=standing,
        closed=found.closed,
        without_plates=tuple(without),
        unsafe=tuple((str(path), str(why)) for path, why in unsafe),
        **counts,
    )


def _index_one(
    connection: sqlite3.Connection,
    collection: Path,
    path: str,
    known: Mapping[str, str],
    processes: Sequence[Process],
    without: list[str],
) -> str:
    stamp = stamp_of(collection / path)
    if known.get(path) == stamp:
        return "unchanged"
    if path in known:
        _remove(connection, path)
    row = read_package(collection / path, processes)
    if row.made_here and not row.plates:
        without.append(path)
    _add(connection, path, stamp, row)
    return "renewed" if path in known else "added"


def _add(connection: sqlite3.Connection, path: str, stamp: str, row: PackageRow) -> None:
    connection.execute(
        "INSERT OR REPLACE INTO packages VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
        (path, stamp, row.identifier, row.title, row.day, row.files, row.size, row.unsafe),
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
