"""``platebench printing-time``: the shortest exposure that prints full black, from a test strip."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from platebench.cli.options import A_PATH, ExampledCommand, print_json, process_names, talk_options
from platebench.cli.print_options import (
    gamma_option,
    keep_in_option,
    known_option,
    printer_option,
    require_session,
)
from platebench.cli.quantities import Span
from platebench.cli.show import show_cautions, wrapped
from platebench.core.errors import PlateError

if TYPE_CHECKING:
    from platebench.printing.printing_time import PrintingTime
    from platebench.printing.process import Process
    from platebench.printing.strip_plan import StripPlan

_RECIPROCITY = (
    "Times in steps hold for a lamp that is warm and steady; the sun is not. The time holds for "
    "this film, lamp, distance, paper and coating."
)
_LONGEST_S = 86_400.0  # a day; nobody means a strip that takes longer
_GLOVES = "Switch the lamp off before you move the card. Gloves for whatever sensitises the paper."


def schedule_cautions() -> list[str]:
    """Return what to mind before a strip is exposed."""
    from platebench.core.cautions import CAUTIONS, FIRST

    return [FIRST, *CAUTIONS["ultraviolet"].lines(), _GLOVES]


def show_schedule(
    plan: StripPlan, *, timed: bool, process: str | None, files: Sequence[Path]
) -> None:
    """Print how to expose the strip."""
    from platebench.printing.printing_time import three_figures
    from platebench.printing.strip_plan import SHORTEST_S

    show_cautions(schedule_cautions())
    if not timed:
        click.echo("Expose each step by its factor times step 1; --first SECONDS lists the times.")
    else:
        click.echo("Cover step after step, from step 1 on, each after the time in the middle:")
        for step, (on, whole) in enumerate(zip(plan.card_s, plan.times_s, strict=True), start=1):
            click.echo(f"  step {step:>2}   after {on:7.1f} s more   exposed {whole:8.1f} s")
        of = f" --process {process}" if process else ""
        read = f"platebench printing-time SCAN --first {three_figures(plan.first_s)}{of}"
        click.echo(f"Read its scan with: {read}")
    if timed and plan.first_s < SHORTEST_S:
        wrapped(
            f"Step 1 takes {three_figures(plan.first_s)} s, too short for a card. Move the lamp "
            "away or lay tracing paper over the film until the guess is longer, and keep it so for "
            "the prints; or, if you are surer of the guess, say so with --within 1."
        )
    for path in files:
        click.echo(str(path))


def next_command(plan: StripPlan, process: str | None) -> str:
    """Return what to type for the strip to expose next."""
    from platebench.printing.printing_time import three_figures

    apart = "" if plan.stops < 1 else " --apart whole"
    of = f" --process {process}" if process else ""
    first = three_figures(plan.first_s)
    return (
        f"platebench printing-time --strip charts --first {first} --steps {plan.steps}{apart}{of}"
    )


def show_found(found: PrintingTime, process: str | None, files: Sequence[Path]) -> None:
    """Print the standard printing time, and the exposure scale where the strip shows it."""
    from platebench.printing.printing_time import three_figures

    within = 10 ** (found.step / 2)
    low, high = (three_figures(found.seconds * factor) for factor in (1 / within, within))
    click.echo(f"standard printing time  {three_figures(found.seconds)} s ({low} to {high} s)")
    click.echo(f"full black              {found.d_max:.2f} D above paper white")
    click.echo(f"tolerance               {found.tolerance:g} D below it")
    if found.scale is not None and found.first_tint_s is not None:
        click.echo(
            f"first tint              {three_figures(found.first_tint_s)} s (0.04 D: ISO 6846)"
        )
        click.echo(
            f"exposure scale          {found.scale:.2f} \N{PLUS-MINUS SIGN} "
            f"{found.step / 2:.2f} log units, first tint to full black"
        )
        click.echo(f"ISO range R             {found.iso_r} (to 90 % of full black)")
    for note in found.notes:
        wrapped(f"{note[0].upper()}{note[1:]}.")
    if found.next_strip is not None:
        click.echo(f"To know more: {next_command(found.next_strip, process)}")
    wrapped(_RECIPROCITY)
    for path in files:
        click.echo(str(path))


def schedule_to_json(plan: StripPlan, *, timed: bool, files: Sequence[Path]) -> dict[str, Any]:
    """Return the schedule as JSON types."""
    return {
        "steps": plan.steps,
        "stops_apart": plan.stops,
        "times_s" if timed else "factors": [round(t, 3) for t in plan.times_s],
        "files": [str(path) for path in files],
        "cautions": schedule_cautions(),
    }


def found_to_json(found: PrintingTime, files: Sequence[Path]) -> dict[str, Any]:
    """Return what a strip says as JSON types."""
    rounded = {
        "printing_time_s": found.seconds,
        "d_max": found.d_max,
        "tolerance": found.tolerance,
        "first_tint_s": found.first_tint_s,
        "exposure_scale": found.scale,
        "step": found.step,
    }
    following = found.next_strip
    return {
        **{k: None if v is None else round(v, 4) for k, v in rounded.items()},
        "iso_r": found.iso_r,
        "times_s": [round(t, 3) for t in found.times_s],
        "density": [round(d, 4) for d in found.density],
        "next_strip": None
        if following is None
        else {
            "first_s": round(following.first_s, 4),
            "steps": following.steps,
            "stops_apart": following.stops,
        },
        "notes": list(found.notes),
        "files": [str(path) for path in files],
    }


if TYPE_CHECKING:
    from platebench.printing.scan_gamma import KnownPatch


@click.command(
    "printing-time",
    cls=ExampledCommand,
    short_help="Find the standard printing time from a test strip.",
    examples=(
        "platebench printing-time --strip charts --process salted-paper --about 600",
        "platebench printing-time strip.tif --first 15 --process salted-paper",
        "platebench printing-time readings.csv",
    ),
)
@click.argument("readings", required=False, type=A_PATH)
@click.option("--strip", type=A_PATH, metavar="FOLDER", help="Write the test strip's film into "
    "this folder, and list when to cover which step.")  # fmt: skip
@click.option("--about", type=Span(0.1, 1_000_000), metavar="SECONDS",
    help="Your guess at the time for full black: plans the sheet.")  # fmt: skip
@click.option("--within", type=Span(0.5, 4), default=2.5, metavar="STOPS", show_default=True,
    help="How far that guess may be off, either way.")  # fmt: skip
@click.option("--first", type=Span(0.01, 100_000), metavar="SECONDS",
    help="Time of step 1.")  # fmt: skip
@click.option("--steps", type=click.IntRange(7, 21), metavar="N",
    help="Steps on the sheet.  [default: as many as the process needs]")  # fmt: skip
@click.option("--apart", type=click.Choice(["half", "whole"]), metavar="STOP",
    help="half or whole: the stop from step to step.  [default: half]")  # fmt: skip
@click.option(
    "--tolerance",
    type=Span(0.005, 0.3),
    default=0.03,
    metavar="D",
    show_default=True,
    help="Density below the strip's darkest step that still counts as full black.",
)
@click.option(
    "--process",
    metavar="NAME",
    shell_complete=process_names,
    help="With a sheet: plan it for this process. With readings: keep the exposure scale in its "
    "profile.",
)
@keep_in_option
@gamma_option
@known_option
@printer_option
@talk_options
def command(
    readings: Path | None,
    strip: Path | None,
    about: float | None,
    within: float,
    first: float | None,
    steps: int | None,
    apart: str | None,
    tolerance: float,
    process: str | None,
    session: Path | None,
    gamma: float,
    known: KnownPatch | None,
    ppi: float,
    as_json: bool,
    quiet: bool,
) -> None:
    """Read a test strip from READINGS: a scan of its print, or a table of time_s,density.

    The strip is exposed in steps through clear film, so the film's own base counts in. The
    standard printing time is the shortest that prints full black; every step chart and print
    negative is exposed by it. A strip that begins white gives the exposure scale, too.
    """
    from platebench.cli.terminal_progress import progress_for
    from platebench.printing.exposure_strip import keep_scale, read_printing_time, write_strip
    from platebench.printing.printing_time import MisplacedStripError
    from platebench.printing.process_file import FOLDER, load_process, process_folders

    not_kept: PlateError | None = None
    if (readings is None) == (strip is None):
        raise click.UsageError("give a scan or table to read, or --strip FOLDER to write a strip")
    require_session(session)
    user = Path(click.get_app_dir("platebench"))
    folders, into = process_folders(session, user), (session or user) / FOLDER
    of = None if process is None else load_process(process, folders)
    if strip is not None:
        plan = _planned(of, about, within, first, steps, apart)
        timed = first is not None or about is not None
        files = write_strip(strip, plan, ppi, progress_for(quiet))
        if as_json:
            print_json(schedule_to_json(plan, timed=timed, files=files))
        elif not quiet:
            show_schedule(plan, timed=timed, process=process, files=files)
        return
    assert readings is not None  # one of the two, see above
    try:
        found = read_printing_time(
            readings, first, tolerance=tolerance, gamma=gamma, known=known, process=of
        )
    except MisplacedStripError as error:
        if error.next_strip.times_s[-1] > _LONGEST_S:
            click.echo(
                "First look at lamp, coating, and which side of the film lay down.", err=True
            )
        else:
            click.echo(f"Expose next: {next_command(error.next_strip, process)}", err=True)
        raise
    files = ()
    try:
        files = () if process is None else keep_scale(found, process, folders, into)
    except PlateError as error:  # what was read is reported all the same
        not_kept = error
    if as_json:
        print_json(found_to_json(found, files))
    elif not quiet:
        show_found(found, process, files)
    if not_kept is not None:
        raise not_kept


def _planned(
    process: Process | None,
    about: float | None,
    within: float,
    first: float | None,
    steps: int | None,
    apart: str | None,
) -> StripPlan:
    """Return the strip asked for, what was left open planned."""
    from platebench.printing.strip_plan import ANY_SCALE, plan_from, plan_strip, scale_range

    scale = ANY_SCALE if process is None else scale_range(process.scales)
    if about is not None:
        if (first, steps, apart) != (None, None, None):
            raise click.UsageError("give --about and have the strip planned, or plan it yourself")
        return plan_strip(about, within, scale)
    plan = plan_from(1.0 if first is None else first, scale)
    stops = {"half": 0.5, "whole": 1.0}.get(apart or "", plan.stops)
    return replace(plan, steps=steps or plan.steps, stops=stops)
