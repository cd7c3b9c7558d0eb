"""``platebench catalogue``: a collection of packages indexed; see also catalogue_find.py."""

from __future__ import annotations

from pathlib import Path

import click

from platebench.cli.catalogue_find import export_command, find_command
from platebench.cli.catalogue_options import catalogue_option, collection_argument
from platebench.cli.options import ExampledCommand, ExampledGroup, talk_options
from platebench.cli.show_catalogue import show_indexed

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
