"""How a command ends early: asked to, refused something, or because nobody reads any more."""

from __future__ import annotations

import os
import signal
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from io import TextIOWrapper
from pathlib import Path
from types import FrameType

import click

from platebench.core.errors import NoAccessError, PlateError
from platebench.core.files import HELD_OPEN, NO_ROOM, is_held_open, write_error
from platebench.core.plate_names import fault_of_encoding

_LONGEST_NAME = 1000
_OPTIONS = {  # of settings that are commands, have another name, or need a value to be understood
    "anew": "platebench catalogue index COLLECTION --anew",
    "archive": "platebench archive",
    "at": "--at 1200px,800px",
    "calibrate": "platebench calibrate",
    "calibrate_process": "platebench calibrate-process",
    "captures": "--captures FOLDER",
    "chart": "--chart FILE",
    "convert": "platebench convert",
    "first": "--first SECONDS",
    "first_step": "--first-step N",
    "index": "platebench catalogue index COLLECTION",
    "printing_time": "platebench printing-time",
    "start": "platebench start FOLDER",
    "workers": "--jobs 1",
}


def show_error(error: PlateError, plate_id: str = "") -> None:
    """Print an error on stderr, with the options of this command that do what it advises."""
    named = [_OPTIONS.get(name, f"--{name.replace('_', '-')}") for name in error.settings]
    here = _options_here()
    options = [one for one in named if here is None or one[0] != "-" or one.split()[0] in here]
    words = f"{error} ({', '.join(options)})" if options else str(error)
    plate = f"{plate_id}: " if plate_id else ""
    for line in words.removeprefix(plate).splitlines():
        click.echo(f"Error: {plate}{line}", err=True)


def _options_here() -> set[str] | None:
    """Return the options of the command that runs; None where none does."""
    ctx = click.get_current_context(silent=True)
    command = ctx.command if ctx else None
    if ctx and isinstance(command, click.Group) and ctx.invoked_subcommand:
        command = command.get_command(ctx, ctx.invoked_subcommand)
    if command is None or isinstance(command, click.Group):
        return None
    return {option for part in command.params for option in part.opts}


def open_closed_streams() -> None:
    """Let what was closed before we were started lead nowhere instead.

    Python has no ``sys.stderr`` then, and the next file that is opened becomes descriptor 2: what a
    library complains of would be written into it.
    """
    for number, name, mode in ((0, "stdin", "r"), (1, "stdout", "w"), (2, "stderr", "w")):
        try:
            os.fstat(number)
        except OSError:
            nowhere = os.open(os.devnull, os.O_RDWR)  # the lowest that is free: this one
            os.set_inheritable(nowhere, True)  # as the other two are, for worker processes
        if getattr(sys, name) is None:
            setattr(sys, name, os.fdopen(number, mode, encoding="utf-8", closefd=False))


def any_name_can_be_shown() -> None:
    r"""Let output pass what its encoding lacks: a file's name may be any bytes.

    Such characters are shown as Python writes them, ``\udcff``; ``--json`` never needs it.
    """
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")


def refused_by_the_system(error: OSError) -> PlateError:
    """Return the sentence for what the system refuses wherever a name is looked at.

    Any use of a path may meet a folder that may not be entered, or a name that is too long.

    Raises
    ------
    OSError
        The error itself, where it names no file: that is a fault of the program.
    """
    if error.filename is not None and is_held_open(error):
        return NoAccessError(error.filename, *HELD_OPEN)
    if error.filename is not None:
        return NoAccessError(error.filename, error.strerror or str(error))
    if error.errno in NO_ROOM:  # what is printed goes into a file
        stop_writing(errors_too=False)
        return write_error(Path("output"), error)
    raise error


def refused_by_the_encoding(error: UnicodeEncodeError) -> PlateError:
    """Return the sentence for a name that the system, or a document, cannot hold.

    Raises
    ------
    UnicodeEncodeError
        The error itself, where it is about no name: that is a fault of the program.
    """
    name = str(error.object)
    if len(name) > _LONGEST_NAME or "\n" in name:
        raise error
    fault = fault_of_encoding(name) or f"cannot be written as {error.encoding}"
    return NoAccessError(name, f"the name {fault}", "give it another name")


def stop_writing(*, errors_too: bool = True) -> None:
    """Let what still waits in buffers go nowhere, else the interpreter's end would complain."""
    nowhere = os.open(os.devnull, os.O_WRONLY)
    for stream in (sys.stdout, sys.stderr) if errors_too else (sys.stdout,):
        with suppress(OSError, ValueError):
            os.dup2(nowhere, stream.fileno())


@contextmanager
def terminated_as_interrupted() -> Iterator[None]:
    """Let the polite request to end (SIGTERM) clean up as Ctrl-C does."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return

    def interrupt(_number: int, _frame: FrameType | None) -> None:
        raise KeyboardInterrupt

    before = signal.signal(signal.SIGTERM, interrupt)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)
