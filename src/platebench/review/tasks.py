"""Work started from the page: one thing at a time, with real progress and plain results."""

from __future__ import annotations

import time
from collections.abc import Callable
from threading import Lock, Thread
from typing import Any

from platebench.errors import PlateError
from platebench.progress import Progress
from platebench.review.events import Events

Work = Callable[[Progress], list[str]]  # returns what is to be said when it is done


class PageProgress:
    """Tells the pages how far work has come, and how long it may still take."""

    def __init__(self, events: Events, task: str, clock: Callable[[], float] = time.monotonic):
        self._events, self._task, self._clock = events, task, clock
        self._what, self._total, self._done, self._begun = "", 0, 0, 0.0

    def begin(self, what: str, total: int) -> None:
        """Begin work called ``what`` on ``total`` things."""
        self._what, self._total, self._done, self._begun = what, total, 0, self._clock()
        self._tell("")

    def advance(self, name: str) -> None:
        """Count one thing more as done."""
        self._done += 1
        self._tell(name)

    def note(self, text: str) -> None:
        """Pass on something that a person should know now."""
        self._events.tell("note", task=self._task, text=text)

    def end(self) -> None:
        """End the work begun last."""

    def _tell(self, name: str) -> None:
        left = None
        if 0 < self._done < self._total:
            passed = self._clock() - self._begun
            left = round(passed / self._done * (self._total - self._done))
        self._events.tell(
            "progress",
            task=self._task,
            what=self._what,
            done=self._done,
            total=self._total,
            name=name,
            seconds_left=left,
        )


class Tasks:
    """Runs one thing at a time beside the server.

    Parameters
    ----------
    events : Events
        Told of ``begun``, ``progress``, ``note`` and ``done``.
    """

    def __init__(self, events: Events) -> None:
        self._events = events
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
            facts["said"] = work(PageProgress(self._events, name))
        except PlateError as error:
            facts = {"failed": True, "said": str(error).splitlines()}
        except Exception as error:  # told to the page; the server goes on
            text = " ".join(f"{type(error).__name__}: {error}".split())
            facts = {"failed": True, "said": [f"unexpected: {text}"]}
        finally:
            self._running = None
            self._events.tell("done", task=name, **facts)
