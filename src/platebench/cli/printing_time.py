"""``platebench printing-time``: the shortest exposure that prints full black, from a test strip."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from platebench.cli.complete import process_names
from platebench.cli.options import A_PATH, ExampledCommand, print_json, talk_options
from platebench.cli.quantities import Span
from platebench.cli.scan_options import (
    gamma_option,
    keep_in_option,
    known_option,
    printer_option,
    require_session,
)
from platebench.errors import PlateError

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
    "this folder, and say when to cover which step.")  # fmt: skip
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
    from platebench.cli import show_printing_time as show
    from platebench.cli.terminal_progress import progress_for
    from platebench.printing.printing_job import keep_scale, read_printing_time, write_strip
    from platebench.printing.process_file import FOLDER, load_process, process_folders

    not_kept: PlateError | None = None
    if (readings is None) == (sheet is None):
        raise click.UsageError("give a scan or table to read, or --sheet FOLDER to write a strip")
    if sheet is not None:
        files = write_strip(sheet, steps, ppi, progress_for(quiet))
        told = show.schedule_to_json(first, steps, files) if as_json else None
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
        told = show.found_to_json(found, files) if as_json else None
    if told is not None:
        print_json(told)
    elif not quiet and sheet is not None:
        show.show_schedule(first, steps, files)
    elif not quiet:
        show.show_found(found, files)
    if not_kept is not None:
        raise not_kept
