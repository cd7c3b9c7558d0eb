"""Who may see a plate: the plate log's own column "access"."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Literal

from platebench.plate_log.entry import LogEntry

Access = Literal["open", "restricted", "private"]
_FROM_OPEN: tuple[Access, ...] = ("open", "restricted", "private")


def access_of(entry: LogEntry | None) -> Access:
    """Return who may see a plate; of several such columns the strictest counts.

    A word that is not known keeps the plate in: who wrote it meant something.

    Examples
    --------
    >>> access_of(LogEntry(plate_id="1", more=(("Access", " Restricted "),)))
    'restricted'
    >>> access_of(LogEntry(plate_id="1", more=(("access", "until 2040"),)))
    'private'
    """
    cells = [] if entry is None else [c for head, c in entry.more if _plain(head) == "access"]
    return strictest(_meant(_plain(cell)) for cell in cells)


def strictest(said: Iterable[Access]) -> Access:
    """Return what lets the fewest see a plate; of nothing said, "open"."""
    return max(said, key=_FROM_OPEN.index, default="open")


def _meant(word: str) -> Access:
    if word in ("", "open"):
        return "open"
    return "restricted" if word == "restricted" else "private"


def _plain(text: str) -> str:
    return text.casefold().strip()
