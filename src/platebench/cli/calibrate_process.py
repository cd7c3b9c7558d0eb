"""``platebench calibrate-process``: the tones of printer and process from a printed step chart."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from platebench.cli.complete import process_names
from platebench.cli.options import A_PATH, ExampledCommand, print_json, talk_options
from platebench.cli.profile_name import ProfileName
from platebench.cli.scan_options import gamma_option, keep_in_option, known_option, require_session

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
    help="The chart's .json file, where it went through a correction.",
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
    """Read SCAN, a scan of a print of the step chart, and keep what it says as a process profile.

    Scan with automatic levels, contrast and sharpening off, paper white below clipping. The chart
    may lie any way round. Prints of a second pass are pooled with those before. Writes NAME.toml
    and a plot; print-negative and process-chart go through it from then on.
    """
    from platebench.cli.show_calibrate_process import show_calibration
    from platebench.cli.terminal_progress import progress_for
    from platebench.printing.calibrate_process import calibrate_process
    from platebench.printing.process_file import FOLDER, process_folders
    from platebench.printing.step_chart import load_chart

    require_session(session)
    user = Path(click.get_app_dir("platebench"))
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
