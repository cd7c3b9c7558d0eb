"""``platebench expose``: from a meter reading to the exposure a plate is given."""

from __future__ import annotations

import click

from platebench.cli.options import A_PATH, ExampledCommand, print_json, talk_options
from platebench.cli.quantities import Amount, Length, Time
from platebench.cli.show_expose import plan_to_json, show_plan

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

    Say what the meter reads, as --ev or as --meter-f and --meter-time. Long times are corrected
    by a rule of common practice (nothing to 1 minute, double from 2 minutes on) unless --p,
    --added, --table or --no-reciprocity says otherwise. A first exposure, not a promise: these
    plates see light that no meter shows.
    """
    from platebench.cli.expose_request import request_from_options
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
