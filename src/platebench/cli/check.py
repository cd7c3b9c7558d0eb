"""``platebench check``: judge the captures while the light box is still set up."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from platebench.cli.ending import show_error
from platebench.cli.options import (
    ExampledCommand,
    cluster_option,
    print_json,
    session_argument,
    talk_options,
    work_done_by,
    work_options,
)
from platebench.cli.show import capture_to_json, wrapped
from platebench.core.errors import ExitCode

if TYPE_CHECKING:
    from platebench.session.check_file import CheckedCapture

_URGENT = ("warn", "fail")


def check_to_json(checked: Sequence[CheckedCapture], code: ExitCode) -> dict[str, Any]:
    """Return the outcome of a check as JSON types, for ``--json``."""
    return {
        "exit_code": int(code),
        "exit": code.name,
        "captures": [capture_to_json(entry) for entry in checked],
    }


def show_check(checked: Sequence[CheckedCapture], *, show_all: bool) -> None:
    """Print each capture with what is urgent; what is only worth knowing follows, said once."""
    notes: dict[str, list[str]] = {}
    for entry in checked:
        if entry.check is None:
            continue
        click.echo(f"{entry.name} ({_role(entry, checked)}): {_word(entry)}")
        for verdict in entry.check.verdicts:
            if show_all or verdict.severity in _URGENT:
                wrapped(str(verdict), indent=f"  {verdict.severity:<5} ", hanging="")
            elif verdict.severity == "note":
                notes.setdefault(str(verdict), []).append(entry.name)
    if notes:
        click.echo("\nWorth knowing:")
        for text, names in notes.items():
            wrapped(f"{text} ({_listed(names)})")


def _role(entry: CheckedCapture, checked: Sequence[CheckedCapture]) -> str:
    if not entry.plate_id:
        return f"{entry.role} frame"
    names = [other.name for other in checked if other.plate_id == entry.plate_id]
    if len(names) == 1:
        return entry.plate_id
    return f"{entry.plate_id}, {names.index(entry.name) + 1} of a bracket of {len(names)}"


def _word(entry: CheckedCapture) -> str:
    assert entry.check is not None
    severity = str(entry.check.severity)
    return "good" if severity == "note" else severity


def _listed(names: Sequence[str]) -> str:
    if len(names) <= 4:
        return ", ".join(names)
    return f"{', '.join(names[:3])} and {len(names) - 3} more"


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
@cluster_option
@work_options
@talk_options
@click.pass_context
def command(
    ctx: click.Context,
    session: Path,
    show_all: bool,
    cluster: str | None,
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

    with work_done_by(cluster, session, None) as (folder, _):
        checked = check_session(folder, workers=jobs, memory=memory, progress=progress_for(quiet))
    keep_checks(session, session / OUTPUT_NAME, checked)
    for entry in checked:
        if entry.error:
            show_error(entry.error)
    code = exit_code_of_check(checked)
    if as_json:
        print_json(check_to_json(checked, code))
    elif not quiet:
        show_check(checked, show_all=show_all)
    ctx.exit(code)
