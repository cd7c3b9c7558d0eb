"""What a person chose about the page itself, kept from one session to the next.

A browser keeps such things by address, and the page's address is another one each time.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from threading import Lock
from typing import Any

from platebench.core.files import atomic_write
from platebench.core.plain_json import read_json

FILE_NAME = "review-page.json"
GROUNDS = ("system", "light", "dark")
PRINT_SIZES = (8, 30)  # rem
DEFAULTS: Mapping[str, Any] = {"ground": "system", "print_size": 14, "sessions": []}
MOST_SESSIONS = 12


class KeptChoices:
    """Choices in a file of a person's own; in memory alone where there is no folder for it.

    Parameters
    ----------
    folder : Path or None
    """

    def __init__(self, folder: Path | None) -> None:
        self._path = None if folder is None else folder / FILE_NAME
        self._lock = Lock()
        self._said = dict(DEFAULTS)

    @property
    def said(self) -> dict[str, Any]:
        """The choices by name, as the file has them now: several pages may be open."""
        return dict(self._said) | _sound(self._read())

    def keep(self, choices: Mapping[str, Any]) -> None:
        """Keep what of some choices makes sense.

        Raises
        ------
        WriteError
            If the file cannot be written.
        """
        with self._lock:
            self._said = self.said | _sound(choices)
            if self._path is not None:
                self._path.parent.mkdir(parents=True, exist_ok=True)
                with atomic_write(self._path) as stream:
                    stream.write(json.dumps(self._said, indent=1).encode())

    def note_session(self, folder: Path) -> None:
        """Keep a session as the one used last.

        Raises
        ------
        WriteError
            If the file cannot be written.
        """
        before, name = self.said["sessions"], str(folder.resolve())
        self.keep({"sessions": [name, *(one for one in before if one != name)][:MOST_SESSIONS]})

    def _read(self) -> dict[str, Any]:
        try:
            read = read_json(self._path.read_bytes()) if self._path else {}
        except (OSError, ValueError):
            return {}  # none yet, or spoilt: the choices are made anew
        return read if isinstance(read, dict) else {}


def _sound(choices: Mapping[str, Any]) -> dict[str, Any]:
    """Return those choices whose values are possible."""
    sound: dict[str, Any] = {}
    if choices.get("ground") in GROUNDS:
        sound["ground"] = choices["ground"]
    size = choices.get("print_size")
    if type(size) is int and PRINT_SIZES[0] <= size <= PRINT_SIZES[1]:
        sound["print_size"] = size
    names = choices.get("sessions")
    if isinstance(names, list) and all(isinstance(name, str) for name in names):
        sound["sessions"] = names[:MOST_SESSIONS]
    return sound
