"""``platebench reciprocity-plate``: plan a test plate for long exposures, and read it."""

from __future__ import annotations

import csv
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from platebench.cli.curve import Numbers
from platebench.cli.options import A_PATH, ExampledCommand, plate_ids, print_json, talk_options
from platebench.cli.quantities import Amount, Place, Time
from platebench.cli.show import show_cautions, wrapped

if TYPE_CHECKING:
    from platebench.exposing.reciprocity_plate import Strip, TestedReciprocity

_STILL = (
    "Light and subject must not change from the first strip to the last: a lamp, no sky, on a flat "
    "evenly lit card; meter again at the end. Develop the plate with the curve's bath and time."
)
_HOW = (
    "Open a third of the plate at a time (a card with a window before the plate, moved on), set "
    "the aperture, expose; leave a rim covered for base plus fog."
)


def show_strips(strips: Sequence[Strip], cautions: Sequence[str]) -> None:
    """Print what to set and how long, strip by strip."""
    from platebench.core.camera_time import time_in_words

    show_cautions(cautions)
    wrapped(_STILL, indent="")
    wrapped(_HOW, indent="")
    for strip in strips:
        time = time_in_words(strip.seconds)
        click.echo(f"  strip {strip.number}   f/{strip.f_number:<4g}   {time}")
    wrapped("Times 1 : 5.7 : 32; apertures between marks lie half way (arithmetic).", indent="")


def show_tested(tested: TestedReciprocity, path: Path) -> None:
    """Print p with its error, and what to give for long times."""
    from platebench.core.camera_time import time_in_words
    from platebench.exposing.reciprocity_plate import times_by

    click.echo(f"batch {tested.batch}: p = {tested.p:.3f} +-{tested.sigma:.3f}, measured")
    for metered, given in times_by(tested):
        beyond = "" if given <= tested.longest_s else "   beyond the longest strip: a guess"
        click.echo(f"  {time_in_words(metered):>8}  give {time_in_words(given)}{beyond}")
    for doubt in tested.doubts():
        wrapped(doubt)
    click.echo(str(path))


def _nets(
    readings: Path | None, said: dict[str, Any]
) -> tuple[Sequence[float], Sequence[float], float | None]:
    """Return times, densities and base plus fog, from a table or from places on a plate."""
    from platebench.core.csv_table import LARGEST_FILE, read_numbers, table_text
    from platebench.core.errors import ReadingsError, SpotError
    from platebench.session.measure_session import measure_session_plate

    if readings is not None:
        text = table_text(readings, as_utf8="save it as CSV in UTF-8", largest=LARGEST_FILE)
        try:
            rows = read_numbers(text, ("time_s", "density"))
        except (ValueError, csv.Error) as error:
            remedy = "head the columns time_s and density, a row for each strip"
            raise ReadingsError(readings, "holds no strips", remedy) from error
        return [row[0] for row in rows], [row[1] for row in rows], said["base_fog"]
    seconds = said["seconds"]
    if said["places"]:
        done = measure_session_plate(said["session"], said["plate"], places=said["places"])
        found = [reading.density for reading in done.readings]
    else:
        found = list(_strips_of(said["session"], said["plate"], len(seconds)))
    if None in found:
        what = f"place {found.index(None) + 1} tells no density"
        raise SpotError(said["plate"], what, "name another place on that strip", "at")
    fog = said["base_fog"]
    if said["fog"]:
        (one,) = measure_session_plate(
            said["session"], said["plate"], places=[said["fog"]]
        ).readings
        fog = one.density
    return seconds, [density for density in found if density is not None], fog


def _strips_of(session: Path, plate: str, count: int) -> tuple[float, ...]:
    from platebench.core.errors import SpotError
    from platebench.exposing.reciprocity_plate import strips_in
    from platebench.session.measure_session import measure_session_plate

    done = measure_session_plate(session, plate, grid=(3 * count, 3 * count))
    read = [float("nan") if r.density is None else r.density for r in done.readings]
    side = 3 * count
    try:
        return strips_in([read[n * side : (n + 1) * side] for n in range(side)], count)
    except ValueError as error:
        what, _, remedy = str(error).partition("; ")
        raise SpotError(plate, f"shows no test: {what}", remedy, "at") from error


@click.command(
    "reciprocity-plate",
    cls=ExampledCommand,
    short_help="Plan a test plate for long exposures, and read p from it.",
    examples=(
        "platebench reciprocity-plate --f 5.6 --shortest 4s",
        "platebench reciprocity-plate strips.csv --curves c.json --batch 14 --minutes 5",
    ),
)
@click.argument("readings", required=False, type=A_PATH)
@click.option("--f", "f_number", type=Amount(0.5, 1000), metavar="N",
    help="To plan: the aperture of the shortest strip.")  # fmt: skip
