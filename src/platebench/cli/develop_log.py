"""``platebench develop-log``: note how a plate was developed; or print the checklist."""

from __future__ import annotations

from datetime import date, datetime
from pathlib import Path

import click

from platebench.cli.complete import plate_ids
from platebench.cli.options import A_PATH, ExampledCommand, print_json, talk_options
from platebench.cli.quantities import Bath, BathTime

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
    from platebench.cli.show_develop_log import developed_to_json, show_developed, steps_to_json
    from platebench.exposing.checklist import checklist
    from platebench.exposing.develop_log import FILE_NAME, Developed, append_to_log
    from platebench.exposing.limits_file import LIMITS_FILE, load_limits, steps_from
    from platebench.exposing.processing import StepDone
    from platebench.plate_names import as_text

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
