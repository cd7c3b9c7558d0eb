"""Log lines of each plate's work, and the progress that whoever waits is shown.

``work_on`` names the plate for every line logged meanwhile, in worker processes too; ``Progress``
is silent unless somebody listens, and ``TimeLeft`` guesses from the work done.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from typing import Protocol

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


_MOMENT_S = 2.0
EVIDENCE_S = 2.0  # of work, before anything is said of the time left


class Progress(Protocol):
    """Told of work as it goes; lives in the parent process only."""

    def begin(self, what: str, total: int, *, work: float = 0.0, at_once: int = 1) -> None:
        """Begin work called ``what`` on ``total`` things.

        Where things are not alike, ``work`` is the sum of what :meth:`advance` will be told of
        them, such as bytes; 0: they are alike. ``at_once`` of them are worked on side by side.
        """

    def advance(self, name: str, work: float = 1.0) -> None:
        """Count one thing more, called ``name``, as done."""

    def note(self, text: str) -> None:
        """Say something that the person should know now."""

    def end(self) -> None:
        """End the work begun last, done or not."""


class NullProgress:
    """Tells nobody: the default of every library function."""

    def begin(self, what: str, total: int, *, work: float = 0.0, at_once: int = 1) -> None:
        """Do nothing."""

    def advance(self, name: str, work: float = 1.0) -> None:
        """Do nothing."""

    def note(self, text: str) -> None:
        """Do nothing."""

    def end(self) -> None:
        """Do nothing."""


@contextmanager
def working(
    progress: Progress | None, what: str, total: int, *, work: float = 0.0
) -> Iterator[Progress]:
    """Begin work, yield what is to be told of it, and end it, done or not; no work, no word."""
    told = progress if progress is not None and total else NullProgress()
    told.begin(what, total, work=work)
    try:
        yield told
    finally:
        told.end()


class TimeLeft:
    """How long work will still take, by how long it took so far.

    Parameters
    ----------
    total : int
        Things to do.
    work : float
        Their work, in any unit; 0: each is 1.
    at_once : int
        Things worked on side by side. They come in rounds, so how fast is only asked at the end
        of one.
    clock : callable
        Seconds that go on.
    """

    def __init__(
        self,
        total: int,
        *,
        work: float = 0.0,
        at_once: int = 1,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self.total, self.done = total, 0
        self._work, self._worked = work or float(total), 0.0
        self._round = max(1, at_once)
        self._clock, self._begun = clock, clock()
        self._known: tuple[float, float] | None = None  # seconds left, and when that was so

    @property
    def passed_s(self) -> float:
        """Seconds since it began."""
        return self._clock() - self._begun

    def advance(self, work: float = 1.0) -> None:
        """Count one thing more as done."""
        self.done += 1
        self._worked += work
        now = self._clock()
        took = now - self._begun
        if self.done < 2 or self.done % self._round or took < EVIDENCE_S or self._worked <= 0:
            return
        self._known = took / self._worked * (self._work - self._worked), now

    @property
    def seconds(self) -> float | None:
        """Seconds left; None until there is evidence, and when nothing is left."""
        if self._known is None or self.done >= self.total:
            return None
        left, then = self._known
        return max(0.0, left - (self._clock() - then))


def left_in_words(seconds: float) -> str:
    """Say how long work will still take, no finer than it is known.

    Examples
    --------
    >>> [left_in_words(s) for s in (0.4, 8, 48, 4000)]
    ['a moment left', 'about 8 s left', 'about 50 s left', 'about 1 h 7 min left']
    """
    if seconds < _MOMENT_S:
        return "a moment left"
    if seconds < 15:
        return f"about {seconds:.0f} s left"
    if seconds < 57.5:
        return f"about {5 * round(seconds / 5)} s left"
    minutes = max(1, round(seconds / 60))
    words = f"{minutes} min" if minutes < 60 else f"{minutes // 60} h {minutes % 60} min"
    return f"about {words} left"
