"""What conversion left beside the pictures, read for the table: records and failures.

A file is read once for as long as it stays the same: the list of a large session asks for hundreds.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from platebench.files.plain_json import read_json
from platebench.session.record import read_record
from platebench.session.session_report import REPORT

Stamp = tuple[int, int]


class Results:
    """The folder of results, as it stands whenever it is asked.

    Parameters
    ----------
    output : Path
        The folder; it need not be there yet.
    """

    def __init__(self, output: Path) -> None:
        self.output = output
        self._read: dict[Path, tuple[Stamp, Mapping[str, Any]]] = {}

    def record(self, plate_id: str) -> Mapping[str, Any]:
        """Return a plate's record; empty where there is none. Not to be changed."""
        return self._kept(self.output / "plates" / f"{plate_id}.json", read_record)

    def failures(self) -> Mapping[str, str]:
        """Return why plates could not be converted when that was last tried, by plate."""
        return self._kept(self.output / REPORT, _failures_in)

    def _kept(self, path: Path, read: Callable[[Path], Mapping[str, Any]]) -> Mapping[str, Any]:
        stamp = stamp_of(path)
        kept = self._read.get(path)
        if kept is None or kept[0] != stamp:
            kept = self._read[path] = stamp, read(path)
        return kept[1]


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
