"""``platebench expose``: from a meter reading to the exposure a plate is given."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import click

from platebench.cli.options import A_PATH, ExampledCommand, print_json, talk_options
from platebench.cli.quantities import Amount, Length, Time
from platebench.cli.show import wrapped
from platebench.core.rounding import rounded, to_digits
from platebench.exposing.exposure import ExposureRequest, ev_from_reading
from platebench.exposing.reciprocity import (
    NoCorrection,
    PowerExcess,
    PracticeRule,
    Reciprocity,
    Schwarzschild,
    load_reciprocity_table,
)


def request_from_options(said: Mapping[str, Any]) -> ExposureRequest:
    """Return the request.

    Raises
    ------
    click.UsageError
        If the options contradict one another or one is missing.
    SettingsError
        If the table cannot be used.
    """
    f_number = said["f_number"] or said["meter_f"]
    if f_number is None:
        raise click.UsageError("--f is missing: the aperture to be used")
    return ExposureRequest(
        ev100=_ev100(said),
        f_number=f_number,
        rating=said["rating"],
        light=said["light"],
        stops=said["stops"],
        extension_mm=said["extension"],
        focal_mm=said["focal"],
        reciprocity=_reciprocity(said),
    )


def _ev100(said: Mapping[str, Any]) -> float:
    reading = (said["meter_f"], said["meter_time"])
    if said["ev"] is not None:
        if reading != (None, None):
            raise click.UsageError("--ev and --meter-f with --meter-time say the same: give one")
        return float(said["ev"]) + ev_from_reading(1, 1, said["meter_iso"])
    if None in reading:
        raise click.UsageError("the reading is missing: --ev, or --meter-f and --meter-time")
    return ev_from_reading(*reading, said["meter_iso"])


def _reciprocity(said: Mapping[str, Any]) -> Reciprocity:
    given = {
        "--p": said["p"] is not None,
        "--added": said["added"] is not None,
        "--table": said["table"] is not None,
        "--no-reciprocity": said["no_reciprocity"],
    }
    chosen = [name for name, is_given in given.items() if is_given]
    if len(chosen) > 1:
        raise click.UsageError(f"{' and '.join(chosen)} exclude one another: give one")
    if said["plus_one"] and chosen != ["--p"]:
        raise click.UsageError("--plus-one is a form of --p: give --p, too")
    if said["p"] is not None:
        return Schwarzschild(p=said["p"], plus_one=said["plus_one"])
    if said["added"] is not None:
        return PowerExcess(a=said["added"])
    if said["table"] is not None:
        return load_reciprocity_table(said["table"])
    return NoCorrection() if said["no_reciprocity"] else PracticeRule()


if TYPE_CHECKING:
    from platebench.exposing.exposure import Exposure, ExposurePlan

_TOLD_OFF = 0.17  # stops; half of a third of a stop


def plan_to_json(plan: ExposurePlan) -> dict[str, Any]:
    """Return a plan as JSON types, for ``--json``."""
    from platebench.exposing.exposure import METER_NOTE

    return {
        "exposure": _exposure_to_json(plan.exposure),
        "least": plan.least and _exposure_to_json(plan.least),
        "most": plan.most and _exposure_to_json(plan.most),
        "rating": plan.rating,
        "reasons": [
            {"what": r.words, "stops": rounded(r.stops, 4), "mark": r.mark} for r in plan.reasons
        ],
        "other_stops": [_exposure_to_json(other) for other in plan.others],
        "note": METER_NOTE,
    }


def _exposure_to_json(exposure: Exposure) -> dict[str, Any]:
    return {
        "f_number": exposure.f_number,
        "metered_s": to_digits(exposure.metered_s),
        "given_s": to_digits(exposure.given_s),
        "camera_s": to_digits(exposure.camera.seconds),
        "camera": str(exposure.camera),
        "camera_off_stops": rounded(exposure.camera.off_stops, 3),
    }


def show_plan(plan: ExposurePlan) -> None:
    """Print the exposure, the reasons with their marks, and other stops."""
    from platebench.exposing.exposure import METER_NOTE

    wrapped(f"give {_told(plan.exposure)}", indent="")
    if plan.least != plan.most:
        ends = [str(end.camera) if end else "longer than is known" for end in _ends(plan)]
        wrapped(f"the rule leaves room from {ends[0]} to {ends[1]}")
    click.echo("\nwhy, in stops:")
    for reason in plan.reasons:
        wrapped(f"{reason.words} ({reason.mark})", f"  {reason.stops:+z6.2f}  ", "")
    if plan.others:
        click.echo("\nthe same at other stops:")
    for other in plan.others:
        wrapped(_told(other))
    click.echo()
    wrapped(f"{METER_NOTE[0].upper()}{METER_NOTE[1:]}.", indent="", hanging="")


def _ends(plan: ExposurePlan) -> tuple[Exposure | None, Exposure | None]:
    return plan.least, plan.most


def _told(exposure: Exposure) -> str:
    told = f"f/{exposure.f_number:g}  {exposure.camera}"
    off = exposure.camera.off_stops
    if abs(off) > _TOLD_OFF:
        told += f" ({abs(off):.1f} stops {'more' if off > 0 else 'less'} than wanted)"
    if exposure.given_s > exposure.metered_s * 1.005:
        from platebench.core.camera_time import camera_time

        told += f", for {camera_time(exposure.metered_s)} without reciprocity failure"
    return told


_LIGHTS = ("general", "summer-noon", "indoors", "sea-and-sky", "tungsten")


@click.command(
    "expose",
    cls=ExampledCommand,
    short_help="From a meter reading to the exposure a blue-sensitive plate is given.",
    examples=(
        "platebench expose --ev 14 --f 16 --light summer-noon",
        "platebench expose --meter-f 8 --meter-time 1/30 --light indoors --f 11",
        "platebench expose --ev 9 --f 22 --extension 300 --focal 210 --p 0.86",
        "platebench expose --ev 6 --f 16 --table my-batch.csv --json",
    ),
)
@click.option("--ev", type=Amount(-20, 30), metavar="EV", help="Metered exposure value.")
@click.option("--meter-f", type=Amount(0.5, 1000), metavar="N", help="Metered f-number.")
@click.option("--meter-time", type=Time(), metavar="TIME", help="Metered time, such as 1/30.")
@click.option(
    "--meter-iso",
    type=Amount(0.1, 1e7),
    metavar="ISO",
    default=100.0,
    help="What the meter is set to.  [default: 100]",
)
@click.option(
    "--f", "f_number", type=Amount(0.5, 1000), metavar="N", help="Aperture.  [default: as metered]"
)
@click.option(
    "--rating", type=Amount(0.001, 1e4), metavar="ISO", help="Rating of the plate.  [default: 2]"
)
@click.option(
    "--light",
    type=click.Choice(_LIGHTS),
    default="general",
    metavar="KIND",
    help=f"Kind of light, each with a rule of common practice: {', '.join(_LIGHTS)}.  "
    "[default: general]",
)
@click.option(
    "--stops",
    type=Amount(-20, 20),
    metavar="N",
    default=0.0,
    help="Stops of your own to add: a filter, experience; below 0 takes off.",
)
@click.option(
    "--extension",
    type=Length(),
    metavar="LENGTH",
    help="Distance of lens and plate: 300 (mm), 30cm or 12in.",
)
@click.option("--focal", type=Length(), metavar="LENGTH", help="Focal length of the lens.")
@click.option("--p", type=Amount(0.5, 1), metavar="P", help="Schwarzschild exponent of your batch.")
@click.option("--plus-one", is_flag=True, help="With --p: the form with t + 1 s.")
@click.option("--added", type=Amount(0, 10), metavar="A", help="Give t + A * t**1.62 instead.")
@click.option(
    "--table",
    type=A_PATH,
    metavar="CSV",
    help="Your own tests: a file with the columns metered_s and given_s.",
)
@click.option("--no-reciprocity", is_flag=True, help="Give the time as metered, however long.")
@talk_options
def command(as_json: bool, quiet: bool, **said: object) -> None:
    """Work out the exposure for a blue-sensitive plate.

    Give what the meter reads, as --ev or as --meter-f and --meter-time. Long times are corrected
    by a rule of common practice (nothing to 1 minute, double from 2 minutes on) unless you give
    --p, --added, --table or --no-reciprocity. A first exposure, not a promise: these
    plates see light that no meter shows.
    """
    from platebench.exposing.exposure import exposure_to_give

    request = request_from_options(said)
    try:
        plan = exposure_to_give(request)
    except ValueError as error:
        raise click.UsageError(str(error)) from error
    if as_json:
        print_json(plan_to_json(plan))
    elif not quiet:
        show_plan(plan)
