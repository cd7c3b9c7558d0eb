"""``platebench calibrate``: make the session's densities true with a step tablet."""

from __future__ import annotations

from pathlib import Path

import click

from platebench.cli.options import (
    A_PATH,
    ExampledCommand,
    print_json,
    session_argument,
    talk_options,
)


@click.command(
    "calibrate",
    cls=ExampledCommand,
    short_help="Make a session's densities true with a step tablet.",
    examples=(
        "platebench calibrate shelf-3 --tablet tablet.dng",
        "platebench calibrate shelf-3 --tablet tablet.dng --steps 31",
        "platebench calibrate shelf-3 --tablet tablet.dng --steps my-tablet.csv",
    ),
)
@session_argument
@click.option(
    "--tablet",
    type=A_PATH,
    required=True,
    metavar="FILE",
    help="Capture of the tablet on the light box, in SESSION or elsewhere.",
)
@click.option(
    "--steps",
    metavar="21|31|CSV",
    help="The tablet: 21 steps of 0.15, 31 steps of 0.10, or a table of its own steps "
    "(columns step,density,sigma).  [default: 21 or 31, as many as are seen]",
)
@click.option(
    "--output",
    type=A_PATH,
    metavar="FOLDER",
    help="Folder for table and plot.  [default: SESSION/converted]",
)
@talk_options
def command(
    session: Path,
    tablet: Path,
    steps: str | None,
    output: Path | None,
    as_json: bool,
    quiet: bool,
) -> None:
    """Measure the Callier factor of SESSION's set-up on a step tablet.

    The tablet is taken like a plate, in the same light, and may lie any way round. Writes
    calibration.json beside session.toml, which all densities of the session then go through, and a
    table and a plot of what is left at each step. Use a photographic tablet of silver: one that is
    printed or of metal film scatters light in another way.
    """
    from platebench.cli.terminal_progress import progress_for
    from platebench.session.calibrate_session import calibrate_session

    done = calibrate_session(
        session, tablet, steps=steps, output=output, progress=progress_for(quiet)
    )
    if as_json:
        print_json(done.calibration.to_json() | {"files": [str(path) for path in done.files]})
    elif not quiet:
        click.echo(done.table)
        for path in done.files:
            click.echo(str(path))
