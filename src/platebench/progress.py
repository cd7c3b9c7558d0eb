"""How long work tells whoever waits; silent unless somebody listens."""

from __future__ import annotations

from typing import Protocol


class Progress(Protocol):
    """Told of work as it goes; lives in the parent process only."""

    def begin(self, what: str, total: int) -> None:
        """Begin work called ``what`` on ``total`` things."""

    def advance(self, name: str) -> None:
        """Count one thing more, called ``name``, as done."""

    def note(self, text: str) -> None:
        """Say something that the person should know now."""

    def end(self) -> None:
        """End the work begun last, done or not."""


class NullProgress:
    """Tells nobody: the default of every library function."""

    def begin(self, what: str, total: int) -> None:
        """Do nothing."""

    def advance(self, name: str) -> None:
        """Do nothing."""

    def note(self, text: str) -> None:
        """Do nothing."""

    def end(self) -> None:
        """Do nothing."""
