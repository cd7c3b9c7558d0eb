"""``platebench own-speed``: what the plates made so far say of the next exposure."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from platebench.cli.options import A_PATH, ExampledCommand, folders, print_json, talk_options
from platebench.cli.quantities import Amount
from platebench.cli.show import wrapped

if TYPE_CHECKING:
    from platebench.exposing.own_speed import OwnSpeed
    from platebench.exposing.own_speed_file import PlatesMade

_NAMED = 6


def show_own_speed(made: PlatesMade, own: OwnSpeed, path: Path) -> None:
    """Print a table by light, the rows to look at, and what is missing."""
    from platebench.exposing.own_speed_file import rating_by_light

    if not made.plates:
        click.echo("no plate says anything of speed yet: expose by the rule")
    else:
        click.echo("measured on your plates; for a batch no plate was made of yet, up to 1 s:")
        click.echo("light         plates  ISO    80 % of plates  by rule   ")
    for light, (iso, offset) in rating_by_light(own).items():
        ends = [iso * 2.0 ** (stops - offset.stops) for stops in (offset.low, offset.high)]
        rule = iso * 2.0**-offset.stops
        click.echo(
            f"{light:<14}{offset.same_light:>6}  {iso:<5.2g}  {ends[0]:>5.2g} to {ends[1]:<5.2g}"
            f"  {rule:<8.2g} {offset.verdict}"
        )
    for row in own.look_again:
        wrapped(
            f"look at the row of {row.plate_id} again: {abs(row.stops_off):.1f} stops "
            f"{'faster' if row.stops_off > 0 else 'slower'} than your other plates make it",
            indent="",
        )
    for title, groups in (("left out", made.left_out), ("missing", made.lacking)):
        for what, ids in groups.items():
            named = ", ".join(ids) if len(ids) <= _NAMED else f"{len(ids)} plates"
            wrapped(f"{title}: {what}: {named}", indent="")
    click.echo(str(path))


@click.command(
    "own-speed",
    cls=ExampledCommand,
    short_help="What your finished plates say of the next exposure.",
    examples=(
        "platebench own-speed shelf-3 --curves shelf-3/curves/curves.json",
        "platebench own-speed shelf-2 shelf-3 --latitude 47.4 --longitude 8.5",
    ),
)
@click.argument("sessions", nargs=-1, required=True, type=A_PATH, shell_complete=folders)
@click.option("--curves", multiple=True, type=A_PATH, metavar="FILE", help="A curves.json whose "
    "curves name their batch; repeat for several.")  # fmt: skip
@click.option("--reciprocity", multiple=True, type=A_PATH, metavar="FILE", help="What a test plate "
    "said of a batch: a reciprocity.json; repeat for several.")  # fmt: skip
@click.option("--latitude", type=Amount(-90, 90), metavar="DEGREES",
    help="Where you expose, north above 0.")  # fmt: skip
@click.option("--longitude", type=Amount(-180, 180), metavar="DEGREES", help="East above 0.  "
    "[default: hours are the sun's own]")  # fmt: skip
@click.option("--output", type=A_PATH, metavar="FILE",
    help="File to write.  [default: own-speed.json in the last session]")  # fmt: skip
@talk_options
def command(
    sessions: tuple[Path, ...],
    curves: tuple[Path, ...],
    reciprocity: tuple[Path, ...],
    latitude: float | None,
    longitude: float | None,
    output: Path | None,
    as_json: bool,
    quiet: bool,
) -> None:
    """Learn your own speed, by kind of light, from the converted plates of SESSIONS.

    Each plate's log says what it was given (meter EV, given, aperture, light kind), its densities
    what it got; curves by batch make one of the other. The result is kept for expose and
    plan-plate. Rows that do not go with the others are named.
    """
    from platebench.core.files import atomic_write, refuse_foreign
    from platebench.exposing.own_speed import fit_own_speed
    from platebench.exposing.own_speed_file import FILE_NAME, Place, made_to_json
    from platebench.exposing.reciprocity_plate import load_tested
    from platebench.sensitometry.curve_file import load_curves
    from platebench.session.plates_made import plates_made
    from platebench.session.record import json_for_people

    if longitude is not None and latitude is None:
        raise click.UsageError("--longitude alone does not tell the sun's height: give --latitude")
    target = output or sessions[-1] / FILE_NAME
    place = None if latitude is None else Place(latitude=latitude, longitude=longitude)
    made = plates_made(
        sessions,
        load_curves(curves),
        known_q={tested.batch: (1 - tested.p, tested.sigma) for tested in load_tested(reciprocity)},
        place=place,
    )
    own = fit_own_speed(made.plates, made.known_q)
    refuse_foreign([target], "own speed")
    document = made_to_json(made, own)
    with atomic_write(target) as stream:
        stream.write(json_for_people(document))
    if as_json:
        print_json(document | {"file": str(target)})
    elif not quiet:
        show_own_speed(made, own, target)
