"""``platebench measure``: densities at places on a plate."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import click

from platebench.cli.options import (
    A_PATH,
    ExampledCommand,
    plate_ids,
    session_argument,
    talk_options,
)
from platebench.cli.quantities import Grid, Place, SquareSide


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
    from platebench.core.files import atomic_write
    from platebench.session.measure_session import (
        measure_session_plate,
        readings_text,
        refuse_readings_file,
    )

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


@click.command(
    "measure",
    cls=ExampledCommand,
    short_help="Read densities at places on a plate.",
    examples=(
        "platebench measure shelf-3 plate-001 --at 34,52 --at 60,20 --size 3",
        "platebench measure shelf-3 plate-001 --grid 5x7 --csv --output readings.csv",
        "platebench measure shelf-3 test-7 --wedge --fog 5,40 --output test-7.json",
    ),
)
@session_argument
@click.argument("plate", shell_complete=plate_ids)
@click.option("--at", "places", type=Place(), multiple=True, metavar="X,Y", help="A place, from "
    "the left and the top of the positive: mm, or pixels as 1200px,800px.")  # fmt: skip
@click.option("--size", type=SquareSide(), metavar="SIDE", help="Side of the square read.  "
    "[default: 2 mm]")  # fmt: skip
@click.option("--grid", type=Grid(), metavar="ROWSxCOLUMNS", help="Places all over the plate.")
@click.option("--wedge", is_flag=True, help="Read the steps of a wedge exposed on the plate.")
@click.option("--fog", type=Place(), metavar="X,Y", help="With --wedge: an unexposed place.")
@click.option("--first-step", type=click.IntRange(1, 200), metavar="N", help="With --wedge: the "
    "step that the densest lay under.  [default: 1, where that end stands clear]")  # fmt: skip
@click.option("--csv", "as_csv", is_flag=True, help="Print or write CSV.")
@click.option("--output", type=A_PATH, metavar="FILE", help="Write to "
    "this .json or .csv.  [default: print a table]")  # fmt: skip
@talk_options
def command(**asked: Any) -> None:
    """Read diffuse densities of PLATE, with their standard errors.

    Each reading is the density of the mean light through a square, its standard error from photon
    noise and calibration, the densities by red, green and blue (stain shows in them), and the
    density to a blue-sensitive printing process. Without a calibration of SESSION on a step tablet
    they are as the camera sees them: stray light and the Callier factor are still in them.
    """
    if not (asked["places"] or asked["grid"] or asked["wedge"]):
        raise click.UsageError("say where: --at X,Y, --grid ROWSxCOLUMNS or --wedge")
    if asked["as_json"] and asked["as_csv"]:
        raise click.UsageError("--json and --csv exclude one another: give one")
    if asked["wedge"] and (asked["places"] or asked["grid"]):
        raise click.UsageError("--wedge reads all steps by itself: leave out --at and --grid")
    kind = asked["output"].suffix.lower() if asked["output"] else ""
    if (asked["as_json"] and kind == ".csv") or (asked["as_csv"] and kind == ".json"):
        raise click.UsageError(f"--output ends in {kind}: leave out --json and --csv")
    if asked["fog"] and not asked["wedge"]:
        raise click.UsageError("--fog goes with --wedge")
    if asked["first_step"] and not asked["wedge"]:
        raise click.UsageError("--first-step goes with --wedge")
    measure_and_show(**asked)
