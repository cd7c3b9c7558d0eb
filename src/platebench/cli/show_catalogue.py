"""How a catalogue and an audit are told to people, or as JSON."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from platebench.cli.options import print_json
from platebench.cli.show_archive import counted

if TYPE_CHECKING:
    from platebench.archive.audit import Audit
    from platebench.archive.catalogue import Indexed
    from platebench.archive.catalogue_find import Found


def show_indexed(place: Path, indexed: Indexed, *, as_json: bool, quiet: bool) -> None:
    """Tell what indexing did."""
    if as_json:
        print_json({"catalogue": str(place), **asdict(indexed)})
    elif not quiet:
        for package in indexed.gone:
            click.echo(f"not there any more: {package}")
        changes = f"{indexed.added} new, {indexed.renewed} changed, {indexed.unchanged} unchanged"
        plates = counted(indexed.plates, "plate")
        click.echo(f"{place}: {plates} in {counted(indexed.packages, 'package')} ({changes})")


def show_found(found: Found) -> None:
    """List plates, a line each: where, what, when, and its densities."""
    from platebench.archive.bag_paths import shown
    from platebench.plate_dates import date_in_words

    for plate in found.plates:
        parts = [plate["title"], date_in_words(plate["date"]), plate["place"]]
        parts += [f"batch {plate['batch']}" if plate["batch"] else ""]
        parts += [_range(plate)]
        click.echo(shown(f"{plate['package']}  {plate['plate']}: {_joined(parts)}"))
        if plate["flags"]:
            click.echo(shown(f"    look at it: {plate['flags']}"))
    more = found.total - len(found.plates)
    also = f"; {more} more with a higher --limit, or export them" if more else ""
    click.echo(f"{counted(found.total, 'plate')} found{also}")


def _range(plate: dict[str, Any]) -> str:
    value = plate["density_range"]
    return "" if value is None else f"range {value:.2f} D"


def _joined(parts: list[str]) -> str:
    return ", ".join(part for part in parts if part) or "nothing noted"


def show_audit(audit: Audit) -> None:
    """Tell what an audit found: packages that are not as they were, then the count."""
    from platebench.archive.bag_paths import shown

    for entry in audit.entries:
        if entry.outcome != "valid":
            click.echo(shown(f"{entry.package}: {entry.outcome}: {entry.detail}"))
    if not audit.packages:
        click.echo("there are no packages in it")
        return
    checked = [entry for entry in audit.entries if entry.outcome != "gone"]
    resumed = "went on with the round that was interrupted; " if audit.resumed else ""
    valid = sum(entry.outcome == "valid" for entry in checked)
    since = f"the oldest check is of {audit.oldest}" if audit.oldest else "some were never checked"
    amount = f"{len(checked)} of {counted(audit.packages, 'package')} checked"
    click.echo(f"{resumed}{amount}, {valid} complete and unchanged; {since}")


def audit_to_json(audit: Audit) -> dict[str, Any]:
    """Return plain values."""
    return {
        "packages": audit.packages,
        "resumed": audit.resumed,
        "oldest_check": audit.oldest or None,
        "exit_code": int(audit.exit_code),
        "checked": [asdict(entry) for entry in audit.entries],
    }
