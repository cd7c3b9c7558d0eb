"""LibRaw writes its complaints straight to the process's stderr; this keeps them off it.

What went wrong still arrives as an exception, and becomes one sentence of ours.
"""

from __future__ import annotations

import contextlib
import os
import tempfile
import threading
from collections.abc import Iterator
from typing import IO

_STDERR = 2
_COMPLAINTS = (b": Unexpected end of file", b": data corrupted at ")


class _Redirect:
    """One redirection shared by all threads inside ``without_libraw_lines``."""

    def __init__(self) -> None:
        self.lock = threading.Lock()
        self.depth = 0
        self.saved: int | None = None
        self.held: IO[bytes] | None = None

    def enter(self) -> None:
        with self.lock:
            self.depth += 1
            if self.depth > 1:
                return
            try:
                self.held = tempfile.TemporaryFile()  # noqa: SIM115 closed in leave
                self.saved = os.dup(_STDERR)
                os.dup2(self.held.fileno(), _STDERR)
            except OSError:  # no stderr, or no room for a temporary file: then it prints
                self._put_back()

    def leave(self) -> None:
        with self.lock:
            self.depth -= 1
            if self.depth == 0:
                self._put_back()

    def _put_back(self) -> None:
        """Restore stderr, then give it what others wrote to it meanwhile."""
        saved, held, self.saved, self.held = self.saved, self.held, None, None
        if saved is not None:
            os.dup2(saved, _STDERR)
            os.close(saved)
        if held is None:
            return
        with held, contextlib.suppress(OSError):
            held.seek(0)
            for line in held:
                if not any(complaint in line for complaint in _COMPLAINTS):
                    os.write(_STDERR, line)


_REDIRECT = _Redirect()


@contextlib.contextmanager
def without_libraw_lines() -> Iterator[None]:
    """Hold stderr back while the block runs, and drop LibRaw's lines from it.

    Lines that others write meanwhile appear when the block ends. A process started inside the
    block would lose its stderr: start none.
    """
    _REDIRECT.enter()
    try:
        yield
    finally:
        _REDIRECT.leave()
