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

from platebench.errors import NoAccessError, PlateError
from platebench.fsio import HELD_OPEN, NO_ROOM, is_held_open, write_error


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

    def interrupt(number: int, frame: FrameType | None) -> None:
        raise KeyboardInterrupt

    before = signal.signal(signal.SIGTERM, interrupt)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)
