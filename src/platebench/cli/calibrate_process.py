"""``platebench calibrate-process``: the tones of printer and process from a printed step chart."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from platebench.cli.options import A_PATH, ExampledCommand, print_json, process_names, talk_options
from platebench.cli.print_options import gamma_option, keep_in_option, known_option, require_session
from platebench.cli.show import show_cautions, wrapped

_NAME = re.compile(r"^[A-Za-z0-9][A-Za-z0-9_-]{0,59}$")


class ProfileName(click.ParamType[str]):
    """A name that can be a file's on any system."""

    name = "name"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> str:
        """Return the name."""
        if not _NAME.match(str(value)):
            self.fail(f"{value!r} is no name; use letters, digits, - and _", param, ctx)
        return str(value)


def _show_cautions_of(process: Process) -> None:
    from platebench.core.cautions import FIRST, cautions_for

    lines = [line for c in cautions_for(process.hazards) for line in c.lines()]
    show_cautions([FIRST, *lines, *process.cautions])


if TYPE_CHECKING:
    from platebench.printing.calibrate_process import CalibratedProcess
    from platebench.printing.ink_chart import ChosenInk
    from platebench.printing.process import Process


def show_calibration(done: CalibratedProcess) -> None:
    """Print the cautions, the figures, the notes and the files."""
    _show_cautions_of(done.process)
    found = done.calibration
    response, count = found.response, len(found.prints)
    prints = "1 print" if count == 1 else f"{count} prints"
    click.echo(f"{done.process.name}: {prints} of the step chart, {len(response.ink)} points")
    click.echo(f"  full black      {response.d_max:.2f} D above paper white")
    click.echo(f"  under full ink  {response.d_min:z.2f} D above paper white")
    click.echo(f"  noise           {found.noise:.3f} D a patch")
    click.echo(f"  evenness        {found.evenness:.2f} D over the sheet, at half black; taken off")
    click.echo(f"  left over       {found.residual:.3f} D RMS, levels from the curve")
    if count > 1:
        drift = max(done.fit.tone_drift) - min(done.fit.tone_drift)
        click.echo(f"  drift           {drift:.3f} D between prints, at half black")
    scales = done.process.scales
    if len(scales) == 1:
        said = f"{scales[0].typical:.2f} log units ({scales[0].status[1].words})"
        click.echo(f"  exposure scale  {said}")
    if done.process.band is not None:
        click.echo(f"  prints by       {done.process.band.words}")
    for note in done.notes:
        wrapped(f"{note[0].upper()}{note[1:]}.")
    for path in done.files:
        click.echo(str(path))


def show_ink(done: ChosenInk) -> None:
    """Print what each ink does, the one chosen first, the notes and the files."""
    _show_cautions_of(done.process)
    ink = done.process.ink
    assert ink is not None  # chosen
    click.echo(f"{done.process.name}: print negatives in {ink.name}")
    if ink.taken is not None and ink.black_taken is not None and ink.name != "black":
        click.echo(f"  {1 - ink.taken / ink.black_taken:.0%} less ink than plain black takes")
    for one in done.readings:
        said = f"does not hold back the scale: prints at {min(one.density):z.2f} D"
        if one.amount is not None:
            said = (
                f"{one.amount:.0%} of it, {one.ink:.2f} areas of ink: prints at {one.white:.2f} D"
            )
        click.echo(f"  {one.name:<13} {said}")
    for note in done.notes:
        wrapped(f"{note[0].upper()}{note[1:]}.")
    for path in done.files:
        click.echo(str(path))


if TYPE_CHECKING:
    from platebench.printing.scan_gamma import KnownPatch


@click.command(
    "calibrate-process",
    cls=ExampledCommand,
    short_help="Calibrate printer and process from a scan of the printed step chart.",
    examples=(
        "platebench calibrate-process print-1.tif --process salted-paper",
        "platebench calibrate-process second.tif --process albumen --chart chart.json",
        "platebench calibrate-process print-1.tif --process salted-paper --save-as rag",
    ),
)
@click.argument("scan", type=A_PATH)
@click.option("--process", required=True, metavar="NAME", shell_complete=process_names,
    help="The process it was printed by.")  # fmt: skip
@click.option(
    "--chart",
    type=A_PATH,
    metavar="FILE",
    help="The chart's .json file, where it went through a correction or is the chart of inks.",
)
@click.option(
    "--save-as",
    type=ProfileName(),
    metavar="NAME",
    help="Name of your profile.  [default: the process]",
)
@click.option(
    "--fresh", is_flag=True, help="Forget earlier prints: printer, ink, paper or coating changed."
)
@gamma_option
@known_option
@click.option(
    "--film",
    type=A_PATH,
    metavar="CSV",
    help="The film's densities in the light that prints (ink,density): gives the exposure scale.",
)
@keep_in_option
@talk_options
def command(
    scan: Path,
    process: str,
    chart: Path | None,
    save_as: str | None,
    fresh: bool,
    film: Path | None,
    gamma: float,
    known: KnownPatch | None,
    session: Path | None,
    as_json: bool,
    quiet: bool,
) -> None:
    """Read SCAN, a scan of a print of the step chart, and make a process profile from it.

    Scan with automatic levels, contrast and sharpening off, paper white below clipping. The chart
    may lie any way round. Prints of a second pass are pooled with those before. Writes NAME.toml
    and a plot; print-negative and process-chart go through it from then on. With the chart of inks
    it chooses the ink of print negatives instead: calibrate in that ink next.
    """
    from platebench.cli.terminal_progress import progress_for
    from platebench.printing.calibrate_process import calibrate_process
    from platebench.printing.ink_chart import choose_process_ink, load_ink_chart
    from platebench.printing.process_file import FOLDER, process_folders
    from platebench.printing.step_chart import load_chart

    require_session(session)
    user = Path(click.get_app_dir("platebench"))
    inks = None if chart is None else load_ink_chart(chart)
    if inks is not None:
        if film is not None or known is not None:
            raise click.UsageError("--film and --known do not go with the chart of inks")
        folders, into = process_folders(session, user), (session or user) / FOLDER
        chosen = choose_process_ink(
            scan, process, folders, into, inks, save_as=save_as or "", gamma=gamma
        )
        if as_json:
            print_json(chosen.to_json())
        elif not quiet:
            show_ink(chosen)
        return
    done = calibrate_process(
        scan,
        process,
        process_folders(session, user),
        (session or user) / FOLDER,
        chart=None if chart is None else load_chart(chart),
        save_as=save_as or "",
        fresh=fresh,
        film=film,
        gamma=gamma,
        known=known,
        progress=progress_for(quiet),
    )
    if as_json:
        print_json(done.to_json())
    elif not quiet:
        show_calibration(done)
