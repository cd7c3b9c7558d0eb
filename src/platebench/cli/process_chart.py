"""``platebench process-chart``: the step chart that calibrates printer and process."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from platebench.cli.options import A_PATH, ExampledCommand, print_json, process_names, talk_options
from platebench.cli.print_options import printer_option, require_session
from platebench.cli.quantities import Amount, Span

_LEVELS = {"coarse": 51, "fine": 101}


class _Limit(click.ParamType[tuple[str, float]]):
    """A colour and its largest clean share: ``red=80``."""

    name = "limit"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[str, float]:
        """Return the colour and the share, 0 to 1."""
        from platebench.printing.ink_chart import LADDER

        name, _, percent = str(value).partition("=")
        if name.strip() not in LADDER or not percent:
            said = f"{value!r}: write a colour and its limit in percent, such as red=80; colours: "
            self.fail(said + ", ".join(LADDER), param, ctx)
        return name.strip(), Amount(10, 100).convert(percent.rstrip("%"), param, ctx) / 100


@click.command(
    "process-chart",
    cls=ExampledCommand,
    short_help="Write the step chart that calibrates printer and printing process.",
    examples=(
        "platebench process-chart charts",
        "platebench process-chart charts --process salted-paper --ppi 600",
        "platebench process-chart charts --levels coarse --json",
        "platebench process-chart charts --kind ladder",
        "platebench process-chart charts --kind inks --ink-limit black=70",
    ),
)
@click.argument("folder", type=A_PATH)
@click.option(
    "--process",
    metavar="NAME",
    shell_complete=process_names,
    help="Through the present correction of this calibrated process, or in its ink.",
)
@click.option(
    "--kind",
    type=click.Choice(("steps", "ladder", "inks")),
    default="steps",
    show_default=True,
    help="steps: the step chart. ladder: inks by rising amount, to look at: where does ink pool? "
    "inks: hues by amounts, to be contact printed: which ink holds back most?",
)
@click.option(
    "--ink-limit",
    "limits",
    type=_Limit(),
    multiple=True,
    metavar="COLOUR=PERCENT",
    help="With --kind inks: a row's last clean rung on the ladder; others go to 100.",
)
@click.option(
    "--black-ink",
    type=Span(1, 3),
    default=2.0,
    show_default=True,
    metavar="N",
    help="With --kind inks: full areas of one colour that full black takes: 1 where black ink lies "
    "alone, 3 where it is made of three colours.",
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
    kind: str,
    limits: tuple[tuple[str, float], ...],
    black_ink: float,
    session: Path | None,
    levels: str,
    ppi: float,
    as_json: bool,
    quiet: bool,
) -> None:
    """Write a chart into FOLDER, to be printed on film and, but for the ladder, contact printed.

    Print the film at 100 %, on the setting meant for print negatives and without colour
    management. Cover the strip at its lower edge with opaque tape, lay the ink side on the paper,
    expose by the standard printing time, and scan the dry print. calibrate-process reads it.
    """
    from platebench.cli.terminal_progress import progress_for
    from platebench.printing.chart_sheet import write_chart
    from platebench.printing.ink_chart import ink_chart, write_ink_chart, write_ladder
    from platebench.printing.process_file import load_process, process_folders

    given = click.get_current_context().get_parameter_source("black_ink")
    if kind != "inks" and (limits or given is click.core.ParameterSource.COMMANDLINE):
        raise click.UsageError("--ink-limit and --black-ink belong to --kind inks")
    if kind != "steps" and process is not None:
        raise click.UsageError("--process belongs to --kind steps: these sheets serve any process")
    if kind != "steps":
        if kind == "ladder":
            written = write_ladder(folder, ppi, progress_for(quiet))
        else:
            inks = ink_chart(dict(limits), black_ink)
            written = write_ink_chart(folder, inks, ppi, progress_for(quiet))
        if as_json:
            print_json({"kind": kind, "files": [str(path) for path in written]})
        elif not quiet:
            for path in written:
                click.echo(str(path))
        return
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
