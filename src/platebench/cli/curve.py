"""``platebench curve``: characteristic curves from step readings."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from platebench.cli.options import A_PATH, ExampledCommand, print_json, talk_options
from platebench.cli.show import wrapped

if TYPE_CHECKING:
    from platebench.sensitometry.curve_job import CurveReport


def show_curves(report: CurveReport, written: Sequence[Path]) -> None:
    """Print the figures of each plate side by side, then notes, each said once."""
    from platebench.sensitometry.curve_report import comparison_lines, table_rows, time_lines

    names = [plate.name for plate in report.plates]
    rows = [("", names), *table_rows(report.plates)]
    first = max(len(title) for title, _ in rows)
    widths = [max(len(cells[n]) for _, cells in rows) for n in range(len(names))]
    for title, cells in rows:
        shown = "  ".join(cell.ljust(width) for cell, width in zip(cells, widths, strict=True))
        click.echo(f"{title:<{first}}  {shown}".rstrip())
    lines = comparison_lines(report.plates, report.differences, report.law)
    if report.law is not None:
        lines += time_lines(report.law, report.wanted)
    if lines:
        click.echo()
    for line in lines:
        wrapped(line, indent="")
    said: dict[str, list[str]] = {note: [] for note in report.notes}
    for plate in report.plates:
        for note in plate.notes:
            said.setdefault(note, []).append(plate.name)
    if said:
        click.echo("\nWorth knowing:")
    for note, of in said.items():
        named = f" ({', '.join(of)})" if 0 < len(of) < len(names) else ""
        wrapped(f"{note}{named}")
    for path in written:
        click.echo(str(path))


class Numbers(click.ParamType[tuple[float, ...] | None]):
    """Positive numbers with commas between; None for the word that stands for none."""

    name = "numbers"

    def __init__(self, none: str = "") -> None:
        self.none = none

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[float, ...] | None:
        """Return the numbers."""
        if self.none and value == self.none:
            return None
        try:
            numbers = tuple(float(part) for part in str(value).split(","))
        except ValueError:
            numbers = ()
        if not numbers or not all(0 < number < 1e9 for number in numbers):
            example = "3.5, or several such as 3,6,12" + (f", or {self.none}" if self.none else "")
            self.fail(f"{value!r} is no positive number; write {example}", param, ctx)
        return numbers


@click.command(
    "curve",
    cls=ExampledCommand,
    short_help="Draw characteristic curves from step readings, with speed and contrast.",
    examples=(
        "platebench curve batch-7.csv --exposure 316",
        "platebench curve old.csv new.csv --tablet 21",
        "platebench curve 3min.csv 6min.csv 12min.csv --times 3,6,12 --gamma 0.9",
        "platebench curve 3min.csv 6min.csv 12min.csv --times 3,6,12 --batch 14",
    ),
)
@click.argument("readings", nargs=-1, required=True, type=A_PATH)
@click.option("--exposure", type=Numbers(none="relative"), default="relative",
    metavar="LXS|relative", help="Exposure at the plate without a tablet, in lux seconds.  "
    "[default: relative]")  # fmt: skip
@click.option("--tablet", metavar="21|31|FILE", help="Step tablet, if the readings do not give "
    "it: nominal, or a CSV of step, tablet_density.")  # fmt: skip
@click.option("--base-fog", type=Numbers(), metavar="D", help="Density of an unexposed part.")
@click.option("--times", type=Numbers(), metavar="MIN,...", help="Minutes each was developed.")
@click.option("--gamma", type=Numbers(), metavar="G,...", help="With --times: gammas to give the "
    "time of development for.")  # fmt: skip
@click.option("--batch", metavar="TEXT", default="", help="What the plates were coated from, as "
    "the plate log has it: own-speed and plan-plate find the curve by it.")  # fmt: skip
@click.option("--set-aside", metavar="STEP,...|doubtful", default="", help="Steps to leave out: by "
    "name, or those that do not go with the others.")  # fmt: skip
@click.option("--output", type=A_PATH, metavar="FOLDER", help="Folder for "
    "drawings and curves.json.  [default: curves, beside the first readings]")  # fmt: skip
@talk_options
def command(
    readings: tuple[Path, ...],
    exposure: tuple[float, ...] | None,
    tablet: str | None,
    base_fog: tuple[float, ...] | None,
    times: tuple[float, ...] | None,
    gamma: tuple[float, ...] | None,
    batch: str,
    set_aside: str,
    output: Path | None,
    as_json: bool,
    quiet: bool,
) -> None:
    """Draw the characteristic curve of plates exposed through a step tablet.

    READINGS are CSV files with the columns step, tablet_density, density and, if known, sigma (a
    step called "fog" is base plus fog), or the JSON of a tablet reading; one file a plate. Several
    plates are drawn as a family and compared with the first.
    """
    from platebench.core.files import refuse_foreign
    from platebench.sensitometry.curve_file import refuse_other_batch
    from platebench.sensitometry.curve_job import OUTPUT_NAME, curve_files, curves_of, write_curves
    from platebench.sensitometry.step_files import load_tablet
    from platebench.session.originals import refuse_folder_of_captures

    folder = output or readings[0].parent / OUTPUT_NAME
    refuse_folder_of_captures(folder, (".png", ".svg", ".json"))
    report = curves_of(
        readings,
        exposures_lxs=exposure,
        tablet=None if tablet is None else load_tablet(tablet),
        base_fogs=base_fog,
        minutes=times,
        wanted_gammas=gamma or (),
        set_aside=tuple(
            dict.fromkeys(step.strip() for step in set_aside.split(",") if step.strip())
        ),
        batch=batch.strip(),
    )
    refuse_foreign(curve_files(report, folder), "curves")
    refuse_other_batch(folder, report.batch)
    written = write_curves(report, folder)
    if as_json:
        print_json(report.as_json() | {"files": [str(path) for path in written]})
    elif not quiet:
        show_curves(report, written)
