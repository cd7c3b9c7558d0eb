"""Where the time of one thing's work went, for whoever asks; costs nothing where nobody does.

The library only ever logs, to the logger ``platebench``; a program that wants to see it says so
with ``logging``, as the command line does for ``--verbose``.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar

LOG = logging.getLogger("platebench")
LOG.addHandler(logging.NullHandler())

_steps: ContextVar[dict[str, float] | None] = ContextVar("steps", default=None)


@contextmanager
def work_on(name: str, clock: Callable[[], float] = time.perf_counter) -> Iterator[None]:
    """Log, at the end, how long the work on ``name`` took and which steps took it."""
    if not LOG.isEnabledFor(logging.INFO):
        yield
        return
    steps: dict[str, float] = {}
    token, begun = _steps.set(steps), clock()
    try:
        yield
    finally:
        _steps.reset(token)
        taken = clock() - begun
        parts = ", ".join(f"{what} {seconds:.2f}" for what, seconds in steps.items())
        LOG.info("%s: %.2f s%s", name, taken, f" ({parts})" if parts else "")


@contextmanager
def step(what: str, clock: Callable[[], float] = time.perf_counter) -> Iterator[None]:
    """Count the time of a block as the step ``what`` of the work in hand."""
    steps = _steps.get()
    if steps is None:
        yield
        return
    begun = clock()
    try:
        yield
    finally:
        steps[what] = steps.get(what, 0.0) + clock() - begun


class Kept(logging.Handler):
    """Keeps what is logged, as plain values that pass between processes."""

    def __init__(self) -> None:
        super().__init__()
        self.lines: list[tuple[str, int, str]] = []

    def emit(self, record: logging.LogRecord) -> None:
        """Keep one line."""
        self.lines.append((record.name, record.levelno, record.getMessage()))


def log_again(lines: list[tuple[str, int, str]]) -> None:
    """Log lines that were kept in another process."""
    for name, level, text in lines:
        logging.getLogger(name).log(level, "%s", text)
