"""Files that work started from the page has written, and where the page finds them again."""

from __future__ import annotations

import stat
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from threading import Lock

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
