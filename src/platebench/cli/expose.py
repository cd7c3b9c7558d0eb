"""``platebench expose``: from a meter reading to the exposure a plate is given."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from platebench.cli.options import (
    A_PATH,
    ExampledCommand,
    F,
    plate_ids,
    print_json,
    talk_options,
)
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
    from platebench.exposing.own_advice import OwnAdvice

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


def advice_to_json(advice: OwnAdvice | None) -> dict[str, Any]:
    """Return what one's own plates advise as JSON types."""
    from platebench.exposing.own_speed_file import offset_to_json

    if advice is None:
        return {"own_speed": None}
    return {
        "own_speed": {
            **offset_to_json(advice.offset),
            "plates": advice.plates,
            "shift_stops": rounded(advice.shift, 3),
            "exposure": _exposure_to_json(advice.exposure),
            "pair": [_exposure_to_json(one) for one in advice.pair],
            "reciprocity": {"what": advice.reciprocity.words, "mark": advice.reciprocity.mark},
        }
    }


def show_advice(advice: OwnAdvice, light: str) -> None:
    """Print the exposure by one's own plates, or the pair while these are not enough."""
    from platebench.exposing.own_advice import offset_in_words

    if advice.pair:
        wrapped(f"give a pair: {told(advice.pair[0])}; and {told(advice.pair[1])}", indent="")
    else:
        wrapped(f"give {told(advice.exposure)}, by your own plates", indent="")
    wrapped(offset_in_words(advice, light))
    if advice.plates:
        wrapped(f"{advice.reciprocity.words} ({advice.reciprocity.mark})")
    click.echo("\nby rule alone:")


def show_plan(plan: ExposurePlan) -> None:
    """Print the exposure, the reasons with their marks, and other stops."""
    from platebench.exposing.exposure import METER_NOTE

    wrapped(f"give {told(plan.exposure)}", indent="")
    if plan.least != plan.most:
        ends = [str(end.camera) if end else "longer than is known" for end in _ends(plan)]
        wrapped(f"the rule leaves room from {ends[0]} to {ends[1]}")
    click.echo("\nwhy, in stops:")
    for reason in plan.reasons:
        wrapped(f"{reason.words} ({reason.mark})", f"  {reason.stops:+z6.2f}  ", "")
    if plan.others:
        click.echo("\nthe same at other stops:")
    for other in plan.others:
        wrapped(told(other))
    click.echo()
    wrapped(f"{METER_NOTE[0].upper()}{METER_NOTE[1:]}.", indent="", hanging="")


def _ends(plan: ExposurePlan) -> tuple[Exposure | None, Exposure | None]:
    return plan.least, plan.most


def told(exposure: Exposure) -> str:
    """Say what to set: aperture and time."""
    said = f"f/{exposure.f_number:g}  {exposure.camera}"
    off = exposure.camera.off_stops
    if abs(off) > _TOLD_OFF:
        said += f" ({abs(off):.1f} stops {'more' if off > 0 else 'less'} than wanted)"
    if exposure.given_s > exposure.metered_s * 1.05:
        from platebench.core.camera_time import camera_time

        said += f", for {camera_time(exposure.metered_s)} without reciprocity failure"
    return said


_LIGHTS = ("general", "summer-noon", "indoors", "sea-and-sky", "tungsten")
_METERED_ON = ("average", "white", "spot", "incident")


def own_advice_from(
    said: Mapping[str, Any], request: ExposureRequest, plan: ExposurePlan, *, shift: float = 0.0
) -> OwnAdvice | None:
    """Return the advice of one's own plates; None where no file of them is named.

    Raises
    ------
    click.UsageError
        If a rating says the same.
    ReadingsError
        If the file cannot be used.
    """
    from platebench.exposing.own_advice import own_advice
    from platebench.exposing.own_speed_file import load_own_speed
    from platebench.session.plates_made import airmass_at

    if said["own_speed"] is None:
        return None
    if request.rating is not None:
        raise click.UsageError("--rating and --own-speed say the same: give one")
    made, own = load_own_speed(said["own_speed"])
    day = said["day"].date().isoformat() if said["day"] else ""
    given = any(said[name] is not None for name in ("p", "added", "table"))
    return own_advice(
        request,
        plan,
        own,
        batch=said["batch"] or "",
        metered_on=said["metered_on"] or "",
        airmass=airmass_at(day, _hour(said), made.place),
        own_reciprocity=given or said["no_reciprocity"],
        shift=shift,
    )


