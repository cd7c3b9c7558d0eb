"""``--verbose``: what is done, where its time goes and what libraries say, in lines on stderr."""

from __future__ import annotations

import logging

import click

from platebench.shown import LONGEST_PART, shown

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
