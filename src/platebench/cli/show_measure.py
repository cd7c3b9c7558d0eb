"""How readings of a plate are shown: a table to read, JSON or CSV; printed or written."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import click


def measure_and_show(
    session: Path,
    plate: str,
    places: tuple[tuple[float, float, str], ...],
    size: tuple[float, str] | None,
    grid: tuple[int, int] | None,
    wedge: bool,
    fog: tuple[float, float, str] | None,
    first_step: int | None,
    as_csv: bool,
    output: Path | None,
    as_json: bool,
    quiet: bool,
) -> None:
    """Measure, then print or write; notes go to stderr so that stdout stays data."""
    from platebench.cli.terminal_progress import progress_for
    from platebench.fsio import atomic_write
    from platebench.session.measure_session import measure_session_plate, refuse_readings_file
    from platebench.session.readings_text import readings_text

    if output is not None:
        refuse_readings_file(session, output)
    done = measure_session_plate(
        session,
        plate,
        places=places,
        size=size,
        grid=grid,
        wedge=wedge,
        fog=fog,
        first_step=first_step,
        progress=progress_for(quiet),
    )
    if as_csv or (output is not None and output.suffix.lower() == ".csv" and not as_json):
        text = done.to_csv()
    elif as_json or output is not None:
        text = _json(done.to_json())
    else:
        text = readings_text(done)
    for note in () if quiet else done.notes:
        click.echo(f"Note: {note}", err=True)
    if output is not None:
        with atomic_write(output) as stream:
            stream.write(text.encode())
    if as_json or (output is None and (as_csv or not quiet)):  # what was asked for is no talk
        click.echo(text, nl=False)
    elif not quiet:
        click.echo(str(output))


def _json(document: dict[str, Any]) -> str:
    return json.dumps(document, indent=2, allow_nan=False) + "\n"
