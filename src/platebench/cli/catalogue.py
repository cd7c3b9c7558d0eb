"""``platebench catalogue``: a collection of packages indexed, searched and exported."""

from __future__ import annotations

import shlex
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from platebench.cli.archive import counted
from platebench.cli.catalogue_options import (
    catalogue_option,
    collection_argument,
    query_from,
    query_options,
)
from platebench.cli.options import A_PATH, ExampledCommand, ExampledGroup, print_json, talk_options
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
            click.echo(f"not there any more: {_at(package)}")
        for package, now in indexed.moved.items():
            click.echo(f"moved: {_at(package)} is now at {_at(now)}")
        for package in indexed.no_package:
            damaged = f"{_at(package)}: its folder is there, but it {NO_PACKAGE} any more"
            click.echo(f"{damaged}; take it from another copy")
        for package in indexed.without_plates:
            lost = f"{_at(package)}: its recipe is lost or damaged, so its plates are not found"
            click.echo(f"{lost}; see: {_verify(collection, package)}")
        for package, why in indexed.unsafe:
            told = f"{_at(package)}: unsafe path: {shown(why, LONGEST_PART)}; do not trust it"
            click.echo(f"{told}, see: {_verify(collection, package)}")
        _show_closed(indexed.closed, "packages in it were not read")
        changes = f"{indexed.added} new, {indexed.renewed} changed, {indexed.unchanged} unchanged"
        plates = counted(indexed.plates, "plate")
        click.echo(f"{place}: {plates} in {counted(indexed.packages, 'package')} ({changes})")


def _verify(collection: Path, package: str) -> str:
    return f"platebench verify {_at(shlex.quote(str(collection / package)))}"


def _at(path: str) -> str:
    return shown(path, LONGEST_PART)


def _show_closed(closed: Sequence[tuple[str, str]], then: str) -> None:
    for folder, why in closed:
        told = f"{_at(folder)}: {shown(why)}; {then}"
        click.echo(f"{told}; check its permissions if there are any")


def show_found(found: Found) -> None:
    """List plates, a line each: where, what, when, and its densities."""
    from platebench.plate_log.dates import date_in_words

    for plate in found.plates:
        parts = [plate["title"], date_in_words(plate["date"]), plate["place"]]
        parts += [f"batch {plate['batch']}" if plate["batch"] else ""]
        parts += [_range(plate)]
        click.echo(f"{_at(plate['package'])}  {shown(plate['plate'])}: {_joined(parts)}")
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
            click.echo(f"{_at(entry.package)}: gone: {detail}{remedy}")
        elif entry.outcome != "valid":
            lost = entry.package in audit.no_package
            see = (
                "take it from another copy"
                if lost
                else f"see: {_verify(collection, entry.package)}"
            )
            detail = shown(_shortened(entry.detail), LONGEST_PART * _MOST_SHOWN)
            click.echo(f"{_at(entry.package)}: not valid: {detail}; {see}")
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


_PLACE = "/archive/plates"


@click.command(
    "find",
    cls=ExampledCommand,
    short_help="Find plates.",
    examples=(
        f'platebench catalogue find {_PLACE} "frozen mill"',
        f"platebench catalogue find {_PLACE} --batch 7 --range 1.2..1.8",
        f"platebench catalogue find {_PLACE} --process albumen --flagged --json",
    ),
)
@collection_argument
@query_options
@catalogue_option
@click.option(
    "--limit",
    type=click.IntRange(min=1),
    default=100,
    metavar="N",
    show_default=True,
    help="Plates to show at most.",
)
@talk_options
def find_command(
    collection: Path, catalogue: Path | None, limit: int, as_json: bool, quiet: bool, **asked: str
) -> None:
    """List the plates of COLLECTION for which everything asked for holds.

    WORDS are looked for in titles, places, notes, flags and ids, each at least as the beginning of
    a word; capitals and accents do not matter.
    """
    from platebench.archive.catalogue_find import find_plates

    found = find_plates(_place(collection, catalogue), query_from(**asked), limit=limit)
    if as_json:
        print_json({"total": found.total, "plates": list(found.plates)})
    elif not quiet:
        show_found(found)


@click.command(
    "export",
    cls=ExampledCommand,
    short_help="Write plates as a CSV table, or as linked data.",
    examples=(
        f"platebench catalogue export {_PLACE} --output plates.csv",
        f"platebench catalogue export {_PLACE} --output plates.jsonld",
    ),
)
@collection_argument
@query_options
@catalogue_option
@click.option(
    "--output",
    type=A_PATH,
    metavar="FILE",
    required=True,
    help="A CSV table, or JSON-LD where it ends in .jsonld; replaced if exported before.",
)
@talk_options
def export_command(
    collection: Path, catalogue: Path | None, output: Path, as_json: bool, quiet: bool, **asked: str
) -> None:
    """Write the plates of COLLECTION for which everything asked for holds, all without options."""
    from platebench.archive.catalogue_find import export_plates

    count = export_plates(_place(collection, catalogue), query_from(**asked), output)
    if as_json:
        print_json({"file": str(output), "plates": count})
    elif not quiet:
        click.echo(f"{output}: {count} plate{'' if count == 1 else 's'}")


def _place(collection: Path, catalogue: Path | None) -> Path:
    """Return where the catalogue is; the packages need not be at hand if it is named."""
    from platebench.archive.catalogue_file import catalogue_of
    from platebench.archive.collection import refuse_no_collection

    if catalogue is None:
        refuse_no_collection(collection)
    return catalogue_of(collection, catalogue)


_COLLECTION = "/archive/plates"


@click.group(
    "catalogue",
    cls=ExampledGroup,
    short_help="Index a collection of packages, and find plates in it.",
    examples=(
        f"platebench catalogue index {_COLLECTION}",
        f'platebench catalogue find {_COLLECTION} "frozen mill" --date 1893/1896',
        f"platebench catalogue export {_COLLECTION} --output plates.csv",
    ),
)
def command() -> None:
    """Keep a catalogue of the packages in a folder, COLLECTION, and search it.

    The catalogue is one file, catalogue.sqlite in the collection. It is made from the packages
    and can be made anew at any time; the packages are only read.
    """


@command.command(
    "index",
    cls=ExampledCommand,
    short_help="Bring the catalogue up to date.",
    examples=(f"platebench catalogue index {_COLLECTION}",),
)
@collection_argument
@catalogue_option
@click.option("--anew", is_flag=True, help="Make the file anew, from the packages alone.")
@talk_options
@click.pass_context
def index(
    ctx: click.Context,
    collection: Path,
    catalogue: Path | None,
    anew: bool,
    as_json: bool,
    quiet: bool,
) -> None:
    """Read the packages of COLLECTION that are new or changed into its catalogue.

    The exit code is 13 if a package lists unsafe paths, as verify calls them; the catalogue is
    written all the same.
    """
    from platebench.archive.audit_log import FILE_NAME, read_audits
    from platebench.archive.catalogue import index_collection
    from platebench.archive.catalogue_file import catalogue_of
    from platebench.archive.collection import refuse_no_collection
    from platebench.cli.catalogue_options import processes
    from platebench.cli.terminal_progress import progress_for

    refuse_no_collection(collection)
    place = catalogue_of(collection, catalogue)
    indexed = index_collection(
        collection,
        catalogue=catalogue,
        processes=processes(),
        audits=read_audits(place.with_name(FILE_NAME)),
        anew=anew,
        progress=progress_for(quiet),
    )
    show_indexed(place, collection, indexed, as_json=as_json, quiet=quiet)
    ctx.exit(indexed.exit_code)


command.add_command(find_command)
command.add_command(export_command)
