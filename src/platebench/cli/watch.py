"""``platebench watch``: convert plates as their captures arrive."""

from __future__ import annotations

import time
from pathlib import Path
from typing import TYPE_CHECKING

import click

from platebench.cli.options import (
    ExampledCommand,
    results_option,
    session_argument,
    talk_options,
    work_options,
)
from platebench.cli.quantities import Span
from platebench.cli.show import wrapped

if TYPE_CHECKING:
    from platebench.session.watch_session import Arrival

PAUSE_S = 0.5


@click.command(
    "watch",
    cls=ExampledCommand,
    short_help="Convert plates as the camera's files arrive.",
    examples=(
        "platebench watch today",
        "platebench watch today --settle 8   # over a slow card reader",
    ),
)
@session_argument
@results_option
@click.option(
    "--settle", type=Span(0.2, 600), default=3.0, show_default=True, metavar="SECONDS",
    help="How long files must stay as they are before they count as whole.",
)  # fmt: skip
@work_options
@talk_options
def command(
    session: Path,
    output: Path | None,
    settle: float,
    jobs: int | None,
    memory: int | None,
    as_json: bool,
    quiet: bool,
) -> None:
    """Watch the folder SESSION; convert and check each plate as its captures arrive.

    New captures go into session.toml. Open the review page beside it to see the plates as they
    come: platebench review SESSION. Ctrl-C ends it, once the plates in hand are finished.

    With --json, one JSON document a line for each arrival.
    """
    from platebench.cli.terminal_progress import progress_for
    from platebench.session.watch_session import SessionWatch

    watch = SessionWatch(
        folder=session,
        output=output,
        settle_s=settle,
        workers=jobs,
        memory=memory,
        progress=progress_for(quiet),
    )
    if not quiet and not as_json:
        click.echo(f"watching {session}; Ctrl-C ends it")
    while True:
        arrival = watch.look()
        if arrival is not None:
            _show(arrival, as_json=as_json, quiet=quiet)
        time.sleep(PAUSE_S)


def _show(arrival: Arrival, *, as_json: bool, quiet: bool) -> None:
    from platebench.cli.show_watch import arrival_line, arrival_lines

    for sentence in arrival.trouble:
        click.echo(f"Error: {sentence}", err=True)
    if as_json:
        click.echo(arrival_line(arrival))
    elif not quiet:
        for line in arrival_lines(arrival):
            words = line.lstrip()
            wrapped(words, line.removesuffix(words))
