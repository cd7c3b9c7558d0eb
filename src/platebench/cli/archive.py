"""``platebench archive``: packages of a converted session for the long term."""

from __future__ import annotations

from pathlib import Path

import click

from platebench.cli.complete import plate_ids
from platebench.cli.options import (
    A_PATH,
    ExampledCommand,
    print_json,
    session_argument,
    talk_options,
)
from platebench.cli.show_archive import show_packed


@click.command(
    "archive",
    cls=ExampledCommand,
    short_help="Pack masters, positives, recipe and records for the long term.",
    examples=(
        "platebench archive shelf-3",
        "platebench archive shelf-3 --captures --output /archive/plates",
        "platebench archive shelf-3 --each",
        "platebench archive shelf-3 --plate plate-07 --plate plate-09",
    ),
)
@session_argument
@click.option(
    "--plate",
    "plates",
    multiple=True,
    metavar="ID",
    shell_complete=plate_ids,
    help="Only this plate, in a package of its own; repeat for several.  [default: all]",
)
@click.option("--each", is_flag=True, help="A package for every plate, not one for all.")
@click.option(
    "--output",
    type=A_PATH,
    metavar="FOLDER",
    help="Folder of packages.  [default: SESSION/packages]",
)
@click.option(
    "--converted",
    type=A_PATH,
    metavar="FOLDER",
    help="Folder of results that convert wrote.  [default: SESSION/converted]",
)
@click.option(
    "--name",
    default="",
    metavar="NAME",
    help="Name of the package.  [default: the session folder's]",
)
@click.option("--captures", is_flag=True, help="Pack raws or scans, blank and dark frames, too.")
@click.option("--colour", is_flag=True, help="Masters of red, green and blue.")
@click.option("--no-masters", is_flag=True, help="Leave the masters out.")
@talk_options
def command(
    session: Path,
    plates: tuple[str, ...],
    each: bool,
    output: Path | None,
    converted: Path | None,
    name: str,
    captures: bool,
    colour: bool,
    no_masters: bool,
    as_json: bool,
    quiet: bool,
) -> None:
    """Pack the converted SESSION: archive masters, positives, records, recipe, plate log, report.

    A package is a folder after BagIt 1.0 with SHA-256 and SHA-512 of every file. It is built
    beside its place, read back, and only then gets its name; one that is there is never replaced.
    Without --captures the recipe holds the digests of the captures: keep the files yourself.
    """
    from datetime import datetime

    from platebench.archive.pack_session import PackOptions, pack_session
    from platebench.cli.terminal_progress import progress_for

    options = PackOptions(
        captures=captures, masters=not no_masters, colour=colour, each=each, name=name
    )
    packed = pack_session(
        session,
        now=datetime.now().astimezone(),
        to=output,
        converted=converted,
        plates=plates,
        options=options,
        progress=progress_for(quiet),
    )
    if as_json:
        print_json(
            {"packages": [one.check.to_json() | {"plates": list(one.plates)} for one in packed]}
        )
    elif not quiet:
        show_packed(packed)