@click.option("--shortest", type=Time(), metavar="TIME",
    help="To plan: its time, for a middle density.")  # fmt: skip
@click.option("--session", type=A_PATH, metavar="FOLDER", help="To read a plate of this session.")
@click.option("--plate", default="", metavar="ID", shell_complete=plate_ids, help="The test plate.")
@click.option("--at", "places", type=Place(), multiple=True, metavar="X,Y", help="A place on a "
    "strip, from the left and the top of the positive.  [default: strips are found]")  # fmt: skip
@click.option("--fog", type=Place(), metavar="X,Y", help="An unexposed place.")
@click.option("--seconds", type=Numbers(), metavar="S,...",
    help="Time of each strip, in their order.")  # fmt: skip
@click.option("--base-fog", type=Amount(-0.2, 4), metavar="D",
    help="Density of an unexposed part.  [default: the curve's]")  # fmt: skip
@click.option("--curves", type=A_PATH, metavar="FILE", help="The curves.json of the batch.")
@click.option("--batch", metavar="TEXT", help="The batch.")
@click.option("--minutes", type=Amount(0.1, 600), metavar="MIN",
    help="Time of development, to pick the curve.")  # fmt: skip
@click.option("--output", type=A_PATH, metavar="FILE",
    help="File to write.  [default: reciprocity.json beside the curves]")  # fmt: skip
@talk_options
def command(readings: Path | None, as_json: bool, quiet: bool, **said: Any) -> None:
    """Plan a plate of three strips, or read p, Schwarzschild's exponent, from one.

    All strips get the same light times time, in times 1 : 5.7 : 32. READINGS is a table with the
    columns time_s and density, a row for each strip; or name the places on a plate of a session.
    What is found holds for the batch: own-speed and expose take it from there.
    """
    from platebench.exposing.processing import DEVELOPING, cautions
    from platebench.exposing.reciprocity_plate import plan_strips

    reading = readings is not None or said["session"] is not None
    if not reading:
        if said["f_number"] is None or said["shortest"] is None:
            raise click.UsageError("to plan give --f and --shortest; to read give READINGS")
        try:
            strips = plan_strips(said["f_number"], said["shortest"])
        except ValueError as error:
            raise click.UsageError(str(error)) from error
        if as_json:
            planned = [asdict(strip) for strip in strips]
            print_json(
                {"strips": planned, "mind": [_STILL, _HOW], "cautions": list(cautions(DEVELOPING))}
            )
        elif not quiet:
            show_strips(strips, cautions(DEVELOPING))
        return
    if said["curves"] is None or not said["batch"]:
        raise click.UsageError("to read a plate give --curves and --batch")
    if said["session"] is not None and not (said["plate"] and said["seconds"]):
        raise click.UsageError("--session goes with --plate and --seconds")
    tested, target = _read(readings, said)
    if as_json:
        document = {"doubts": list(tested.doubts()), "file": str(target)}
        print_json(asdict(tested) | document)
    elif not quiet:
        show_tested(tested, target)


def _read(readings: Path | None, said: dict[str, Any]) -> tuple[TestedReciprocity, Path]:
    from platebench.core.errors import ReadingsError
    from platebench.core.files import atomic_write, refuse_foreign
    from platebench.exposing.reciprocity_plate import FILE_NAME, read_strips, tested_to_json
    from platebench.sensitometry.curve_file import curve_for, load_curves
    from platebench.session.record import json_for_people

    curve = curve_for(load_curves([said["curves"]]), said["batch"], said["minutes"])
    if curve is None:
        what = f'has no curve of batch "{said["batch"]}" for that time of development'
        remedy = "give the minutes it was developed for, of the batch's own times"
        raise ReadingsError(said["curves"], what, remedy, "batch", "minutes")
    seconds, densities, fog = _nets(readings, said)
    base = curve.base_fog if fog is None else fog
    try:
        nets = [density - base for density in densities]
        tested = read_strips(seconds, nets, curve, batch=said["batch"])
    except ValueError as error:
        name = readings if readings is not None else said["plate"]
        what, _, remedy = str(error).partition("; ")
        raise ReadingsError(name, f"gives no p: {what}", remedy or "expose a new plate") from error
    target = said["output"] or said["curves"].parent / FILE_NAME
    refuse_foreign([target], "reciprocity")
    with atomic_write(target) as stream:
        stream.write(json_for_people(tested_to_json(tested)))
    return tested, target
