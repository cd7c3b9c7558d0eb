"""A progress bar on stderr with the time left; silent where stderr is no terminal."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

import click

from platebench.progress import NullProgress, Progress

if TYPE_CHECKING:
    from click._termui_impl import ProgressBar


class TerminalProgress:
    """Shows progress to a person at a terminal."""

    def __init__(self) -> None:
        self._bar: ProgressBar[int] | None = None

    def begin(self, what: str, total: int) -> None:
        """Draw the bar."""
        self._bar = click.progressbar(
            length=total,
            label=what,
            show_eta=True,
            show_pos=True,
            item_show_func=lambda _: None,
            file=sys.stderr,
        )
        self._bar.__enter__()

    def advance(self, name: str) -> None:
        """Move it on by one."""
        if self._bar:
            self._bar.update(1)

    def note(self, text: str) -> None:
        """Print a line below the bar; the bar goes on beneath."""
        click.echo(f"\n{text}", err=True)

    def end(self) -> None:
        """Close it with a line break."""
        if self._bar:
            self._bar.__exit__(None, None, None)
            self._bar = None


class SpokenProgress(NullProgress):
    """Only notes, a line each: for logs and pipes."""

    def note(self, text: str) -> None:
        """Print a line on stderr."""
        click.echo(text, err=True)


def progress_for(quiet: bool) -> Progress:
    """Return what suits stderr: a bar at a terminal, notes alone elsewhere, nothing if quiet."""
    if quiet:
        return NullProgress()
    return TerminalProgress() if sys.stderr.isatty() else SpokenProgress()
