"""Fixity of a collection, a share at a time: every file of the packages that are due is read."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from fractions import Fraction
from pathlib import Path

from platebench.archive.audit_log import FILE_NAME, AuditEntry, append_audit, entry_of, read_audits
from platebench.archive.catalogue import catalogue_of, index_collection, open_catalogue
from platebench.archive.catalogue_round import begin_round, due, note_done, open_round
from platebench.archive.collection import find_packages
from platebench.archive.verify import verify_package
from platebench.errors import ExitCode, PackageError
from platebench.printing.process import Process
from platebench.progress import Progress, working


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
    """

    entries: tuple[AuditEntry, ...]
    packages: int
    resumed: bool
    oldest: str

    @property
    def exit_code(self) -> ExitCode:
        """PACKAGE_INVALID if anything is not as it was."""
        valid = all(entry.outcome == "valid" for entry in self.entries)
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
    place = catalogue_of(collection, catalogue)
    log = place.with_name(FILE_NAME)
    earlier = read_audits(log)
    packages = find_packages(collection)
    index_collection(
        collection, catalogue=catalogue, processes=processes, audits=earlier, progress=progress
    )
    last = {entry.package: entry for entry in earlier}
    there = set(packages)
    gone = sorted(
        package
        for package, entry in last.items()
        if package not in there and entry.outcome != "gone"
    )
    days = {package: entry.day for package, entry in last.items()}
    entries = []
    with open_catalogue(place) as connection:
        todo = [] if anew else [one for one in open_round(connection) if one in there]
        resumed = bool(todo)
        if not resumed:
            todo = due(packages, days, share)
            begin_round(connection, todo)
        sizes = dict(connection.execute("SELECT path, size FROM packages"))
        weights = {package: sizes.get(package) or 0 for package in todo}
        with working(progress, "packages", len(todo), work=sum(weights.values())) as told:
            for package, weight in weights.items():
                entry = _checked(collection, package, day)
                append_audit(log, entry)
                note_done(connection, entry)
                entries.append(entry)
                told.advance(package, weight)
        for package in gone:
            entry = entry_of(day, package, [f"it was there on {days[package]}"], gone=True)
            append_audit(log, entry)
            note_done(connection, entry)
            entries.append(entry)
    days |= {entry.package: entry.day for entry in entries}
    return Audit(
        entries=tuple(entries),
        packages=len(packages),
        resumed=resumed,
        oldest=min((days.get(package, "") for package in packages), default=""),
    )


def _checked(collection: Path, package: str, day: date) -> AuditEntry:
    try:
        check = verify_package(collection / package)
    except PackageError as error:
        return entry_of(day, package, [str(error)])
    return entry_of(day, package, [str(finding) for finding in check.faults])
