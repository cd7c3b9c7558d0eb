"""Notice that files of the session have changed on disk, by whoever."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from threading import Event, Thread

from platebench.core.errors import PlateError
from platebench.review.table import ReviewTable
from platebench.review.tasks import Events
from platebench.session.settings_file import FILE_NAME

PAUSE_S = 0.7

Stamps = tuple[tuple[str, int, int], ...]


class DiskWatch:
    """Looks at the session's files every so often and tells the pages when one has changed."""

    def __init__(self, table: ReviewTable, events: Events) -> None:
        self._table, self._events = table, events
        self._stop = Event()
        self._seen = self._stamps()

    def start(self) -> None:
        """Begin to watch, beside the server."""
        Thread(target=self._watch, daemon=True).start()

    def stop(self) -> None:
        """Stop watching."""
        self._stop.set()

    def look(self) -> bool:
        """Look once; tell and return True where something has changed."""
        seen = self._stamps()
        if seen == self._seen:
            return False
        self._seen = seen
        with suppress(PlateError, OSError):  # the session says so, until it is mended
            self._table.reread()
        self._events.tell("changed")
        return True

    def _watch(self) -> None:
        while not self._stop.wait(PAUSE_S):
            self.look()

    def _stamps(self) -> Stamps:
        output = self._table.output
        paths = [self._table.folder / FILE_NAME, output / "report.json"]
        paths += sorted((output / "plates").glob("*.json"))
        return tuple(stamp for path in paths for stamp in _stamped(path))


def _stamped(path: Path) -> Stamps:
    try:
        seen = path.stat()
    except OSError:
        return ()
    return ((path.name, seen.st_size, seen.st_mtime_ns),)


def on_ready(events: Events) -> Callable[[str], None]:
    """Return what tells the pages that a plate's pixels have been read anew."""
    return lambda plate_id: events.tell("ready", plate=plate_id)
