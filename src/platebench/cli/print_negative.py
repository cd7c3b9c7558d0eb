"""``platebench print-negative``: negatives for contact printing, at an exact size."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from platebench.cli.options import (
    A_PATH,
    ExampledCommand,
    plate_ids,
    print_json,
    session_argument,
    talk_options,
    work_options,
)
from platebench.cli.print_options import (
    FilmSize,
    PrintSides,
    film_options,
    process_option,
    size_options,
)
from platebench.cli.show import failed_to_json, show_cautions, show_errors, wrapped

if TYPE_CHECKING:
    from platebench.core.formats import PlateFormat
    from platebench.printing.full_sheet import FullSheet
    from platebench.printing.make_negative import MadeNegative
    from platebench.printing.process import Process
    from platebench.session.run_plates import PlateOutcome

_SHOWS_MM = 0.1


def show_negatives(
    results: Sequence[PlateOutcome[MadeNegative]],
    sheets: Sequence[FullSheet],
    process: Process,
    *,
    as_json: bool,
    quiet: bool,
) -> None:
    """Tell what became of each plate: what was made on stdout, then on stderr what was not."""
    from platebench.core.cautions import FIRST, cautions_for
    from platebench.session.run_plates import exit_code_of

    lines = [line for c in cautions_for(process.hazards) for line in c.lines()]
    made = any(result.made is not None for result in results)
    cautions = [FIRST, *lines, *process.cautions] if made else []
    if as_json:
        print_json(
            {
                "exit_code": int(exit_code_of(results)),
                "plates": [_to_json(result) for result in results],
                "sheets": [
                    sheet.record | {"files": [str(path) for path in sheet.files]}
                    for sheet in sheets
                ],
                "cautions": cautions,
            }
        )
    elif not quiet:
        show_cautions(cautions)
        for result in results:
            _show_one(result)
        for sheet in sheets:
            _show_sheet(sheet)
    show_errors(results)


def _show_sheet(sheet: FullSheet) -> None:
    record = sheet.record
    named = [piece["name"] + " (turned)" * piece["turned"] for piece in record["pieces"]]
    count = f"sheet {record['sheet']} of {record['of']}, {record['film']}"
    wrapped(f"{count}: {record['fill']:.0%} full, {', '.join(named)}.")
    for path in sheet.files:
        click.echo(f"  {path}")


def _show_one(result: PlateOutcome[MadeNegative]) -> None:
    if result.made is None:
        return
    record = result.made.record
    width, height = record["picture_mm"]
    film = record["film_mm"]
    times = record["enlargement"]
    enlarged = "" if times is None else f", {times:.3g} times the plate"
    if times is not None and f"{times:.3g}" == "1":
        enlarged = ", the plate's own size"
    room = record["fitted_into_mm"]
    inside = ""
    if room is not None and max(room[0] - width, room[1] - height) > _SHOWS_MM:
        inside = f" in the middle of {room[0]:.1f} x {room[1]:.1f} mm"
    click.echo(f"{record['plate']}: {width:.1f} x {height:.1f} mm{inside}{enlarged}")
    wrapped(f"Film {film[0]:.1f} x {film[1]:.1f} mm with its margins; fits {record['film']}.")
    wrapped(
        "Ink side down on the paper: the file is mirrored."
        if record["mirrored"]
        else "Ink side up, base on the paper: the file is not mirrored."
    )
    for note in result.made.notes:
        wrapped(f"{note[0].upper()}{note[1:]}.")
    for path in result.made.files:
        click.echo(f"  {path}")
    click.echo()


def _to_json(result: PlateOutcome[MadeNegative]) -> dict[str, object]:
    if result.made is None:
        return failed_to_json(result)
    return result.made.record | {"files": [str(path) for path in result.made.files]}


@click.command(
    "print-negative",
    cls=ExampledCommand,
    short_help="Make negatives for contact printing by a process.",
    examples=(
        "platebench print-negative shelf-3 plate-07 --process salted-paper",
        "platebench print-negative shelf-3 plate-07 --process carbon --size 8x10in",
        "platebench print-negative shelf-3 edited/07.tif --process albumen --enlarge 2",
        "platebench print-negative shelf-3 plate-07 plate-08 --process gum --sheet A4",
    ),
)
@session_argument
@click.argument("plates", nargs=-1, required=True, metavar="PLATE...", shell_complete=plate_ids)
@process_option
@size_options
@film_options
@click.option(
    "--sheet",
    type=FilmSize(),
    metavar="A4|letter|WxHmm|in",
    help="Lay all negatives together on sheets of film of this size, with lines to cut along.",
)
@click.option(
    "--with-chart", is_flag=True, help="With --sheet: a step chart lies beside them, as a control."
)
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
    sheet: PlateFormat | None,
    with_chart: bool,
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
    from platebench.cli.terminal_progress import progress_for
    from platebench.printing.make_negative import NegativeOrder
    from platebench.printing.process_file import load_process, process_folders
    from platebench.session.print_negative import print_negatives, print_on_sheets
    from platebench.session.run_plates import exit_code_of

    if with_chart and sheet is None:
        raise click.UsageError("--with-chart lies on a sheet: give its size, such as --sheet A4")
    known = load_process(process, process_folders(session, Path(click.get_app_dir("platebench"))))
    order = NegativeOrder(
        size=size.size, enlarge=size.enlarge, ppi=ppi, contact=contact, margins=margins, aim=aim
    )
    how: dict[str, Any] = {
        "sharpness": sharpness,
        "output": output,
        "workers": jobs,
        "memory": memory,
        "progress": progress_for(quiet),
    }
    sheets: list[FullSheet] = []
    if sheet is None:
        results = print_negatives(session, plates, known, order, **how)
    else:
        results, sheets = print_on_sheets(
            session, plates, known, order, sheet, chart=with_chart, **how
        )
    show_negatives(results, sheets, known, as_json=as_json, quiet=quiet)
    ctx.exit(exit_code_of(results))
