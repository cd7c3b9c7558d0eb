"""``platebench develop-log``: note how a plate was developed; or print the checklist."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from platebench.cli.options import A_PATH, ExampledCommand, plate_ids, print_json, talk_options
from platebench.cli.quantities import Bath, BathTime
from platebench.cli.show import show_cautions, wrapped

if TYPE_CHECKING:
    from platebench.exposing.develop_log import Developed
    from platebench.exposing.processing import Step


def steps_to_json(steps: Sequence[Step]) -> dict[str, Any]:
    """Return the steps and the cautions as JSON types."""
    return {
        "steps": [
            {
                "step": step.name,
                "time_s": step.time_s,
                "at_least": step.at_least,
                "temperature_c": step.temperature_c,
                "how": step.how,
                "mark": step.mark,
                "limits": {key: getattr(step.limits, key) for key in step.limits.__slots__},
            }
            for step in steps
        ],
        "cautions": _cautions(),
    }


def developed_to_json(
    developed: Developed, steps: Sequence[Step], log: Path | None
) -> dict[str, Any]:
    """Return a developed plate as JSON types."""
    from platebench.exposing.develop_log import warnings_of

    return {
        "plate": developed.plate_id,
        "date": developed.day.isoformat(),
        "note": developed.note,
        "steps": [
            {"step": done.name, "time_s": done.time_s, "temperature_c": done.temperature_c}
            for done in developed.steps
        ],
        "warnings": list(warnings_of(developed, steps)),
        "log": str(log) if log else None,
        "cautions": _cautions(),
    }


def _cautions() -> list[str]:
    from platebench.exposing.processing import cautions

    return list(cautions())


def show_developed(
    developed: Developed, steps: Sequence[Step], log: Path | None, *, quiet: bool
) -> None:
    """Print what was noted against what was aimed at, warnings, and the cautions."""
    from platebench.core.camera_time import time_in_words
    from platebench.exposing.develop_log import warnings_of

    for warning in warnings_of(developed, steps):
        click.echo(f"Warning: plate {developed.plate_id}: {warning}", err=True)
    if quiet:
        return
    show_cautions(_cautions())
    aims = {step.name: f"{step.aim()} ({step.mark})" for step in steps}
    click.echo(f"plate {developed.plate_id}, {developed.day.isoformat()}")
    for done in developed.steps:
        heat = "" if done.temperature_c is None else f" at {done.temperature_c:g} °C"
        told = f"{time_in_words(done.time_s)}{heat}"
        wrapped(f"{done.name:<8} {told:<20} aim: {aims[done.name]}")
    click.echo(f"added to {log}" if log else "not written: name a log to keep it")


_STEPS = ("develop", "rinse", "fix", "wash", "dry")
_NO_CONTROLS = "write one line without control characters"


def _step_options(function: click.decorators.FC) -> click.decorators.FC:
    for name in reversed(_STEPS):
        help_text = f"How long, and how warm, the step {name!r} was: 5m@20, 12h."
        function = click.option(f"--{name}", type=Bath(), help=help_text)(function)
    return function


@click.command(
    "develop-log",
    cls=ExampledCommand,
    short_help="Note how a plate was developed, or print the checklist.",
    examples=(
        "platebench develop-log --checklist",
        "platebench develop-log shelf-3 --plate 12 --develop 5m@20 --fix 5m@20",
        "platebench develop-log log.csv --plate 12 --wash 12m --dry 14h",
    ),
)
@click.argument("log", type=A_PATH, required=False)
@click.option(
    "--plate", default="", metavar="ID", shell_complete=plate_ids, help="Name of the plate."
)
@_step_options
@click.option("--note", default="", metavar="TEXT", help="Developer, dilution, anything else.")
@click.option(
    "--day", type=click.DateTime(["%Y-%m-%d"]), metavar="DATE", help="Day.  [default: today]"
)
@click.option(
    "--limits",
    type=A_PATH,
    metavar="TOML",
    help="Your own times and limits.  [default: developing.toml in your settings folder]",
)
@click.option("--checklist", "only_checklist", is_flag=True, help="Print the checklist only.")
@talk_options
def command(
    log: Path | None,
    plate: str,
    note: str,
    day: datetime | None,
    limits: Path | None,
    only_checklist: bool,
    as_json: bool,
    quiet: bool,
    **baths: BathTime | None,
) -> None:
    """Add how a plate was developed to LOG, a CSV file, and warn of what is outside your limits.

    LOG may be a session's folder: developing.csv in it goes with the plate log, plates.csv, into
    pictures, reports and archives.

    Without LOG nothing is written: the steps are checked and shown. With --checklist the steps
    and the cautions are printed, to take into the darkroom.
    """
    from platebench.core.plate_names import as_text
    from platebench.exposing.develop_log import FILE_NAME, Developed, append_to_log
    from platebench.exposing.processing import (
        LIMITS_FILE,
        StepDone,
        checklist,
        load_limits,
        steps_from,
    )

    own = Path(click.get_app_dir("platebench")) / LIMITS_FILE
    steps = load_limits(limits) if limits else steps_from([own])
    if only_checklist:
        print_json(steps_to_json(steps)) if as_json else click.echo(
            checklist(steps, plate_id=plate)
        )
        return
    plate, note = as_text(plate), as_text(note)
    if not (plate.isprintable() and note.isprintable()):
        raise click.UsageError(f"--plate or --note: {_NO_CONTROLS}")
    done = tuple(StepDone(name=n, time_s=b[0], temperature_c=b[1]) for n, b in baths.items() if b)
    if not done or not plate.strip():
        raise click.UsageError("name the --plate and at least one step, or ask for --checklist")
    when = day.date() if day else date.today()
    developed = Developed(plate_id=plate, day=when, steps=done, note=note)
    if log and log.is_dir():
        log = log / FILE_NAME
    if log:
        append_to_log(log, developed, steps)
    if as_json:
        print_json(developed_to_json(developed, steps, log))
    else:
        show_developed(developed, steps, log, quiet=quiet)
