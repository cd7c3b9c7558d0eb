"""``platebench review``: the session in the browser."""

from __future__ import annotations

from pathlib import Path
from threading import Thread
from typing import TYPE_CHECKING

import click

from platebench.cli.options import (
    ExampledCommand,
    print_json,
    results_option,
    session_argument,
    size_in_bytes,
    talk_options,
)

if TYPE_CHECKING:
    from platebench.review.serve import Review


@click.command(
    "review",
    cls=ExampledCommand,
    short_help="Look at a session in the browser and put it right.",
    examples=(
        "platebench review shelf-3",
        "platebench review shelf-3 --no-browser --port 8123",
    ),
)
@session_argument
@results_option
@click.option(
    "--port", type=click.IntRange(0, 65535), default=0, metavar="N", help="Port; 0: a free one."
)
@click.option("--no-browser", is_flag=True, help="Only print the address.")
@click.option(
    "--memory",
    type=size_in_bytes,
    metavar="SIZE",
    help="Memory for plates at full size, such as 1G.  [default: a quarter of what is free]",
)
@talk_options
def command(
    session: Path,
    output: Path | None,
    port: int,
    no_browser: bool,
    memory: int | None,
    as_json: bool,
    quiet: bool,
) -> None:
    """Show the plates of SESSION in the browser: look, measure, correct.

    Corners, turns, tones and notes are written to session.toml at once, its comments kept. The
    page is served to this machine alone, under an address nobody can guess; Ctrl-C ends it.
    """
    from platebench.review.serve import open_table

    if quiet and no_browser and not as_json:
        raise click.UsageError("--quiet with --no-browser would tell nobody the address")
    own = Path(click.get_app_dir("platebench"))
    review = open_table(session, output=output, port=port, memory=memory, user_folder=own)

    _serve(review, as_json=as_json, quiet=quiet, browser=not no_browser)


def open_at_front() -> None:
    """Serve the page's front, and each session that is opened from it, until interrupted."""
    from platebench.review.front_app import open_front

    front, review = open_front(Path(click.get_app_dir("platebench")))
    try:
        _serve(review)
    finally:
        front.close()


def _serve(
    review: Review, *, as_json: bool = False, quiet: bool = False, browser: bool = True
) -> None:
    from platebench.review.hand_over import open_in_browser
    from platebench.review.serve import serve

    def when_up(address: str) -> None:
        if as_json:
            print_json({"address": address})
        elif not quiet:
            click.echo(f"{address}\nCtrl-C ends it.")
        if browser:
            Thread(target=show_to, args=(address,)).start()

    def show_to(address: str) -> None:
        if not open_in_browser(address, review.entered):
            click.echo(f"No browser could be started; open {address} in one.", err=True)

    serve(review, when_up)
