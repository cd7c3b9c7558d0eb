"""``platebench catalogue``: a collection of packages indexed; see also catalogue_find.py."""

from __future__ import annotations

from pathlib import Path

import click

from platebench.cli.catalogue_options import (
    catalogue_option,
    collection_argument,
    query_from,
    query_options,
)
from platebench.cli.options import A_PATH, ExampledCommand, ExampledGroup, print_json, talk_options
from platebench.cli.show_catalogue import show_found, show_indexed

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
    short_help="Write plates as a CSV table.",
    examples=(f"platebench catalogue export {_PLACE} --output plates.csv",),
)
@collection_argument
@query_options
@catalogue_option
@click.option(
    "--output",
    type=A_PATH,
    metavar="FILE",
    required=True,
    help="The table; replaced if it was exported before.",
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
