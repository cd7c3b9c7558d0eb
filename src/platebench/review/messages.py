"""Errors in one line each, as the page says them."""

from __future__ import annotations

import os
from pathlib import Path

from platebench.errors import PlateError
from platebench.shown import LONGEST_PART, shown


def message_of(error: Exception, folder: Path | None = None) -> str:
    """Return an error in one line, for the page, files of ``folder`` by their names in it."""
    if isinstance(error, PlateError):
        return in_session(str(error), folder)
    said = shown(" ".join(str(error).split()), LONGEST_PART)
    return f"unexpected: {type(error).__name__}: {said}"


def in_session(text: str, folder: Path | None) -> str:
    """Return a message with the files of the session named as the session names them."""
    return text if folder is None else text.replace(f"{folder}{os.sep}", "")
