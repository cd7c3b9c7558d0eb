"""``platebench plan-plate``: from the print wanted back to exposure and developing time."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from platebench.cli.expose import (
    advice_to_json,
    exposure_options,
    log_exposure,
    logged_to_json,
    own_advice_from,
    plan_to_json,
    request_from_options,
    show_logged,
    told,
)
from platebench.cli.options import (
    A_PATH,
    ExampledCommand,
    plate_ids,
    print_json,
    process_names,
    session_argument,
    talk_options,
)
from platebench.cli.quantities import Amount
from platebench.cli.show import show_cautions, wrapped

if TYPE_CHECKING:
    from platebench.exposing.exposure import ExposurePlan, ExposureRequest
    from platebench.exposing.own_advice import OwnAdvice
    from platebench.exposing.plan_plate import PlatePlan
    from platebench.session.plan_session_plate import Came


def show_plate_plan(plan: PlatePlan, exposure: str, pair: tuple[str, str], why: str) -> None:
    """Print the plan: exposure, development, aims, and what small changes would do."""
    from platebench.core.camera_time import time_in_words
    from platebench.exposing.plan_plate import inspection_in_words

    wanted = plan.wanted
    times = [
        time_in_words(round(s / 5) * 5) for s in (plan.seconds, plan.shortest_s, plan.longest_s)
    ]
    if exposure:
        wrapped(f"expose {exposure}", indent="")
    wrapped(f"{'or a' if exposure else 'expose a'} pair: {' and '.join(pair)}", indent="")
    wrapped(why)
    wrapped(
        f"this aim asks for {plan.shift_stops:+z.1f} stop against the usual one: taken in "
        "(measured, your curves)"
    )
    click.echo(f"develop {times[0]} at {wanted.bath_c:g} °C, {times[1]} to {times[2]}")
    wrapped(f"gamma {plan.gamma:.2f}; at most {plan.gamma_infinity:.2f} (measured, your curves)")
    wrapped(f"by inspection: {inspection_in_words(plan)}")
    click.echo(
        f"aim: thin {plan.thin:.2f}, middle {plan.middle:.2f}, dense {plan.dense:.2f} D, range "
        f"{wanted.scale:.2f} +-{plan.range_sigma:.2f}"
    )
    thin = f"thinnest tone {plan.stop_more_thin:+z.2f} D"
    wrapped(f"one stop more: range {plan.stop_more:+z.2f} D, {thin}")
    wrapped(f"one degree warmer: range {plan.degree_warmer:+z.2f} D")
    for note in plan.notes:
        wrapped(note)


def show_came(came: Came) -> None:
    """Print what was planned beside what came."""
    click.echo(f"{'':<18}{'planned':>9}{'came':>9}")
    for name, planned, seen in came.rows:
        digits = 0 if name.endswith(", s") else 2
        click.echo(f"{name:<18}{planned:>9.{digits}f}{seen:>9.{digits}f}")
    for lesson in came.lessons:
        wrapped(lesson, indent="")


@click.command(
    "plan-plate",
    cls=ExampledCommand,
    short_help="Plan a plate for a print: exposure, developing time, a darkroom sheet.",
    examples=(
        "platebench plan-plate shelf-4 12 --process albumen --darkest 9 --lightest 15 \\\n"
        "      --f 16 --batch 14 --curves curves/curves.json",
        "platebench plan-plate shelf-4 12 --process albumen --subject street --ev 11 \\\n"
        "      --f 8 --batch 14 --curves curves/curves.json --bath 18",
        "platebench plan-plate shelf-4 12 --came",
    ),
)
@session_argument
@click.argument("plate_id", metavar="PLATE", shell_complete=plate_ids)
@click.option("--came", is_flag=True, help="Compare the converted plate with its plan.")
@click.option("--process", metavar="NAME", shell_complete=process_names,
    help="The print it is for.")  # fmt: skip
@click.option("--darkest", type=Amount(-20, 30), metavar="EV",
    help="Spot reading of the darkest place that shows detail.")  # fmt: skip
@click.option("--lightest", type=Amount(-20, 30), metavar="EV", help="And of the lightest.")
@click.option("--subject", metavar="CLASS", default="", help="Its class where it was not read: "
    "flat, portrait, landscape, street, contrasty, or your own word in the log.")  # fmt: skip
@click.option("--bath", type=Amount(5, 35), metavar="C", default=20.0,
    help="Temperature of the developer.  [default: 20]")  # fmt: skip
@click.option("--curves", multiple=True, type=A_PATH, metavar="FILE", help="A curves.json with "
    "the batch at two times or more; repeat for several.")  # fmt: skip
@click.option("--no-log", is_flag=True, help="Leave the plate log as it is.")
@exposure_options
@talk_options
def command(
    session: Path, plate_id: str, came: bool, as_json: bool, quiet: bool, **said: Any
) -> None:
    """Plan PLATE of SESSION for a printing process, back from the print.

    The plate's density range is to be the process's exposure scale. From the subject's range and
    the batch's curves follow gamma, developing time and exposure; a sheet and a card for the
    darkroom go into SESSION/plans, and the exposure into the plate log.
    """
    if came:
        from platebench.session.plan_session_plate import what_came

        found = what_came(session, plate_id)
        if as_json:
            print_json({"plate": plate_id, **found.to_json()})
        elif not quiet:
            show_came(found)
        return
    for name in ("process", "batch", "curves"):
        if not said[name]:
            raise click.UsageError(f"--{name} is missing: a plan rests on it")
    _plan(session, plate_id, said, as_json=as_json, quiet=quiet)


def _plan(
    session: Path, plate_id: str, said: dict[str, Any], *, as_json: bool, quiet: bool
) -> None:
    from platebench.core.errors import ReadingsError, SessionFolderError
    from platebench.core.plate_names import fault_of_id
    from platebench.exposing.own_advice import pair_about
    from platebench.exposing.plan_plate import NoPlanError, family_of, plan_plate
    from platebench.exposing.plan_plate import plan_to_json as plate_plan_to_json
    from platebench.exposing.processing import DEVELOPING, cautions
    from platebench.sensitometry.curve_file import load_curves
    from platebench.session.plan_session_plate import write_plan

    if fault := fault_of_id(plate_id):
        raise click.UsageError(f"PLATE {fault}")
    if not session.is_dir():
        what, remedy = "does not exist", "name the folder of the session"
        raise SessionFolderError(session, what, remedy)
    spots, meter = (said["darkest"], said["lightest"]), (said["ev"], said["meter_time"])
    if None not in spots and meter == (None, None):  # the plan aims at the middle of the two
        said |= {"ev": sum(spots) / 2, "metered_on": "spot"}
    curves = load_curves(said["curves"])
    try:
        plan = plan_plate(_wanted(session, said), family_of(curves, said["batch"]), said["batch"])
    except NoPlanError as error:
        raise ReadingsError(
            said["curves"][0], f"gives no plan: {error.what}", error.remedy
        ) from error
    request = request_from_options(said)
    by_rule, advice = _exposures(said, request, plan)
    exposure = "" if advice.pair else told(advice.exposure)
    less, more = pair_about(advice.exposure, advice.reciprocity)
    pair = told(less), told(more)
    also = {
        "subject": said["subject"] or None,
        "darkest_ev": said["darkest"],
        "lightest_ev": said["lightest"],
    }
    logged = None
    if not said["no_log"]:
        said |= {"log": session, "plate": plate_id}
        logged = log_exposure(said, request, by_rule, advice, also, given=False)
    document = plan_to_json(by_rule) | advice_to_json(advice)
    files = write_plan(session, plate_id, plan, exposure, pair, {"exposure": document})
    if as_json:
        document |= {"plan": plate_plan_to_json(plan), "files": [str(path) for path in files]}
        print_json(document | logged_to_json(logged) | {"cautions": list(cautions(DEVELOPING))})
    elif not quiet:
        show_cautions(cautions(DEVELOPING))
        show_plate_plan(plan, exposure, pair, _why(advice, request.light))
        show_logged(logged)
        for path in files:
            click.echo(str(path))


def _exposures(
    said: dict[str, Any], request: ExposureRequest, plan: PlatePlan
) -> tuple[ExposurePlan, OwnAdvice]:
    """Return the exposure by rule, and by one's own plates where a file of them is named."""
    from platebench.exposing.exposure import exposure_to_give
    from platebench.exposing.own_advice import own_advice
    from platebench.exposing.own_speed import fit_own_speed

    try:
        by_rule = exposure_to_give(request)
        advice = own_advice_from(said, request, by_rule, shift=plan.shift_stops)
        nobody = fit_own_speed([])
        return by_rule, advice or own_advice(request, by_rule, nobody, shift=plan.shift_stops)
    except ValueError as error:
        raise click.UsageError(str(error)) from error


