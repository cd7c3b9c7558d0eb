"""``platebench watch``: convert plates as their captures arrive."""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
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
from platebench.core.shown import shown
from platebench.measure.checks import Severity
from platebench.session.session_report import error_to_json

if TYPE_CHECKING:
    from platebench.session.watch_session import Arrival

_URGENT = (Severity.WARN, Severity.FAIL)


def arrival_lines(arrival: Arrival) -> Iterator[str]:
    """Yield what a person at the light box needs: densities, doubts, what to take again."""
    yield from arrival.waiting
    if arrival.files and not arrival.plates:
        yield f"arrived: {', '.join(arrival.files)}"
    for plate in arrival.plates:
        if plate.error:
            yield f"{plate.plate_id}: {plate.error}"
            continue
        record = plate.record
        if record is None:
            continue
        if record.dense_end is None:
            yield f"{plate.plate_id}: densities not known: {record.no_densities}"
        else:
            fog = "base plus fog" if record.fog_seen else "thinnest"
            d_max, span, bound = record.dense_end
            over = "at least " if bound else ""
            yield (
                f"{plate.plate_id}: {fog} {record.base_fog:z.2f}, Dmax {over}{d_max:z.2f}, "
                f"range {over}{span:z.2f}"
            )
        for flag in record.flags:
            yield f"  look: {shown(flag)}"
    for entry in arrival.checked:
        for verdict in entry.check.verdicts if entry.check else ():
            if verdict.severity in _URGENT:
                yield f"  {entry.name}: {verdict.severity}: {verdict}"


def arrival_line(arrival: Arrival) -> str:
    """Return an arrival as one line of JSON."""
    return json.dumps(
        {
            "files": list(arrival.files),
            "plates": [
                {"id": plate.plate_id, "error": error_to_json(plate.error)}
                if plate.error
                else {"id": plate.plate_id, "result": plate.record and plate.record.to_json()}
                for plate in arrival.plates
            ],
            "checked": [
                {"capture": entry.name, **entry.check.as_json()}
                for entry in arrival.checked
                if entry.check
            ],
            "waiting": list(arrival.waiting),
            "trouble": list(arrival.trouble),
        },
        allow_nan=False,
    )


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
    for sentence in arrival.trouble:
        click.echo(f"Error: {sentence}", err=True)
    if as_json:
        click.echo(arrival_line(arrival))
    elif not quiet:
        for line in arrival_lines(arrival):
            words = line.lstrip()
            wrapped(words, line.removesuffix(words))
