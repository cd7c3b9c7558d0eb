"""``platebench convert``: plates to positives, previews, proof sheet."""

from __future__ import annotations

from pathlib import Path

import click

from platebench.cli.check import show_check
from platebench.cli.options import (
    ExampledCommand,
    cluster_option,
    results_option,
    session_argument,
    talk_options,
    work_done_by,
    work_options,
)
from platebench.cli.show import show_result
from platebench.write.paper_page import GROUNDS, GroundName


@click.command(
    "convert",
    cls=ExampledCommand,
    short_help="Turn plates into positives, previews and a proof sheet.",
    examples=(
        "platebench convert shelf-3",
        "platebench convert shelf-3 --output ~/prints/shelf-3 --true-size",
        "platebench convert shelf-3 --check",
        "platebench convert shelf-3 --jobs 2 --memory 4G",
    ),
)
@session_argument
@results_option
@click.option("--force", is_flag=True, help="Convert again what is done, and "
    "replace positives you have changed.")  # fmt: skip
@click.option("--true-size", is_flag=True, help="Also write a PDF with every plate at true size.")
@click.option("--ground", type=click.Choice(GROUNDS), help="What the proof sheet's prints lie on; "
    "white saves toner.  [default: as last time; black at first]")  # fmt: skip
@click.option("--check", is_flag=True, help="Check every capture too, as check does; each is read "
    "once for both.")  # fmt: skip
@cluster_option
@work_options
@talk_options
@click.pass_context
def command(
    ctx: click.Context,
    session: Path,
    output: Path | None,
    force: bool,
    true_size: bool,
    ground: GroundName | None,
    check: bool,
    cluster: str | None,
    jobs: int | None,
    memory: int | None,
    as_json: bool,
    quiet: bool,
) -> None:
    """Convert the plates of SESSION by its session.toml.

    Writes 16-bit positives, JPEG previews, a record of each plate, a proof sheet (PDF and PNG)
    and report.json. A plate that fails does not stop the others. Run it again at any time: plates
    that are done and unchanged stay as they are. Only --force replaces a positive that you have
    changed since; without it that plate fails.
    """
    from platebench.cli.terminal_progress import progress_for
    from platebench.session.convert_session import convert_session
    from platebench.session.session_report import OUTPUT_NAME

    output = session / OUTPUT_NAME if output is None else output
    with work_done_by(cluster, session, output) as (folder, results):
        result = convert_session(
            folder,
            output=results,
            force=force,
            workers=jobs,
            memory=memory,
            true_size=true_size,
            ground=ground,
            check=check,
            progress=progress_for(quiet),
        )
    if check and not (as_json or quiet):
        show_check(result.checked, show_all=False)
        click.echo()
    show_result(result, as_json=as_json, quiet=quiet)
    ctx.exit(result.exit_code)