def _why(advice: OwnAdvice, light: str) -> str:
    from platebench.exposing.own_advice import offset_in_words

    return offset_in_words(advice, light)


def _wanted(session: Path, said: dict[str, Any]) -> Any:
    """Return what the plate is for.

    Raises
    ------
    click.UsageError
        If the readings contradict one another or one is missing.
    MissingProfileError, SettingsError, ReadingsError
        If the process or the file of own speed cannot be read.
    """
    from platebench.exposing.own_speed_file import load_own_speed
    from platebench.exposing.plan_plate import Wanted
    from platebench.exposing.subject_range import (
        CLASSES,
        ENOUGH,
        UnknownClassError,
        range_of_class,
        range_of_readings,
    )
    from platebench.printing.process_file import load_process, process_folders

    user = Path(click.get_app_dir("platebench"))
    process = load_process(said["process"], process_folders(session, user))
    scale = process.scales[len(process.scales) // 2]
    spots = (said["darkest"], said["lightest"])
    if None not in spots:
        try:
            subject = range_of_readings(*spots)
        except ValueError as error:
            raise click.UsageError(str(error)) from error
    elif spots != (None, None):
        raise click.UsageError("--darkest and --lightest go together")
    else:
        seen = load_own_speed(said["own_speed"])[0].subjects if said["own_speed"] else ()
        try:
            subject = range_of_class(said["subject"], seen)
        except UnknownClassError as error:
            known = ", ".join(CLASSES)
            raise click.UsageError(
                f'--subject "{error.subject}" is no class of the book ({known}), and of your own '
                f"{error.seen} plates were seen, {ENOUGH} are needed; give spot readings"
            ) from error
    return Wanted(
        process=process.title,
        scale=scale.typical,
        scale_mark=f"grade {scale.grade}; {scale.marks()}" if scale.grade else scale.marks(),
        subject=subject,
        bath_c=said["bath"],
    )
