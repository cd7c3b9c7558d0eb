"""``platebench which-print``: which printing process takes up a plate's density range."""

from __future__ import annotations

from pathlib import Path

import click

from platebench.cli.complete import plate_ids, process_names
from platebench.cli.options import (
    A_PATH,
    ExampledCommand,
    print_json,
    session_argument,
    talk_options,
)
from platebench.cli.show_print_summary import show_summary
from platebench.cli.show_which_print import show_advice


@click.command(
    "which-print",
    cls=ExampledCommand,
    short_help="Say which printing process suits each plate, and what others lose.",
    examples=(
        "platebench which-print shelf-3",
        "platebench which-print shelf-3 plate-07",
        "platebench which-print shelf-3 plate-07 --process albumen --process carbon",
        "platebench which-print shelf-3 --json",
    ),
)
@session_argument
@click.argument("plates", nargs=-1, metavar="[PLATE]...", shell_complete=plate_ids)
@click.option(
    "--process",
    "processes",
    multiple=True,
    metavar="NAME",
    shell_complete=process_names,
    help="Only this process; repeat for several.  [default: all]",
)
@click.option("--detail", is_flag=True, help="Every plate in full, with sources and all cautions.")
@click.option(
    "--output",
    type=A_PATH,
    metavar="FOLDER",
    help="Folder of results that convert wrote.  [default: SESSION/converted]",
)
@talk_options
def command(
    session: Path,
    plates: tuple[str, ...],
    processes: tuple[str, ...],
    detail: bool,
    output: Path | None,
    as_json: bool,
    quiet: bool,
) -> None:
    """Compare the converted plates of SESSION with the exposure scales of printing processes.

    Of many plates, a line each: which processes suit it as it is. Of one PLATE, or with --detail:
    also which need a print negative, by how much its range is too long or too short, what would
    be lost, and the cautions on what suits. Profiles of your own go into SESSION/process, or into
    the folder "process" of your settings.
    """
    from platebench.printing.advice import advise_plate
    from platebench.printing.advice_json import advice_to_json
    from platebench.printing.plate_range import read_plate_ranges
    from platebench.printing.process_file import load_processes, process_folders
    from platebench.session.session_file import require_folder

    require_folder(session)
    user = Path(click.get_app_dir("platebench"))
    known = load_processes(process_folders(session, user), processes)
    ranges = read_plate_ranges(output or session / "converted", plates)
    advised = [(plate, advise_plate(plate, known)) for plate in ranges]
    if as_json:
        print_json(advice_to_json(advised))
    elif not quiet and (detail or len(advised) == 1):
        show_advice(advised, detail=detail, named=bool(processes))
    elif not quiet:
        show_summary(advised, session)
