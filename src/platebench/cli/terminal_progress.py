"""How work is told on stderr: a bar at a terminal, lines where asked for, notes alone elsewhere.

``--verbose`` is followed here too.
"""

from __future__ import annotations

import logging
import os
import sys
from typing import TYPE_CHECKING

import click

from platebench.core.progress import NullProgress, Progress, TimeLeft, left_in_words
from platebench.core.shown import LONGEST_PART, shown

_KEY = "platebench.verbose"


class _Lines(logging.Handler):
    """Writes a line on stderr; whose it is, where it is not ours."""

    def emit(self, record: logging.LogRecord) -> None:
        ours = record.name.split(".")[0] == "platebench"
        text = shown(" ".join(record.getMessage().split()), LONGEST_PART)
        click.echo(text if ours else f"{record.name}: {text}", err=True)


def speak_up(context: click.Context) -> None:
    """Show what is logged, from now until the command ends."""
    root, handler = logging.getLogger(), _Lines()
    before = root.level
    root.addHandler(handler)
    root.setLevel(logging.INFO)
    logging.captureWarnings(True)
    context.meta[_KEY] = True

    def fall_silent() -> None:
        root.removeHandler(handler)
        root.setLevel(before)
        logging.captureWarnings(False)

    context.call_on_close(fall_silent)


def is_verbose() -> bool:
    """Tell whether the command that runs was asked for more."""
    context = click.get_current_context(silent=True)
    return context is not None and bool(context.meta.get(_KEY))


if TYPE_CHECKING:
    from click._termui_impl import ProgressBar

BAR_WIDTH = 24
SHORT_S = 2.0  # work that took less leaves no bar behind
_SHOW_CURSOR = "\x1b[?25h"  # which drawing a bar hides


class TerminalProgress:
    """Shows progress to a person at a terminal, and what it is likely to take."""

    def __init__(self) -> None:
        self._bar: ProgressBar[int] | None = None
        self._left: TimeLeft | None = None

    def begin(self, what: str, total: int, *, work: float = 0.0, at_once: int = 1) -> None:
        """Draw the bar."""
        self.end()
        self._left = TimeLeft(total, work=work, at_once=at_once)
        self._bar = click.progressbar(
            length=total,
            label=what,
            show_eta=False,  # its own is a guess from the first thing on
            show_pos=True,
            width=BAR_WIDTH,
            item_show_func=lambda _: self._time_left(),
            file=sys.stderr,
        )
        self._bar.__enter__()

    def advance(self, name: str, work: float = 1.0) -> None:  # noqa: ARG002, the protocol has it
        """Move it on by one."""
        if self._bar and self._left:
            self._left.advance(work)
            self._bar.update(1)

    def note(self, text: str) -> None:
        """Print a line below the bar; the bar goes on beneath."""
        click.echo(f"\n{text}" if self._bar else text, err=True)

    def end(self) -> None:
        """Leave the bar standing where it took a while; wipe it away where it did not."""
        if self._bar is None or self._left is None:
            return
        if self._left.passed_s < SHORT_S:
            click.echo(f"\r{' ' * (self._bar.max_width or 0)}\r", err=True, nl=False)
            self._bar.hidden = True
            click.echo(_SHOW_CURSOR, err=True, nl=False)
        self._bar.__exit__(None, None, None)
        self._bar = None

    def _time_left(self) -> str | None:
        seconds = self._left.seconds if self._left else None
        return None if seconds is None else left_in_words(seconds)


class SpokenProgress(NullProgress):
    """Only notes, a line each: for logs and pipes."""

    def note(self, text: str) -> None:
        """Print a line on stderr."""
        click.echo(text, err=True)


class LineProgress(SpokenProgress):
    """A line for each piece of work begun and ended, and now and then one between.

    For ``--verbose``, and for terminals that cannot draw over a line.
    """

    def __init__(self, pause_s: float = 1.0) -> None:
        self._pause_s = pause_s
        self._what, self._left, self._said_s = "", TimeLeft(0), 0.0

    def begin(self, what: str, total: int, *, work: float = 0.0, at_once: int = 1) -> None:
        """Say what is begun."""
        self._what, self._said_s = what, 0.0
        self._left = TimeLeft(total, work=work, at_once=at_once)
        side_by_side = f", {at_once} at a time" if at_once > 1 else ""
        self.note(f"{what}: {total} to do{side_by_side}")

    def advance(self, name: str, work: float = 1.0) -> None:
        """Say what is done, and how long the rest may take, if nothing was said just now."""
        self._left.advance(work)
        if self._left.passed_s - self._said_s < self._pause_s:
            return
        self._said_s = self._left.passed_s
        seconds = self._left.seconds
        left = "" if seconds is None else f", {left_in_words(seconds)}"
        self.note(f"{self._what}: {self._left.done} of {self._left.total}, {shown(name)}{left}")

    def end(self) -> None:
        """Say how long it took."""
        self.note(f"{self._what}: {self._left.done} done in {self._left.passed_s:.1f} s")


def progress_for(quiet: bool) -> Progress:
    """Return what suits stderr and what was asked for."""
    if quiet:
        return NullProgress()
    if is_verbose():
        return LineProgress()
    if not sys.stderr.isatty():
        return SpokenProgress()
    dumb = os.environ.get("TERM", "") == "dumb"
    return LineProgress(pause_s=5.0) if dumb else TerminalProgress()
