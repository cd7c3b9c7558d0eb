"""How a catalogue and an audit are told to people, or as JSON."""

from __future__ import annotations

import shlex
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from platebench.cli.archive import counted
from platebench.cli.options import print_json
from platebench.core.shown import LONGEST_PART, shown

if TYPE_CHECKING:
    from platebench.archive.audit import Audit
    from platebench.archive.catalogue import Indexed
    from platebench.archive.catalogue_find import Found

_MOST_SHOWN = 3  # findings of a package


def show_indexed(
    place: Path, collection: Path, indexed: Indexed, *, as_json: bool, quiet: bool
) -> None:
    """Tell what indexing did."""
    if as_json:
        print_json({"catalogue": str(place), **asdict(indexed)})
    elif not quiet:
        from platebench.archive.package_tree import NO_PACKAGE

        for package in indexed.gone:
            click.echo(f"not there any more: {_place(package)}")
        for package, now in indexed.moved.items():
            click.echo(f"moved: {_place(package)} is now at {_place(now)}")
        for package in indexed.no_package:
            damaged = f"{_place(package)}: its folder is there, but it {NO_PACKAGE} any more"
            click.echo(f"{damaged}; take it from another copy")
        for package in indexed.without_plates:
            lost = f"{_place(package)}: its recipe is lost or damaged, so its plates are not found"
            click.echo(f"{lost}; see: {_verify(collection, package)}")
        for package, why in indexed.unsafe:
            told = f"{_place(package)}: unsafe path: {shown(why, LONGEST_PART)}; do not trust it"
            click.echo(f"{told}, see: {_verify(collection, package)}")
        _show_closed(indexed.closed, "packages in it were not read")
        changes = f"{indexed.added} new, {indexed.renewed} changed, {indexed.unchanged} unchanged"
        plates = counted(indexed.plates, "plate")
        click.echo(f"{place}: {plates} in {counted(indexed.packages, 'package')} ({changes})")


def _verify(collection: Path, package: str) -> str:
    return f"platebench verify {_place(shlex.quote(str(collection / package)))}"


def _place(path: str) -> str:
    return shown(path, LONGEST_PART)


def _show_closed(closed: Sequence[tuple[str, str]], then: str) -> None:
    for folder, why in closed:
        told = f"{_place(folder)}: {shown(why)}; {then}"
        click.echo(f"{told}; check its permissions if there are any")


def show_found(found: Found) -> None:
    """List plates, a line each: where, what, when, and its densities."""
    from platebench.plate_log.dates import date_in_words

    for plate in found.plates:
        parts = [plate["title"], date_in_words(plate["date"]), plate["place"]]
        parts += [f"batch {plate['batch']}" if plate["batch"] else ""]
        parts += [_range(plate)]
        click.echo(f"{_place(plate['package'])}  {shown(plate['plate'])}: {_joined(parts)}")
        if plate["flags"]:
            click.echo(f"    look at it: {shown(plate['flags'], LONGEST_PART)}")
    more = found.total - len(found.plates)
    also = f"; {more} more with a higher --limit, or export them" if more else ""
    click.echo(f"{counted(found.total, 'plate')} found{also}")


def _range(plate: dict[str, Any]) -> str:
    value = plate["density_range"]
    return "" if value is None else f"range {value:.2f} D"


def _joined(parts: list[str]) -> str:
    return ", ".join(shown(part) for part in parts if part) or "nothing noted"


def show_audit(collection: Path, audit: Audit) -> None:
    """Tell what an audit found: packages that are not as they were, then the count."""
    for entry in audit.entries:
        if entry.outcome == "gone":
            remedy = "; if nobody moved or renamed it, take it from another copy"
            if entry.package in audit.moved:
                remedy = ""
            detail = shown(entry.detail, LONGEST_PART)
            click.echo(f"{_place(entry.package)}: gone: {detail}{remedy}")
        elif entry.outcome != "valid":
            lost = entry.package in audit.no_package
            see = (
                "take it from another copy"
                if lost
                else f"see: {_verify(collection, entry.package)}"
            )
            detail = shown(_shortened(entry.detail), LONGEST_PART * _MOST_SHOWN)
            click.echo(f"{_place(entry.package)}: not valid: {detail}; {see}")
    _show_closed(audit.closed, "packages in it were not checked")
    gone = sum(entry.outcome == "gone" for entry in audit.entries)
    if not audit.packages:
        disk = "; see that the right disk is there" if gone else ""
        click.echo(f"there are no packages in it{disk}")
        return
    checked = len(audit.entries) - gone
    resumed = "went on with the round that was interrupted; " if audit.resumed else ""
    valid = sum(entry.outcome == "valid" for entry in audit.entries)
    since = f"the oldest check is of {audit.oldest}" if audit.oldest else "some were never checked"
    amount = f"{checked} of {counted(audit.packages, 'package')} checked"
    click.echo(f"{resumed}{amount}, {valid} complete and unchanged; {since}")


def _shortened(detail: str) -> str:
    """Return the first findings of a package; all are in the log."""
    findings = detail.split(" | ")
    more = "" if len(findings) <= _MOST_SHOWN else " | and more"
    return " | ".join(findings[:_MOST_SHOWN]) + more


def audit_to_json(audit: Audit) -> dict[str, Any]:
    """Return plain values."""
    return {
        "packages": audit.packages,
        "resumed": audit.resumed,
        "oldest_check": audit.oldest or None,
        "exit_code": int(audit.exit_code),
        "moved": audit.moved,
        "closed": [list(one) for one in audit.closed],
        "checked": [asdict(entry) for entry in audit.entries],
    }
