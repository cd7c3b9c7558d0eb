"""Who says nothing, or half a request, keeps nobody out: few of them, not for long, and not a word.

Anybody on this machine can connect. A connection counts as waiting until a whole request head has
come; what has no token is then answered and closed at once (:mod:`platebench.review.guard`), so
only the waiting ones have to be bounded. The newest is never the one to go: a browser sends its
request as it connects.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

from uvicorn.protocols.http.h11_impl import H11Protocol

HEAD_S = 10.0  # for a whole request head, from connecting or from the answer before
MOST_WAITING = 256
AT_A_TIME = 16  # accepted before the others are looked at again
QUEUE = 1024  # that the system lets wait to be accepted
MOST_MESSAGES = 10  # of a run, on standard error


class Connection(H11Protocol):
    """One connection, with a time limit for each request head.

    Parameters
    ----------
    waiting : dict of Connection to None
        Those of this server that have sent no whole request head, oldest first.
    most : int
        How many of them may be; the oldest makes room.
    """

    def __init__(
        self, *args: Any, waiting: dict[Connection, None], most: int, **kwargs: Any
    ) -> None:
        super().__init__(*args, **kwargs)
        self._waiting, self._most = waiting, most
        self._limit: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Begin to wait for a request."""
        super().connection_made(transport)
        self._waiting[self] = None
        if len(self._waiting) > self._most:
            next(iter(self._waiting))._drop()
        self._limit = self.loop.call_later(HEAD_S, self._drop)

    def data_received(self, data: bytes) -> None:
        """Take what came; with a whole head in it, the time that is left is the answer's."""
        super().data_received(data)
        if self.cycle is not None and not self.cycle.response_complete:
            self._waited()

    def on_response_complete(self) -> None:
        """Begin to wait for the next request, unless that has come already."""
        super().on_response_complete()
        if self.cycle.response_complete and not self.transport.is_closing():
            self._waited()
            self._limit = self.loop.call_later(HEAD_S, self._drop)

    def connection_lost(self, exc: Exception | None) -> None:
        """Forget it."""
        self._waited()
        super().connection_lost(exc)

    def _waited(self) -> None:
        self._waiting.pop(self, None)
        if self._limit is not None:
            self._limit.cancel()

    def _drop(self) -> None:
        self._waiting.pop(self, None)
        self.transport.abort()


def connections() -> Callable[..., Connection]:
    """Return what makes the connections of one server."""
    waiting: dict[Connection, None] = {}
    most = min(MOST_WAITING, _most_files() // 4)

    def connection(*args: Any, **kwargs: Any) -> Connection:
        return Connection(*args, waiting=waiting, most=most, **kwargs)

    return connection


def _most_files() -> int:
    """Return how many files this process may have open; Windows does not count sockets."""
    try:
        import resource
    except ImportError:
        return 4 * MOST_WAITING
    most, _ = resource.getrlimit(resource.RLIMIT_NOFILE)
    return 4 * MOST_WAITING if most == resource.RLIM_INFINITY else most


class _Few(logging.Filter):
    """Lets a number of errors pass; warnings are about what strangers send."""

    def __init__(self, most: int) -> None:
        super().__init__()
        self._left = most

    def filter(self, record: logging.LogRecord) -> bool:
        if record.levelno < logging.ERROR:
            return False
        self._left -= 1
        if self._left == 0:
            record.msg, record.args = "The server has more errors; they are not shown.", ()
            record.exc_info = None
        return self._left >= 0


@contextmanager
def few_messages() -> Iterator[None]:
    """Let the server write to standard error only so often."""
    few = _Few(MOST_MESSAGES)
    loggers = [logging.getLogger(name) for name in ("uvicorn.error", "asyncio")]
    for logger in loggers:
        logger.addFilter(few)
    try:
        yield
    finally:
        for logger in loggers:
            logger.removeFilter(few)
