"""How sure a number of a process profile is."""

from __future__ import annotations

from enum import StrEnum


class Status(StrEnum):
    """How a number came to be, the surest first; printed beside it wherever it is used."""

    TESTED = "tested"
    FOUND = "found"
    SECOND_HAND = "second-hand"
    MEMORY = "memory"
    PRACTICE = "practice"
    MIDDLE = "middle"
    STEP = "step"
    CHOSEN = "chosen"

    @property
    def words(self) -> str:
        """Say it for people."""
        return _WORDS[self]

    @property
    def derived(self) -> bool:
        """True where the number follows from others of the profile, or from the plate."""
        return self in (Status.MIDDLE, Status.STEP, Status.CHOSEN)


_WORDS = {
    Status.TESTED: "your own test",
    Status.FOUND: "read in the source",
    Status.SECOND_HAND: "read second-hand",
    Status.MIDDLE: "middle of the two ends",
    Status.STEP: "half a tablet step from the typical value",
    Status.CHOSEN: "set for the plate",
    Status.MEMORY: "from memory, no source read",
    Status.PRACTICE: "practice value, no source",
}
SOURCED = (Status.FOUND, Status.SECOND_HAND)
