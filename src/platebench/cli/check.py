"""``platebench check``: judge the captures while the light box is still set up."""

from __future__ import annotations

from pathlib import Path

import click

from platebench.cli.options import (
    ExampledCommand,
    print_json,
    session_argument,
    talk_options,
    work_options,
)
from platebench.cli.show_check import check_to_json, show_check


@click.command(
    "check",
    cls=ExampledCommand,
    short_help="Judge the captures while the light box is still set up.",
    examples=(
        "platebench check shelf-3",
        "platebench check shelf-3 --all",
        "platebench check shelf-3 --json",
    ),
)
@session_argument
@click.option("--all", "show_all", is_flag=True, help="Show what is good, too.")
@work_options
@talk_options
@click.pass_context
def command(
    ctx: click.Context,
    session: Path,
    show_all: bool,
    jobs: int | None,
    memory: int | None,
    as_json: bool,
    quiet: bool,
) -> None:
    """Judge every capture named in SESSION's session.toml.

    Exposure, clipping, match with the blank frame, focus, tilt, evenness of the light, noise and
    glare, each with what to do about it. If SESSION has been converted, what was found is kept
    there for the next report. The exit code is 3 if a capture has
    to be taken again.
    """
    from platebench.cli.terminal_progress import progress_for
    from platebench.session.check_file import keep_checks
    from platebench.session.check_session import check_session, exit_code_of_check
    from platebench.session.session_report import OUTPUT_NAME

    checked = check_session(session, workers=jobs, memory=memory, progress=progress_for(quiet))
    keep_checks(session, session / OUTPUT_NAME, checked)
    for entry in checked:
        if entry.error:
            click.echo(f"Error: {entry.error}", err=True)
    code = exit_code_of_check(checked)
    if as_json:
        print_json(check_to_json(checked, code))
    elif not quiet:
        show_check(checked, show_all=show_all)
    ctx.exit(code)
