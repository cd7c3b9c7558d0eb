"""Options of commands that write test sheets for film and read scans of their prints."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import click

from platebench.cli.options import A_PATH
from platebench.cli.quantities import Span

F = TypeVar("F", bound=Callable[..., Any])


def gamma_option(command: F) -> F:
    """--gamma: how a scan that says nothing of it is coded."""
    return click.option(
        "--gamma",
        type=Span(1, 3),
        default=2.2,
        show_default=True,
        metavar="GAMMA",
        help="Gamma of a scan without a colour profile.",
    )(command)


def black_option(command: F) -> F:
    """--black: a density known, by which a scan's gamma can be seen."""
    return click.option(
        "--black",
        type=Span(0.3, 4),
        metavar="D",
        help="The print's full black above its paper white, by a densitometer: shows whether the "
        "scan's gamma is right.",
    )(command)


def printer_option(command: F) -> F:
    """--ppi: how fine a sheet is drawn."""
    return click.option(
        "--ppi",
        type=Span(100, 1440),
        default=720.0,
        show_default=True,
        metavar="N",
        help="Pixels per inch the printer works in.",
    )(command)


def keep_in_option(command: F) -> F:
    """--session: where a process profile goes."""
    return click.option(
        "--session",
        type=A_PATH,
        metavar="FOLDER",
        help="Keep the profile in this session.  [default: your settings folder]",
    )(command)


def require_session(session: Path | None) -> None:
    """Refuse a session that is not there: a slip in its name would make a new folder."""
    from platebench.session.session_file import require_folder

    if session is not None:
        require_folder(session)
