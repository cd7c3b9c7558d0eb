"""``platebench printing-time``: the shortest exposure that prints full black, from a test strip."""

from __future__ import annotations

from collections.abc import Sequence
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

_RECIPROCITY = (
    "Times in steps hold for a lamp that is warm and steady; the sun is not. The time holds for "
    "this film, lamp, distance, paper and coating."
)
_GLOVES = "Switch the lamp off before you move the card. Gloves for whatever sensitises the paper."


def schedule_cautions() -> list[str]:
    """Return what to mind before a strip is exposed."""
    from platebench.core.cautions import CAUTIONS, FIRST

    return [FIRST, *CAUTIONS["ultraviolet"].lines(), _GLOVES]


def show_schedule(first_s: float | None, steps: int, files: Sequence[Path]) -> None:
    """Print how to expose the strip."""
    from platebench.printing.exposure_strip import card_times, strip_times

    show_cautions(schedule_cautions())
    if first_s is None:
        click.echo("Expose each step by its factor times step 1; --first SECONDS lists the times.")
    else:
        click.echo("Cover step after step, from step 1 on, each after the time in the middle:")
        times = zip(card_times(first_s, steps), strip_times(first_s, steps), strict=True)
        for step, (on, whole) in enumerate(times, start=1):
            click.echo(f"  step {step:>2}   after {on:7.1f} s more   exposed {whole:8.1f} s")
    for path in files:
        click.echo(str(path))


def show_found(found: PrintingTime, files: Sequence[Path]) -> None:
    """Print the standard printing time, and the exposure scale where the strip shows it."""
    from platebench.printing.printing_time import three_figures

    click.echo(f"standard printing time  {three_figures(found.seconds)} s")
    click.echo(f"full black              {found.d_max:.2f} D above paper white")
    click.echo(f"tolerance               {found.tolerance:g} D below it")
    if found.scale is not None and found.first_tint_s is not None:
        click.echo(
            f"first tint              {three_figures(found.first_tint_s)} s (0.04 D: ISO 6846)"
        )
        click.echo(f"exposure scale          {found.scale:.2f} log units, first tint to full black")
        click.echo(f"ISO range R             {found.iso_r} (to 90 % of full black)")
    for note in found.notes:
        wrapped(f"{note[0].upper()}{note[1:]}.")
    wrapped(_RECIPROCITY)
    for path in files:
        click.echo(str(path))


def schedule_to_json(first_s: float | None, steps: int, files: Sequence[Path]) -> dict[str, Any]:
    """Return the schedule as JSON types."""
    from platebench.printing.exposure_strip import strip_times

    times = strip_times(1.0 if first_s is None else first_s, steps)
    name = "factors" if first_s is None else "times_s"
    return {
        name: [round(t, 3) for t in times],
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
    }
    return {
        **{k: None if v is None else round(v, 4) for k, v in rounded.items()},
        "iso_r": found.iso_r,
        "times_s": [round(t, 3) for t in found.times_s],
        "density": [round(d, 4) for d in found.density],
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
        "platebench printing-time --sheet charts --first 15",
        "platebench printing-time strip.tif --first 15 --process salted-paper",
        "platebench printing-time readings.csv",
    ),
)
@click.argument("readings", required=False, type=A_PATH)
@click.option("--sheet", type=A_PATH, metavar="FOLDER", help="Write the test strip's film into "
    "this folder, and list when to cover which step.")  # fmt: skip
@click.option("--first", type=Span(0.01, 100_000), metavar="SECONDS",
    help="Time of step 1.")  # fmt: skip
@click.option("--steps", type=click.IntRange(7, 21), default=15, metavar="N", show_default=True,
    help="Steps of half a stop on the sheet.")  # fmt: skip
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
    help="Keep the exposure scale found in this process's profile.",
)
@keep_in_option
@gamma_option
@known_option
@printer_option
@talk_options
def command(
    readings: Path | None,
    sheet: Path | None,
    first: float | None,
    steps: int,
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
    from platebench.printing.process_file import FOLDER, load_process, process_folders

    not_kept: PlateError | None = None
    if (readings is None) == (sheet is None):
        raise click.UsageError("give a scan or table to read, or --sheet FOLDER to write a strip")
    if sheet is not None:
        files = write_strip(sheet, steps, ppi, progress_for(quiet))
        told = schedule_to_json(first, steps, files) if as_json else None
    else:
        assert readings is not None  # one of the two, see above
        require_session(session)
        user = Path(click.get_app_dir("platebench"))
        folders, into = process_folders(session, user), (session or user) / FOLDER
        of = None if process is None else load_process(process, folders)
        found = read_printing_time(
            readings, first, tolerance=tolerance, gamma=gamma, known=known, process=of
        )
        files = ()
        try:
            files = () if process is None else keep_scale(found, process, folders, into)
        except PlateError as error:  # what was read is reported all the same
            not_kept = error
        told = found_to_json(found, files) if as_json else None
    if told is not None:
        print_json(told)
    elif not quiet and sheet is not None:
        show_schedule(first, steps, files)
    elif not quiet:
        show_found(found, files)
    if not_kept is not None:
        raise not_kept