def _hour(said: Mapping[str, Any]) -> str:
    from platebench.plate_log.cells import BadCell, read_hour

    try:
        return read_hour(said["hour"]) if said["hour"] else ""
    except BadCell as error:
        raise click.UsageError(f"--hour {error.what}; {error.remedy}") from error


def log_exposure(
    said: Mapping[str, Any],
    request: ExposureRequest,
    plan: ExposurePlan,
    advice: OwnAdvice | None,
    also: Mapping[str, str | float] | None = None,
    *,
    given: bool = True,
) -> tuple[Path, tuple[str, ...]] | None:
    """Write the exposure into the plate log; None where no log was named.

    Without ``given`` the time is a plan: only what was metered goes in.

    Raises
    ------
    click.UsageError
        If the plate or the log is not named.
    SettingsFileError, BadSettingError, BadSettingsError, WriteError
        As the log has it.
    """
    from platebench.core.plate_names import fault_of_id
    from platebench.plate_log.fill_log import fill_plate_log
    from platebench.plate_log.read_log import FILE_NAME

    log, plate = said["log"], said["plate"].strip()
    if log is None and not plate:
        return None
    if log is None or not plate:
        raise click.UsageError("--log and --plate go together: which plate, in which session's log")
    if fault := fault_of_id(plate):
        raise click.UsageError(f"--plate {fault}")
    path = log / FILE_NAME if log.is_dir() else log
    if not path.exists() and not log.is_dir():
        raise click.UsageError(f"--log {log} is not there; name a session's folder")
    chosen = advice.exposure if advice else plan.exposure
    sure = given and not (advice and advice.pair)
    seconds = said.get("given") or (chosen.camera.seconds if sure else None)
    values: dict[str, str | float | None] = {
        "date": said["day"].date().isoformat() if said["day"] else None,
        "metered_s": plan.exposure.metered_s,
        "given_s": seconds,
        "f_number": request.f_number,
        "bellows_mm": request.extension_mm,
        "focal_mm": request.focal_mm,
        "meter_ev": request.ev100,
        "light_kind": request.light,
        "hour": _hour(said) or None,
        "batch": said["batch"] or None,
        "metered_on": said["metered_on"] or None,
        **(also or {}),
    }
    known = {key: value for key, value in values.items() if value is not None}
    return path, fill_plate_log(path, plate, known)


def show_logged(logged: tuple[Path, tuple[str, ...]] | None) -> None:
    """Print what was written into the log."""
    if logged is not None:
        wrapped(f"written into {logged[0]}: {', '.join(logged[1]) or 'nothing new'}", indent="")


def logged_to_json(logged: tuple[Path, tuple[str, ...]] | None) -> dict[str, Any]:
    """Return what was written into the log as JSON types."""
    return {
        "log": None if logged is None else str(logged[0]),
        "filled": [] if logged is None else list(logged[1]),
    }


def _all_of(*options: Callable[[Any], Any]) -> Callable[[F], F]:
    """Return one decorator for several options, in their order."""

    def add(function: F) -> F:
        for option in reversed(options):
            function = option(function)
        return function

    return add


