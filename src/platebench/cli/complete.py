"""What the shell may complete: plates of the session named before, processes, folders."""

from __future__ import annotations

import tomllib
from pathlib import Path

import click
from click.shell_completion import CompletionItem


def folders(
    context: click.Context, parameter: click.Parameter, incomplete: str
) -> list[CompletionItem]:
    """Let the shell complete the names of folders."""
    return [CompletionItem(incomplete, type="dir")]


def plate_ids(context: click.Context, parameter: click.Parameter, incomplete: str) -> list[str]:
    """Return the plates that the session lists, as far as its file can be read."""
    session = context.params.get("session") or context.params.get("log") or ""
    try:
        with (Path(session) / "session.toml").open("rb") as stream:
            plates = tomllib.load(stream)["plate"]
        names = [str(plate["id"]) for plate in plates]
    except (OSError, TypeError, KeyError, ValueError):
        return []
    named = context.params.get(parameter.name or "") or ()
    return [name for name in names if name.startswith(incomplete) and name not in named]


def process_names(context: click.Context, parameter: click.Parameter, incomplete: str) -> list[str]:
    """Return the printing processes known here."""
    from platebench.printing.process_file import list_processes, process_folders

    session = context.params.get("session")
    user = Path(click.get_app_dir("platebench"))
    names = list_processes(process_folders(session if isinstance(session, Path) else None, user))
    return [name for name in names if name.startswith(incomplete)]
