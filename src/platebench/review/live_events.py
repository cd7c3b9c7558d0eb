"""What happens on the table, told to every page that listens."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator, Mapping
from threading import Lock
from typing import Any

_WAITING = 256  # events a page may be behind before it is told to look at everything again
_PULSE_S = 15.0  # between signs of life, so that a closed page is noticed


class Events:
    """Passes events from any thread to the pages."""

    def __init__(self) -> None:
        self._lock = Lock()
        self._pages: dict[asyncio.Queue[str], asyncio.AbstractEventLoop] = {}
        self._closed = False

    @property
    def listening(self) -> int:
        """Number of pages that listen."""
        with self._lock:
            return len(self._pages)

    def tell(self, kind: str, **facts: Any) -> None:
        """Tell every page; from any thread."""
        text = _as_text(kind, facts)
        with self._lock:
            pages = list(self._pages.items())
        for queue, loop in pages:
            loop.call_soon_threadsafe(_put, queue, text)

    def close(self) -> None:
        """End every page's stream."""
        self._closed = True
        self.tell("closed")

    async def stream(self) -> AsyncIterator[str]:
        """Yield events as text, in the format of the HTML standard's server-sent events."""
        queue: asyncio.Queue[str] = asyncio.Queue()
        with self._lock:
            self._pages[queue] = asyncio.get_running_loop()
        try:
            yield ": listening\n\n"
            while not self._closed:
                try:
                    yield await asyncio.wait_for(queue.get(), _PULSE_S)
                except TimeoutError:
                    yield ": still here\n\n"
        finally:
            with self._lock:
                self._pages.pop(queue, None)


def _put(queue: asyncio.Queue[str], text: str) -> None:
    if queue.qsize() < _WAITING:
        queue.put_nowait(text)
    elif queue.qsize() == _WAITING:
        queue.put_nowait(_as_text("changed", {}))


def _as_text(kind: str, facts: Mapping[str, Any]) -> str:
    return f"event: {kind}\ndata: {json.dumps(facts)}\n\n"
