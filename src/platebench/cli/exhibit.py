"""``platebench exhibit``: a web site to look at plates, from sessions and packages."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from platebench.cli.ending import show_error
from platebench.cli.options import A_PATH, ExampledCommand, print_json, talk_options

if TYPE_CHECKING:
    from platebench.exhibit.write_site import Exhibit


class Address(click.ParamType[str]):
    """An address of the web."""

    name = "url"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> str:
        """Return it with a slash at its end."""
        from platebench.exhibit.write_site import checked_address

        try:
            return checked_address(str(value))
        except ValueError:
            example = "https://example.org/plates"
            self.fail(f"{value!r} is no address such as {example}", param, ctx)


def show_exhibit(made: Exhibit) -> None:
    """Print what was written."""
    click.echo(f"{made.index}: {made.shown} plates, pictures of {made.made} made now")
    if made.private:
        click.echo(f"{made.private} plates are not open to everyone and stay out")


@click.command(
    "exhibit",
    cls=ExampledCommand,
    short_help="Write a web site of plates, from sessions and packages.",
    examples=(
        "platebench exhibit shelf-3 --output site",
        "platebench exhibit packages --output site --address https://example.org/plates",
        "platebench exhibit shelf-3 --output site --curves shelf-3/curves/curves.json",
    ),
)
@click.argument("places", nargs=-1, required=True, type=A_PATH, metavar="PLACE...")
@click.option(
    "--output",
    type=A_PATH,
    metavar="FOLDER",
    required=True,
    help="Folder of the site: empty, or an exhibit to bring up to date.",
)
@click.option("--title", default="Glass plates", show_default=True, help="Heading of the wall.")
@click.option(
    "--address",
    type=Address(),
    metavar="URL",
    help="Where it will lie on the web: writes manifests (IIIF) for other viewers, too.",
)
@click.option(
    "--restricted-side",
    type=click.IntRange(100, 20_000),
    default=1200,
    metavar="PIXELS",
    show_default=True,
    help="Longest side of restricted plates' pictures.",
)
@click.option(
    "--mark",
    default="not for reproduction",
    show_default=True,
    metavar="TEXT",
    help='Watermark over restricted plates; "" for none.',
)
@click.option("--curves", multiple=True, type=A_PATH, metavar="FILE", help="A curves.json whose "
    "curves name their batch, for the plates of that batch; repeat for several.")  # fmt: skip
@talk_options
@click.pass_context
def command(
    ctx: click.Context,
    places: tuple[Path, ...],
    output: Path,
    title: str,
    address: str | None,
    restricted_side: int,
    mark: str,
    curves: tuple[Path, ...],
    as_json: bool,
    quiet: bool,
) -> None:
    """Write a web site of the plates in PLACES: converted sessions, packages, folders of packages.

    A wall of contact prints with search, and a page for each plate with its picture down to the
    pixels, its densities and its log. It opens from a disk and from any web server. The column
    "access" of the plate log keeps a plate out (private) or small and marked (restricted).
    """
    from platebench.cli.terminal_progress import progress_for
    from platebench.core.errors import ExitCode
    from platebench.exhibit.gather import gather_plates
    from platebench.exhibit.write_site import ExhibitWishes, write_exhibit
    from platebench.sensitometry.curve_file import load_curves

    wishes = ExhibitWishes(
        title=title,
        address=address or "",
        restricted_side=restricted_side,
        mark=mark,
        curves=load_curves(curves),
    )
    made = write_exhibit(gather_plates(places), output, wishes, progress_for(quiet))
    if as_json:
        print_json(
            {
                "index": str(made.index),
                "shown": made.shown,
                "made": made.made,
                "private": made.private,
                "failed": [str(error) for error in made.failed],
            }
        )
    elif not quiet:
        show_exhibit(made)
    for error in made.failed:
        show_error(error)
    ctx.exit(ExitCode.PARTIAL if made.failed else ExitCode.OK)