exposure_options = _all_of(
    click.option("--ev", type=Amount(-20, 30), metavar="EV", help="Metered exposure value."),
    click.option("--meter-f", type=Amount(0.5, 1000), metavar="N", help="Metered f-number."),
    click.option("--meter-time", type=Time(), metavar="TIME", help="Metered time, such as 1/30."),
    click.option(
        "--meter-iso",
        type=Amount(0.1, 1e7),
        metavar="ISO",
        default=100.0,
        help="What the meter is set to.  [default: 100]",
    ),
    click.option(
        "--f",
        "f_number",
        type=Amount(0.5, 1000),
        metavar="N",
        help="Aperture.  [default: as metered]",
    ),
    click.option(
        "--rating",
        type=Amount(0.001, 1e4),
        metavar="ISO",
        help="Rating of the plate.  [default: 2]",
    ),
    click.option(
        "--light",
        type=click.Choice(_LIGHTS),
        default="general",
        metavar="KIND",
        help=f"Kind of light, each with a rule of common practice: {', '.join(_LIGHTS)}.  "
        "[default: general]",
    ),
    click.option(
        "--stops",
        type=Amount(-20, 20),
        metavar="N",
        default=0.0,
        help="Stops of your own to add: a filter, experience; below 0 takes off.",
    ),
    click.option(
        "--extension",
        type=Length(),
        metavar="LENGTH",
        help="Distance of lens and plate: 300 (mm), 30cm or 12in.",
    ),
    click.option("--focal", type=Length(), metavar="LENGTH", help="Focal length of the lens."),
    click.option(
        "--p", type=Amount(0.5, 1), metavar="P", help="Schwarzschild exponent of your batch."
    ),
    click.option("--plus-one", is_flag=True, help="With --p: the form with t + 1 s."),
    click.option("--added", type=Amount(0, 10), metavar="A", help="Give t + A * t**1.62 instead."),
    click.option(
        "--table",
        type=A_PATH,
        metavar="CSV",
        help="Your own tests: a file with the columns metered_s and given_s.",
    ),
    click.option("--no-reciprocity", is_flag=True, help="Give the time as metered, however long."),
    click.option(
        "--own-speed",
        type=A_PATH,
        metavar="FILE",
        help="What your finished plates say: the own-speed.json of own-speed.",
    ),
    click.option("--batch", metavar="TEXT", help="What the plate was coated from."),
    click.option(
        "--metered-on",
        type=click.Choice(_METERED_ON),
        metavar="WHAT",
        help=f"What the meter was pointed at: {', '.join(_METERED_ON)}.",
    ),
    click.option(
        "--day",
        type=click.DateTime(["%Y-%m-%d"]),
        metavar="DATE",
        help="Day of the exposure.",
    ),
    click.option("--hour", metavar="HH:MM", help="Hour of the exposure."),
    click.option(
        "--given",
        type=Time(),
        metavar="TIME",
        help="With --log: what you gave, if that is something else than the advice.",
    ),
)
"""What is known of the light, the lens and the plate; ``plan-plate`` has the same."""
log_options = _all_of(
    click.option(
        "--log",
        type=A_PATH,
        metavar="SESSION",
        help="Write the exposure into this session's plate log, plates.csv.",
    ),
    click.option(
        "--plate",
        default="",
        metavar="ID",
        shell_complete=plate_ids,
        help="With --log: the plate.",
    ),
)
"""Where the exposure is written down."""


@click.command(
    "expose",
    cls=ExampledCommand,
    short_help="From a meter reading to the exposure a blue-sensitive plate is given.",
    examples=(
        "platebench expose --ev 14 --f 16 --light summer-noon",
        "platebench expose --meter-f 8 --meter-time 1/30 --light indoors --f 11",
        "platebench expose --ev 9 --f 22 --extension 300 --focal 210 --p 0.86",
        "platebench expose --ev 6 --f 16 --table my-batch.csv --json",
        "platebench expose --ev 13 --f 16 --own-speed shelf-3/own-speed.json --batch 14",
        "platebench expose --ev 13 --f 16 --log shelf-4 --plate 12 --hour 10:20",
    ),
)
@exposure_options
@log_options
@talk_options
def command(as_json: bool, quiet: bool, **said: Any) -> None:
    """Work out the exposure for a blue-sensitive plate.

    Give what the meter reads, as --ev or as --meter-f and --meter-time. Long times are corrected
    by a rule of common practice (nothing to 1 minute, double from 2 minutes on) unless you give
    --p, --added, --table or --no-reciprocity. A first exposure, not a promise: these
    plates see light that no meter shows. With --own-speed your finished plates have the word; with
    --log the exposure goes into the plate log, and own-speed learns from it later.
    """
    from platebench.exposing.exposure import exposure_to_give

    request = request_from_options(said)
    try:
        plan = exposure_to_give(request)
        advice = own_advice_from(said, request, plan)
    except ValueError as error:
        raise click.UsageError(str(error)) from error
    logged = log_exposure(said, request, plan, advice)
    if as_json:
        print_json(plan_to_json(plan) | advice_to_json(advice) | logged_to_json(logged))
    elif not quiet:
        if advice is not None:
            show_advice(advice, request.light)
        show_plan(plan)
        show_logged(logged)
