"""Options of commands that write test sheets for film and read scans of their prints."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from platebench.cli.options import A_PATH
from platebench.cli.quantities import Amount, Span

if TYPE_CHECKING:
    from platebench.printing.scan_gamma import KnownPatch

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


class _Known(click.ParamType["KnownPatch"]):
    """A patch and its density: ``C7=0.72``."""

    name = "patch"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> KnownPatch:
        """Return the patch."""
        from platebench.printing.scan_gamma import KnownPatch

        name, _, density = str(value).partition("=")
        if not name.strip().isalnum() or not density:
            self.fail(f"{value!r}: write patch and density, such as C7=0.72", param, ctx)
        return KnownPatch(name=name.strip(), density=Amount(0.1, 4).convert(density, param, ctx))


def known_option(command: F) -> F:
    """--known: a density by which a scan's gamma can be seen."""
    return click.option(
        "--known",
        type=_Known(),
        metavar="PATCH=D",
        help="A patch, or a strip's step, as a densitometer reads it above paper white, such as "
        "C7=0.72: shows whether the scan's gamma is right.",
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
