"""How print negatives are told: size, film, side and what to know before printing."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import click

from platebench.cli.options import print_json
from platebench.cli.show_lines import show_cautions, wrapped

if TYPE_CHECKING:
    from platebench.printing.process import Process
    from platebench.session.print_negative import NegativeResult

_SHOWS_MM = 0.1


def show_negatives(
    results: Sequence[NegativeResult], process: Process, *, as_json: bool, quiet: bool
) -> None:
    """Tell what became of each plate: what was made on stdout, then on stderr what was not."""
    from platebench.cautions import FIRST, cautions_for
    from platebench.session.print_negative import exit_code_of_negatives

    lines = [line for c in cautions_for(process.hazards) for line in c.lines()]
    made = any(result.made is not None for result in results)
    cautions = [FIRST, *lines, *process.cautions] if made else []
    if as_json:
        print_json(
            {
                "exit_code": int(exit_code_of_negatives(results)),
                "plates": [_to_json(result) for result in results],
                "cautions": cautions,
            }
        )
    elif not quiet:
        show_cautions(cautions)
        for result in results:
            _show_one(result)
    for result in results:
        if result.error is not None:
            click.echo(f"Error: {result.error}", err=True)


def _show_one(result: NegativeResult) -> None:
    if result.made is None:
        return
    record = result.made.record
    width, height = record["picture_mm"]
    film = record["film_mm"]
    times = record["enlargement"]
    enlarged = "" if times is None else f", {times:.3g} times the plate"
    if times is not None and f"{times:.3g}" == "1":
        enlarged = ", the plate's own size"
    room = record["fitted_into_mm"]
    inside = ""
    if room is not None and max(room[0] - width, room[1] - height) > _SHOWS_MM:
        inside = f" in the middle of {room[0]:.1f} x {room[1]:.1f} mm"
    click.echo(f"{result.plate_id}: {width:.1f} x {height:.1f} mm{inside}{enlarged}")
    wrapped(f"Film {film[0]:.1f} x {film[1]:.1f} mm with its margins; fits {record['film']}.")
    wrapped(
        "Ink side down on the paper: the file is mirrored."
        if record["mirrored"]
        else "Ink side up, base on the paper: the file is not mirrored."
    )
    for note in result.made.notes:
        wrapped(f"{note[0].upper()}{note[1:]}.")
    for path in result.made.files:
        click.echo(f"  {path}")
    click.echo()


def _to_json(result: NegativeResult) -> dict[str, object]:
    if result.made is None:
        kind = type(result.error).__name__
        return {"plate": result.plate_id, "error": {"kind": kind, "message": str(result.error)}}
    return result.made.record | {"files": [str(path) for path in result.made.files]}
