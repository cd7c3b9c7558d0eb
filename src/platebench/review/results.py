"""What conversion left, for the table: the files made of each plate, records and failures.

A file is read once for as long as it stays the same: the list of a large session asks for hundreds.
"""

from __future__ import annotations

import stat
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from threading import Lock
from typing import Any, TypeVar

from platebench.core.plain_json import read_json
from platebench.plate.job import RECORDS
from platebench.session.record import RecordFile, read_record
from platebench.session.session_report import REPORT

SHOWN = (".jpg", ".png", ".webp")  # what a browser shows as a picture


@dataclass(frozen=True, slots=True, kw_only=True)
class Done:
    """What became of a piece of work.

    Attributes
    ----------
    said : tuple of str
        What is to be said.
    files : tuple of Path
        Files written that the page may open.
    notes : tuple of str
        What a person should know before using them.
    cautions : tuple of str
        What can hurt.
    """

    said: tuple[str, ...]
    files: tuple[Path, ...] = ()
    notes: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()


class MadeFiles:
    """Files made since the table was opened; nothing else is given out.

    A browser names a file by its number and name, never by a path.
    """

    def __init__(self) -> None:
        self._lock = Lock()
        self._paths: list[Path] = []

    def offer(self, paths: Iterable[Path]) -> list[dict[str, object]]:
        """Return ``name``, ``number`` and ``picture`` (whether it is one) of files made."""
        offered: list[dict[str, object]] = []
        with self._lock:
            for path in paths:
                if path not in self._paths:
                    self._paths.append(path)
                number, picture = self._paths.index(path), path.suffix in SHOWN
                offered.append({"name": path.name, "number": number, "picture": picture})
        return offered

    def path(self, number: int, name: str) -> Path | None:
        """Return the file that was offered so, if it is still there and no link to elsewhere."""
        with self._lock:
            path = self._paths[number] if 0 <= number < len(self._paths) else None
        return path if path is not None and path.name == name and is_plain_file(path) else None


def is_plain_file(path: Path) -> bool:
    """Tell whether a file is there, and no link to elsewhere; a name no file can have is none."""
    try:
        return stat.S_ISREG(path.lstat().st_mode)
    except (OSError, ValueError):
        return False


Stamp = tuple[int, int]
T = TypeVar("T")


class Results:
    """The folder of results, as it stands whenever it is asked.

    Parameters
    ----------
    output : Path
        The folder; it need not be there yet.
    """

    def __init__(self, output: Path) -> None:
        self.output = output
        self._read: dict[Path, tuple[Stamp, Any]] = {}

    def record(self, plate_id: str) -> RecordFile | None:
        """Return a plate's record; None where there is none."""
        return self._kept(self.output / RECORDS / f"{plate_id}.json", read_record)

    def failures(self) -> Mapping[str, str]:
        """Return why plates could not be converted when that was last tried, by plate."""
        return self._kept(self.output / REPORT, _failures_in)

    def _kept(self, path: Path, read: Callable[[Path], T]) -> T:
        stamp = stamp_of(path)
        kept = self._read.get(path)
        if kept is None or kept[0] != stamp:
            kept = self._read[path] = stamp, read(path)
        found: T = kept[1]
        return found


def stamp_of(path: Path) -> Stamp:
    """Return what changes when a file does; zeros where there is none."""
    try:
        seen = path.stat()
    except OSError:
        return 0, 0
    return seen.st_size, seen.st_mtime_ns


def _failures_in(report: Path) -> dict[str, str]:
    """Return the messages of the plates that a report says have failed."""
    try:
        plates = read_json(report.read_bytes())["plates"]
        return {p["id"]: str(p["error"]["message"]) for p in plates if p.get("error")}
    except (OSError, ValueError, LookupError, TypeError, AttributeError):
        return {}  # no report, or none of ours
