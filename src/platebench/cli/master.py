"""``platebench master``: archive masters of a session's plates."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

import click

from platebench.cli.options import (
    A_PATH,
    ExampledCommand,
    also_option,
    cluster_option,
    plates_option,
    print_json,
    session_argument,
    talk_options,
    work_done_by,
    work_options,
)
from platebench.cli.show import show_errors


@click.command(
    "master",
    cls=ExampledCommand,
    short_help="Write archive masters: linear transmittance of whole plates.",
    examples=(
        "platebench master shelf-3",
        "platebench master shelf-3 --plate plate-007 --colour",
        "platebench master shelf-3 --also gamma",
    ),
)
@session_argument
@plates_option
@click.option("--output", type=A_PATH, metavar="FOLDER", help="Folder of masters.  "
    "[default: SESSION/masters]")  # fmt: skip
@click.option("--colour", is_flag=True, help="48 bits: red, green and blue light, for stained or "
    "coloured plates.")  # fmt: skip
@also_option
@click.option("--compression", type=click.Choice(["none", "deflate", "zstd"]), default="none",
    show_default=True, help="Archives prefer none.")  # fmt: skip
@click.option("--force", is_flag=True, help="Write again what is there, changed by you or not.")
@cluster_option
@work_options
@talk_options
@click.pass_context
def command(
    ctx: click.Context,
    session: Path,
    plates: tuple[str, ...],
    output: Path | None,
    colour: bool,
    also: tuple[Literal["gamma", "channels"], ...],
    compression: Literal["none", "deflate", "zstd"],
    force: bool,
    cluster: str | None,
    jobs: int | None,
    memory: int | None,
    as_json: bool,
    quiet: bool,
) -> None:
    """Write an archive master of each plate of SESSION.

    A master is a TIFF of 16 bits: linear transmittance of the whole plate with its edge, not
    inverted, not retouched, not resampled. The formula that turns its numbers into density stands
    in the file. Beside it lie a JPEG to look at and a record of what was done.
    """
    from platebench.cli.terminal_progress import progress_for
    from platebench.session.master_session import FOLDER, write_masters
    from platebench.session.run_plates import exit_code_of
    from platebench.session.session_report import plate_to_json

    output = session / FOLDER if output is None else output
    if cluster is not None:
        output = output.resolve()
    with work_done_by(cluster, session, output) as (folder, _):
        results = write_masters(
            folder,
            plates=plates,
            output=output,
            colour=colour,
            also=also,
            compression=compression,
            force=force,
            workers=jobs,
            memory=memory,
            progress=progress_for(quiet),
        )
    if as_json:
        print_json(
            {
                "output": str(output),
                "exit_code": int(exit_code_of(results)),
                "plates": [
                    plate_to_json(output, plate) | {"unchanged": plate.skipped} for plate in results
                ],
            }
        )
    elif not quiet:
        failed = sum(plate.error is not None for plate in results)
        unchanged = sum(plate.skipped for plate in results)
        made = len(results) - failed - unchanged
        parts = [f"{made} written", f"{unchanged} unchanged", f"{failed} failed"]
        click.echo("masters: " + ", ".join(part for part in parts if part[0] != "0" or made == 0))
        click.echo(str(output))
    show_errors(results, named=True)
    ctx.exit(exit_code_of(results))
