"""Fixity of a collection, a share at a time: every file of the packages that are due is read."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING

from platebench.archive.audit_log import (
    FILE_NAME,
    AuditEntry,
    append_audit,
    begin_round,
    due,
    entry_of,
    note_done,
    open_round,
    read_audits,
)
from platebench.archive.catalogue import index_collection
from platebench.archive.catalogue_file import catalogue_of, in_use, open_catalogue
from platebench.archive.collection import Collection, find_packages, is_folder
from platebench.archive.package_tree import NO_PACKAGE
from platebench.archive.verify import verify_package
from platebench.core.errors import ExitCode, PackageError
from platebench.core.locks import sole_run
from platebench.core.progress import Progress, working
from platebench.printing.process import Process

if TYPE_CHECKING:
    import sqlite3


@dataclass(frozen=True, slots=True, kw_only=True)
class Audit:
    """What an audit found.

    Attributes
    ----------
    entries : tuple of AuditEntry
        One for each package checked, and for each that is gone.
    packages : int
        In the collection.
    resumed : bool
        It went on with a round that was interrupted.
    oldest : str
        ISO date of the check that is now longest ago; "" where some package was never checked.
    closed : tuple of (str, str)
        Folders that could not be looked into and hold no package that is known, and why.
    moved : dict of str to str
        Where packages lie now that are gone from where they were, as far as it is known.
    no_package : tuple of str
        Packages whose folder is there, with neither ``bagit.txt`` nor a manifest in it.
    """

    entries: tuple[AuditEntry, ...]
    packages: int
    resumed: bool
    oldest: str
    closed: tuple[tuple[str, str], ...] = ()
    moved: dict[str, str] = field(default_factory=dict)
    no_package: tuple[str, ...] = ()

    @property
    def exit_code(self) -> ExitCode:
        """PACKAGE_INVALID if anything is not as it was; to be moved is no fault."""
        valid = all(
            entry.outcome == "valid" or (entry.outcome == "gone" and entry.package in self.moved)
            for entry in self.entries
        )
        return ExitCode.OK if valid else ExitCode.PACKAGE_INVALID


def audit_collection(
    collection: Path,
    *,
    day: date,
    share: Fraction = Fraction(1),
    anew: bool = False,
    catalogue: Path | None = None,
    processes: Sequence[Process] = (),
    progress: Progress | None = None,
) -> Audit:
    """Check the share of a collection whose last check is longest ago.

    What is done is kept package by package: after a kill the next audit goes on with the rest of
    the round, whatever share it is asked for. Packages that were checked before and are not there
    any more are found, too.

    Parameters
    ----------
    collection : Path
        Folder of packages. Written in it: the log of audits and the catalogue.
    day : date
        Today.
    share : Fraction
        Above 0, at most 1.
    anew : bool
        Begin a new round even if one is open.
    catalogue : Path or None
        See ``index_collection``; the log of audits lies beside it.

    Raises
    ------
    CollectionError
        If the collection, its catalogue or its log cannot be used.
    WriteError
        If catalogue or log cannot be written.
    """
    found = find_packages(collection)
    place = catalogue_of(collection, catalogue)
    with sole_run(place.parent) as alone:
        if not alone:
            raise in_use(place)
        earlier = read_audits(place.with_name(FILE_NAME))
        indexed = index_collection(
            collection, catalogue=catalogue, processes=processes, audits=earlier, progress=progress
        )
        with open_catalogue(place) as connection:
            keeping = _Keeping(place.with_name(FILE_NAME), connection)
            auditing = _Auditing(collection, found, indexed.moved, day, earlier, keeping)
            return auditing.check(share, anew=anew, progress=progress)


@dataclass(frozen=True, slots=True)
class _Keeping:
    """Where outcomes are kept: in the log first, then in the catalogue."""

    log: Path
    connection: sqlite3.Connection

    def note(self, entry: AuditEntry) -> None:
        """Keep one."""
        append_audit(self.log, entry)
        note_done(self.connection, entry)


class _Auditing:
    """One audit as it goes."""

    def __init__(
        self,
        collection: Path,
        found: Collection,
        moved: dict[str, str],
        day: date,
        earlier: Sequence[AuditEntry],
        keeping: _Keeping,
    ) -> None:
        self.collection, self.found, self.moved, self.day = collection, found, moved, day
        self.keeping, self.connection = keeping, keeping.connection
        self.entries: list[AuditEntry] = []
        self.no_package: list[str] = []
        last = {entry.package: entry for entry in earlier}
        self.known = {name: one.day for name, one in last.items() if one.outcome != "gone"}
        away = sorted(self.known.keys() - set(found.packages))
        self.broken = [name for name in away if name not in moved and is_folder(collection / name)]
        self.gone = [name for name in away if name not in self.broken]
        self.packages = sorted({*found.packages, *self.broken})
        self.closed = tuple(
            (folder, why)
            for folder, why in found.closed
            if not any(f"{name}/".startswith(f"{folder}/") for name in self.broken)
        )

    def check(self, share: Fraction, *, anew: bool, progress: Progress | None) -> Audit:
        """Check what is due, what is closed or no package any more, and note what is gone."""
        there = set(self.packages)
        todo = [] if anew else [one for one in open_round(self.connection) if one in there]
        resumed = bool(todo)
        if not resumed:
            todo = due(self.packages, self.known, share)
        todo += [package for package in self.broken if package not in todo]
        if not resumed:
            begin_round(self.connection, todo)
        sizes = dict(self.connection.execute("SELECT path, size FROM packages"))
        weights = {package: sizes.get(package) or 0 for package in todo}
        with working(progress, "packages", len(todo), work=sum(weights.values())) as told:
            for package, weight in weights.items():
                self._note(self._checked(package))
                told.advance(package, weight)
        for package in self.gone:
            self._note(entry_of(self.day, package, [self._gone(package)], gone=True))
        days = self.known | {entry.package: entry.day for entry in self.entries}
        return Audit(
            entries=tuple(self.entries),
            packages=len(self.packages),
            resumed=resumed,
            oldest=min((days.get(package, "") for package in self.packages), default=""),
            closed=self.closed,
            moved={name: self.moved[name] for name in self.gone if name in self.moved},
            no_package=tuple(self.no_package),
        )

    def _note(self, entry: AuditEntry) -> None:
        self.keeping.note(entry)
        self.entries.append(entry)

    def _checked(self, package: str) -> AuditEntry:
        try:
            check = verify_package(self.collection / package)
        except PackageError as error:
            what = error.what
            if package in self.broken and not self.found.hides(package):
                self.no_package.append(package)
                what = f"damaged: its folder is there, but it {NO_PACKAGE} any more"
            return entry_of(self.day, package, [what])
        return entry_of(self.day, package, [str(finding) for finding in check.faults])

    def _gone(self, package: str) -> str:
        place = self.collection / package
        then = f"it was there on {self.known[package]}"
        if package in self.moved:
            return f"{then}, and is now at {self.moved[package]}"
        if place.is_symlink():
            return f"{then}; a link is in its place, and links are not followed"
        return f"{then}; a file is in its place" if place.is_file() else then
