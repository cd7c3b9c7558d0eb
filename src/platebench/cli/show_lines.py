"""Long sentences on a terminal."""

from __future__ import annotations

from textwrap import fill

import click


def wrapped(text: str) -> None:
    """Print a sentence, indented and wrapped; addresses stay whole."""
    click.echo(
        fill(
            text,
            96,
            initial_indent="  ",
            subsequent_indent="    ",
            break_on_hyphens=False,
            break_long_words=False,
        )
    )
