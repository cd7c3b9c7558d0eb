"""``platebench shortcut``: a file to click that opens the page."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from platebench.cli.options import A_PATH, ExampledCommand, print_json, talk_options
from platebench.core.start_entry import SYSTEMS, System, system_named, write_start_entry


@click.command(
    "shortcut",
    cls=ExampledCommand,
    short_help="Write a file to click that opens the page.",
    examples=(
        "platebench shortcut ~/Desktop",
        "platebench shortcut ~/.local/share/applications   # Linux: into the menu",
    ),
)
@click.argument("folder", type=A_PATH)
@click.option("--for", "system", type=click.Choice(SYSTEMS), help="Which system.  [default: this]")
@talk_options
def command(folder: Path, system: System | None, as_json: bool, quiet: bool) -> None:
    """Write a file into FOLDER that opens the page when it is clicked: no terminal needed.

    On Linux a desktop entry, on macOS a .command file, on Windows a .bat file. It runs the
    platebench you call now; write it again after you have installed platebench elsewhere.
    """
    path = write_start_entry(folder, Path(sys.executable), system or system_named(sys.platform))
    if as_json:
        print_json({"file": str(path)})
    elif not quiet:
        click.echo(path)
