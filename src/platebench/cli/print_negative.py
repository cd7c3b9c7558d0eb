"""``platebench print-negative``: negatives for contact printing, at an exact size."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from platebench.cli.complete import plate_ids
from platebench.cli.options import (
    A_PATH,
    ExampledCommand,
    session_argument,
    talk_options,
    work_options,
)
from platebench.cli.print_options import PrintSides, film_options, process_option, size_options


@click.command(
    "print-negative",
    cls=ExampledCommand,
    short_help="Make negatives for contact printing by a process.",
    examples=(
        "platebench print-negative shelf-3 plate-07 --process salted-paper",
        "platebench print-negative shelf-3 plate-07 --process carbon --size 8x10in",
        "platebench print-negative shelf-3 edited/07.tif --process albumen --enlarge 2",
    ),
)
@session_argument
@click.argument("plates", nargs=-1, required=True, metavar="PLATE...", shell_complete=plate_ids)
@process_option
@size_options
@film_options
@click.option(
    "--aim",
    type=click.Choice(("positive", "facsimile")),
    default="positive",
    help="positive: print what the toned positive shows. facsimile: the plate's own densities, "
    "stretched or squeezed to the process.  [default: positive]",
)
@click.option(
    "--sharpness", is_flag=True, help="Measure what the capture resolves before judging the size."
)
@click.option(
    "--output",
    type=A_PATH,
    metavar="FOLDER",
    help="Folder of the negatives.  [default: SESSION/print-negatives]",
)
@work_options
@talk_options
@click.pass_context
def command(
    ctx: click.Context,
    session: Path,
    plates: tuple[str, ...],
    process: str,
    size: PrintSides,
    ppi: float,
    contact: Any,
    margins: Any,
    aim: Any,
    sharpness: bool,
    output: Path | None,
    jobs: int | None,
    memory: int | None,
    as_json: bool,
    quiet: bool,
) -> None:
    """Write print negatives of PLATES, ids of converted plates or paths of positives.

    SESSION/print-negatives gets a 16-bit TIFF and a PDF of exactly the film's size, with marks,
    ruler and wedge; a picture of the print to expect; and a record. Print at 100 %, without
    colour management, as the process was calibrated. Look at the film: the words in its margin
    read right when it lies right on the paper.
    """
    from platebench.cli.show_print_negative import show_negatives
    from platebench.cli.terminal_progress import progress_for
    from platebench.printing.make_negative import NegativeOrder
    from platebench.printing.process_file import load_process, process_folders
    from platebench.session.print_negative import exit_code_of_negatives, print_negatives

    known = load_process(process, process_folders(session, Path(click.get_app_dir("platebench"))))
    order = NegativeOrder(
        size=size.size, enlarge=size.enlarge, ppi=ppi, contact=contact, margins=margins, aim=aim
    )
    results = print_negatives(
        session,
        plates,
        known,
        order,
        sharpness=sharpness,
        output=output,
        workers=jobs,
        memory=memory,
        progress=progress_for(quiet),
    )
    show_negatives(results, known, as_json=as_json, quiet=quiet)
    ctx.exit(exit_code_of_negatives(results))
