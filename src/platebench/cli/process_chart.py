"""``platebench process-chart``: the step chart that calibrates printer and process."""

from __future__ import annotations

from pathlib import Path

import click

from platebench.cli.options import A_PATH, ExampledCommand, print_json, process_names, talk_options
from platebench.cli.print_options import printer_option, require_session

_LEVELS = {"coarse": 51, "fine": 101}


@click.command(
    "process-chart",
    cls=ExampledCommand,
    short_help="Write the step chart that calibrates printer and printing process.",
    examples=(
        "platebench process-chart charts",
        "platebench process-chart charts --process salted-paper --ppi 600",
        "platebench process-chart charts --levels coarse --json",
    ),
)
@click.argument("folder", type=A_PATH)
@click.option(
    "--process",
    metavar="NAME",
    shell_complete=process_names,
    help="Second pass: through the present correction of this calibrated process.",
)
@click.option(
    "--session",
    type=A_PATH,
    metavar="FOLDER",
    help="Session whose own process profiles count first.",
)
@click.option(
    "--levels",
    type=click.Choice(list(_LEVELS)),
    default="fine",
    show_default=True,
    help="fine: 101 levels of ink, each printed twice; coarse: 51, each four times.",
)
@printer_option
@talk_options
def command(
    folder: Path,
    process: str | None,
    session: Path | None,
    levels: str,
    ppi: float,
    as_json: bool,
    quiet: bool,
) -> None:
    """Write a step chart into FOLDER, to be printed on film and contact printed.

    Print the film at 100 %, on the setting meant for print negatives and without colour
    management. Cover the strip at its lower edge with opaque tape, lay the ink side on the paper,
    expose by the standard printing time, and scan the dry print. calibrate-process reads it.
    """
    from platebench.cli.terminal_progress import progress_for
    from platebench.printing.chart_sheet import write_chart
    from platebench.printing.process_file import load_process, process_folders

    require_session(session)
    user = Path(click.get_app_dir("platebench"))
    found = None if process is None else load_process(process, process_folders(session, user))
    chart, files = write_chart(
        folder, found, levels=_LEVELS[levels], ppi=ppi, progress=progress_for(quiet)
    )
    if as_json:
        shown = {"chart": chart.name, "number": chart.number, "made_for": chart.made_for or None}
        print_json(shown | {"files": [str(path) for path in files]})
    elif not quiet:
        click.echo(f"step chart {chart.name}, 118 x 172 mm, {len(chart.inks)} levels")
        for path in files:
            click.echo(str(path))
