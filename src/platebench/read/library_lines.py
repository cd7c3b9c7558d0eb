"""Lines that C libraries write straight to the process's stderr: kept off it, and read.

LibRaw, libjpeg and libpng say there, and often only there, that a file is damaged.
"""

from __future__ import annotations

import contextlib
import os
import tempfile
import threading
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Final

_STDERR: Final = 2
_DAMAGE: Final = (
    ": Unexpected end of file",  # LibRaw
    ": data corrupted at ",
    "Corrupt JPEG data",  # libjpeg
    "Premature end of JPEG file",
    "Inconsistent progression sequence",
)
_CHATTER: Final = (
    "PNG warning: ",
    "libpng warning: ",
    "[ WARN:",  # OpenCV
    "[ERROR:",
    "Invalid SOS parameters",  # libjpeg, and the picture is whole
    "Warning: unknown JFIF revision",
    "Unknown Adobe color transform",
)
_one_at_a_time = threading.Lock()


@dataclass(slots=True)
class LibraryLines:
    """What libraries complained of.

    Attributes
    ----------
    damage : list of str
        Lines that say the picture is not whole; filled when the block ends.
    """

    damage: list[str] = field(default_factory=list)


@contextlib.contextmanager
def library_lines() -> Iterator[LibraryLines]:
    """Hold stderr back while the block runs, and take the libraries' lines out of it.

    Lines that others write meanwhile appear when the block ends. One block runs at a time in a
    process. A process started inside the block would lose its stderr: start none.
    """
    lines = LibraryLines()
    with _one_at_a_time, contextlib.ExitStack() as undo:
        try:
            held = undo.enter_context(tempfile.TemporaryFile())
            saved = os.dup(_STDERR)
        except OSError:  # no stderr, or no room for a temporary file: nothing is held back
            yield lines
            return
        try:
            os.dup2(held.fileno(), _STDERR)
            yield lines
        finally:
            os.dup2(saved, _STDERR)
            os.close(saved)
            held.seek(0)
            _sort_out(held.read(), lines)


def _sort_out(text: bytes, lines: LibraryLines) -> None:
    """Keep complaints in ``lines``; give stderr what others wrote."""
    for raw in text.splitlines(keepends=True):
        line = raw.decode(errors="replace").strip()
        if any(mark in line for mark in _DAMAGE):
            lines.damage.append(line)
        elif not line.startswith(_CHATTER):
            with contextlib.suppress(OSError):
                os.write(_STDERR, raw)
