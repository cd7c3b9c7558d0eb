"""``platebench print-plate``: times and a test strip for printing a glass plate itself."""

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
)
from platebench.cli.print_options import process_option
from platebench.cli.quantities import Time
from platebench.cli.show import failed_to_json, show_cautions, show_errors, wrapped

if TYPE_CHECKING:
    from platebench.session.print_plate import DirectPrint


def show_direct_prints(made: Sequence[DirectPrint], cautions: Sequence[str]) -> None:
    """Print the cautions, then each plate's times."""
    show_cautions(cautions)
    for one in made:
        times, advice = one.times, one.advice
        click.echo(f"{one.plate.plate_id}, {advice.title}, against {one.reference}")
        for doubt in one.doubts:
            wrapped(f"In doubt: {doubt}.")
        difference = f"10 ^ ({times.base:z.2f} - {times.reference_base:z.2f})"
        wrapped(f"Time factor {times.for_base:.3g}: {difference}, by base plus fog.")
        if one.times_what:
            wrapped(f"1 x is {one.times_what}.")
        for name, said in one.said_times():
            wrapped(f"{name[0].upper()}{name[1:]}: {said}.")
        wrapped(f"Range {advice.density_range:.2f}: {advice.verdict}; {advice.lost()}.")
        wrapped(f"Compared: {advice.density_note}.")
        if not one.plate.calibrated:
            wrapped("Not calibrated with a step tablet: dense plates read thinner than they are.")
        click.echo(f"  {one.sheet}\n")


@click.command(
    "print-plate",
    cls=ExampledCommand,
    short_help="Printing times and a test strip for a glass plate printed itself.",
    examples=(
        "platebench print-plate shelf-3 plate-07 --process salted-paper --time 4m",
        "platebench print-plate shelf-3 07 08 --process albumen --reference 3 --time 9m",
    ),
)
@session_argument
@click.argument("plates", nargs=-1, required=True, metavar="PLATE...", shell_complete=plate_ids)
@process_option
@click.option(
    "--time",
    "time_s",
    type=Time(),
    metavar="TIME",
    help="Shortest time that prints full black, such as 4m30s; without it times are multiples.",
)
@click.option(
    "--reference",
    metavar="PLATE",
    shell_complete=plate_ids,
    help="Plate whose base that time blackens.  [default: nothing between lamp and paper]",
)
@click.option(
    "--paper", type=click.Choice(("a4", "letter")), default="a4", help="Of the page.  [default: a4]"
)
@click.option(
    "--output",
    type=A_PATH,
    metavar="FOLDER",
    help="Folder of the pages.  [default: SESSION/test-strips]",
)
@talk_options
@click.pass_context
def command(
    ctx: click.Context,
    session: Path,
    plates: tuple[str, ...],
    process: str,
    time_s: float | None,
    reference: str | None,
    paper: Any,
    output: Path | None,
    as_json: bool,
    quiet: bool,
) -> None:
    """Work out how long converted plates of SESSION print when they are the negatives themselves.

    From the measured base density and range, relative to a time you have found. A page with the
    steps of a test strip goes into SESSION/test-strips. Glass and ultraviolet: mind the cautions.
    """
    from platebench.cli.terminal_progress import progress_for
    from platebench.printing.process_file import load_process, process_folders
    from platebench.session.print_plate import direct_cautions, print_plates_directly
    from platebench.session.run_plates import exit_code_of

    known = load_process(process, process_folders(session, Path(click.get_app_dir("platebench"))))
    results = print_plates_directly(
        session,
        plates,
        known,
        reference=reference,
        time_s=time_s,
        paper=paper,
        output=output,
        progress=progress_for(quiet),
    )
    cautions = direct_cautions(known)
    if as_json:
        every = [failed_to_json(r) if r.made is None else r.made.to_json() for r in results]
        print_json({"plates": every, "cautions": list(cautions)})
    elif not quiet:
        show_direct_prints([r.made for r in results if r.made is not None], cautions)
    show_errors(results)
    ctx.exit(exit_code_of(results))
