"""``platebench check``: judge the captures while the light box is still set up."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from platebench.cli.options import (
    ExampledCommand,
    print_json,
    session_argument,
    talk_options,
    work_options,
)

if TYPE_CHECKING:
    from platebench.check_session import CheckedCapture


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
    glare, each with what to do about it. Nothing is written. The exit code is 3 if a capture has
    to be taken again.
    """
    from platebench.check_session import check_session, exit_code_of_check
    from platebench.cli.terminal_progress import progress_for

    checked = check_session(session, workers=jobs, memory=memory, progress=progress_for(quiet))
    for entry in checked:
        if entry.error:
            click.echo(f"Error: {entry.error}", err=True)
    code = exit_code_of_check(checked)
    if as_json:
        captures = [checked_to_json(entry) for entry in checked]
        print_json({"exit_code": int(code), "exit": code.name, "captures": captures})
    elif not quiet:
        _show(checked, show_all)
    ctx.exit(code)


def checked_to_json(entry: CheckedCapture) -> dict[str, Any]:
    """Return what came of one capture as JSON types."""
    from platebench.session_report import error_to_json

    shown: dict[str, Any] = {"plate": entry.plate_id, "capture": entry.name, "role": entry.role}
    if entry.check:
        shown |= entry.check.as_json() | {"capture": entry.name}
    if entry.error:
        shown["error"] = error_to_json(entry.error)
    return shown


def _show(checked: Sequence[CheckedCapture], show_all: bool) -> None:
    for entry in checked:
        if entry.check is None:
            continue
        role = f"{entry.role} frame" if not entry.plate_id else entry.plate_id
        click.echo(f"{entry.name} ({role}): {entry.check.severity}")
        for verdict in entry.check.verdicts:
            if show_all or verdict.severity != "good":
                click.echo(f"  {verdict.severity:<5} {verdict}")
