"""Work started from the page, one thing at a time, and what every open page learns of it."""

from __future__ import annotations

import asyncio
import json
import time
from collections.abc import AsyncIterator, Callable, Mapping
from threading import Lock, Thread
from typing import Any

from platebench.core.errors import PlateError
from platebench.core.progress import Progress, TimeLeft
from platebench.review.results import Done, MadeFiles
from platebench.review.telling import message_of

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


Work = Callable[[Progress], Done]


class PageProgress:
    """Tells the pages how far work has come, and how long it may still take."""

    def __init__(self, events: Events, task: str, clock: Callable[[], float] = time.monotonic):
        self._events, self._task, self._clock = events, task, clock
        self._what, self._left = "", TimeLeft(0, clock=clock)

    def begin(self, what: str, total: int, *, work: float = 0.0, at_once: int = 1) -> None:
        """Begin work called ``what`` on ``total`` things."""
        self._what = what
        self._left = TimeLeft(total, work=work, at_once=at_once, clock=self._clock)
        self._tell("")

    def advance(self, name: str, work: float = 1.0) -> None:
        """Count one thing more as done."""
        self._left.advance(work)
        self._tell(name)

    def note(self, text: str) -> None:
        """Pass on something that a person should know now."""
        self._events.tell("note", task=self._task, text=text)

    def end(self) -> None:
        """End the work begun last."""

    def _tell(self, name: str) -> None:
        left = self._left.seconds
        self._events.tell(
            "progress",
            task=self._task,
            what=self._what,
            done=self._left.done,
            total=self._left.total,
            name=name,
            seconds_left=None if left is None else round(left),
        )


class Tasks:
    """Runs one thing at a time beside the server.

    Parameters
    ----------
    events : Events
        Told of ``begun``, ``progress``, ``note`` and ``done``.

    Attributes
    ----------
    made : MadeFiles
        What was written so far.
    """

    def __init__(self, events: Events) -> None:
        self._events, self.made = events, MadeFiles()
        self._lock = Lock()
        self._running: str | None = None

    @property
    def running(self) -> str | None:
        """Name of what is being done."""
        return self._running

    def start(self, name: str, work: Work) -> bool:
        """Begin a piece of work; False where another is still being done."""
        with self._lock:
            if self._running is not None:
                return False
            self._running = name
        self._events.tell("begun", task=name)
        Thread(target=self._run, args=(name, work), daemon=True).start()
        return True

    def _run(self, name: str, work: Work) -> None:
        facts: dict[str, Any] = {"failed": False}
        try:
            done = work(PageProgress(self._events, name))
            facts |= {"said": done.said, "notes": done.notes, "cautions": done.cautions}
            facts["files"] = self.made.offer(done.files)
        except PlateError as error:
            facts = {"failed": True, "said": str(error).splitlines()}
        except Exception as error:  # told to the page; the server goes on
            facts = {"failed": True, "said": [message_of(error)]}
        finally:
            self._running = None
            self._events.tell("done", task=name, **facts)
