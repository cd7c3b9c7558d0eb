"""Long sentences on a terminal."""

from __future__ import annotations

import os
import shutil
import sys
from collections.abc import Sequence
from textwrap import fill

import click

_UNKNOWN = 80  # columns, where output goes into a file or another program
_LEAST = 40  # narrower, indents leave no room for words


def wrapped(text: str, indent: str = "  ", hanging: str = "  ") -> None:
    """Print a sentence, wrapped at the terminal's width; addresses stay whole.

    Parameters
    ----------
    text : str
    indent : str
        Before the first line.
    hanging : str
        Before the lines that follow, beyond the indent.
    """
    click.echo(
        fill(
            text,
            max(_LEAST, columns()),
            initial_indent=indent,
            subsequent_indent=" " * len(indent) + hanging,
            break_on_hyphens=False,
            break_long_words=False,
        )
    )


def show_cautions(cautions: Sequence[str]) -> None:
    """Print cautions, before what they are about; a blank line follows."""
    if not cautions:
        return
    click.echo("Before you begin: cautions")
    for line in cautions:
        wrapped(line)
    click.echo()


def columns() -> int:
    """Return how wide the terminal is; COLUMNS in the environment wins."""
    if sys.stdout.isatty() or "COLUMNS" in os.environ:
        return shutil.get_terminal_size((_UNKNOWN, 24)).columns
    return _UNKNOWN
