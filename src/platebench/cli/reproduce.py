"""``platebench reproduce``: a package's pictures made again from the captures."""

from __future__ import annotations

from pathlib import Path

import click

from platebench.cli.archive import reproduction_to_json, show_reproduction
from platebench.cli.ending import show_error
from platebench.cli.options import A_PATH, ExampledCommand, plates_option, print_json, talk_options


@click.command(
    "reproduce",
    cls=ExampledCommand,
    short_help="Make a package's pictures again from the captures, and compare.",
    examples=(
        "platebench reproduce packages/shelf-3",
        "platebench reproduce packages/shelf-3 --captures shelf-3 --plate plate-07",
        "platebench reproduce packages/shelf-3 --output remade",
    ),
)
@click.argument("package", type=A_PATH)
@click.option(
    "--captures",
    type=A_PATH,
    metavar="FOLDER",
    help="Folder of the captures.  [default: in the package]",
)
@plates_option
@click.option(
    "--output",
    type=A_PATH,
    metavar="FOLDER",
    help="Keep what is made, in a new or empty folder.  [default: it is thrown away]",
)
@talk_options
@click.pass_context
def command(
    ctx: click.Context,
    package: Path,
    captures: Path | None,
    plates: tuple[str, ...],
    output: Path | None,
    as_json: bool,
    quiet: bool,
) -> None:
    """Make positives, previews and masters of PACKAGE again by its recipe.

    Captures have to be byte for byte those of the recipe. With the same versions the pictures are
    the same bytes; else you see which versions differ, and by how much the pixels do. Exit code
    3 if something is not as it was, 13 if the package itself was damaged.
    """
    from platebench.archive.reproduce import reproduce_package
    from platebench.cli.terminal_progress import progress_for

    made = reproduce_package(
        package, captures=captures, output=output, plates=plates, progress=progress_for(quiet)
    )
    for plate, error in made.errors:
        show_error(error, plate)
    if as_json:
        print_json(reproduction_to_json(made))
    elif not quiet:
        show_reproduction(made)
    ctx.exit(made.exit_code)
