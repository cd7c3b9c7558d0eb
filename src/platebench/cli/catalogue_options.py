"""What the commands of a collection share: where it is, and what is asked of it."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from platebench.cli.options import A_PATH, process_names

if TYPE_CHECKING:
    from platebench.archive.catalogue_find import Query
    from platebench.printing.process import Process

F = TypeVar("F", bound=Callable[..., Any])

_RANGE = re.compile(r"^\s*(\d*\.?\d*)\s*\.\.\s*(\d*\.?\d*)\s*$")


def collection_argument(command: F) -> F:
    """Take COLLECTION: the folder of packages."""
    return click.argument("collection", type=A_PATH)(command)


def catalogue_option(command: F) -> F:
    """Take --catalogue: the file, where it cannot be in the collection."""
    return click.option(
        "--catalogue",
        type=A_PATH,
        metavar="FILE",
        help="The catalogue, such as for a collection that is read-only.  "
        "[default: COLLECTION/catalogue.sqlite]",
    )(command)


def _days(_context: click.Context, _parameter: click.Parameter, value: str | None) -> Any:
    """Return first and last day of a date in EDTF."""
    if value is None:
        return None
    from platebench.plate_log.dates import plate_date

    try:
        known = plate_date(value)
    except ValueError as error:
        raise click.BadParameter(
            f"{value!r} is no date; write one such as 1893, 1893-05, 189X or 1893/1896"
        ) from error
    return known.first, known.last


def _range(_context: click.Context, _parameter: click.Parameter, value: str | None) -> Any:
    """Return the ends of a range of densities."""
    if value is None:
        return None
    match = _RANGE.match(value)
    try:
        low, high = (float(end) if end else None for end in match.groups()) if match else (0, 0)
    except ValueError:
        match = None
    if match is None or not any(match.groups()):
        raise click.BadParameter(f"{value!r} is no range; write one such as 1.2..1.8, or 1.5..")
    if low is not None and high is not None and low > high:
        raise click.BadParameter(f"{value!r} ends below its beginning; write {high:g}..{low:g}")
    return low or 0.0, math.inf if high is None else high


def query_options(command: F) -> F:
    """Take WORDS and options: what plates are asked for."""
    text = partial(click.option, metavar="TEXT", default="")
    for decorate in (
        click.option("--flagged", is_flag=True, help="Only plates with a flag."),
        text("--flag", help="Part of a flag, such as 'light estimated'."),
        text(
            "--process",
            metavar="NAME",
            shell_complete=process_names,
            help="A printing process the plate suits as it is.",
        ),
        click.option(
            "--range",
            "density_range",
            callback=_range,
            metavar="LOW..HIGH",
            help="Density range in D, such as 1.2..1.8; one end may be left out.",
        ),
        text("--developer", help="Part of the developer's name."),
        text("--batch", help="The emulsion's batch."),
        click.option(
            "--digitised", callback=_days, metavar="DATE", help="When the capture was made."
        ),
        click.option(
            "--date",
            "dates",
            callback=_days,
            metavar="DATE",
            help="When the plate was exposed: 1893, 1893-05, 189X or 1893/1896.",
        ),
        click.argument("words", nargs=-1),
    ):
        command = decorate(command)
    return command


def query_from(**asked: Any) -> Query:
    """Return what was asked on the command line."""
    from platebench.archive.catalogue_find import Query
    from platebench.core.plate_names import as_text
    from platebench.printing.process_file import load_process

    if asked["process"]:
        load_process(asked["process"], _process_folders())  # so that a slip is told
    said: dict[str, Any] = {
        key: as_text(value) if isinstance(value, str) else value for key, value in asked.items()
    }
    return Query(text=as_text(" ".join(said.pop("words"))), **said)


def processes() -> list[Process]:
    """Return the printing processes known to this user."""
    from platebench.printing.process_file import load_processes

    return load_processes(_process_folders())


def _process_folders() -> tuple[Path, ...]:
    from platebench.printing.process_file import process_folders

    return process_folders(None, Path(click.get_app_dir("platebench")))
