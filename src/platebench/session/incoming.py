"""The files of a watched folder: which are whole, which are waited for, which are no captures.

A file that cannot be read may be half copied, and a copy that has stalled looks like one that is
damaged: neither its size nor its age tells them apart. So it is waited for, and said to be, until
it has stayed as it is for long. Only its beginning can tell sooner: a copy's first bytes are
written first, and where they are those of a text or of an archive no more bytes make a capture.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from platebench.core.errors import CaptureError, FileFault, PlateError
from platebench.read.file_kind import COPY_AGAIN, find_kind
from platebench.session.capture_look import CaptureLook, look_at

HELD = 3  # times the settling time that an unreadable file holds up the others, in silence
PATIENCE = 20  # times the settling time after which it is told as an error
BEGINNING = 512  # bytes; fewer may be the first words of a raw's header, which are text

Stamp = tuple[int, int]  # size, time of change


@dataclass(slots=True)
class IncomingFile:
    """A file as it was seen last.

    Attributes
    ----------
    path : Path
    stamp : (int, int)
        Size and time of change.
    since : float
        When it was first seen so, s.
    look : CaptureLook or None
        None where it has not been read.
    tried : float or None
        When reading it was tried last, s.
    waited_for : bool
        Whether it was said that it is waited for.
    refused : bool
        Whether it was said that it is no capture, or cannot be read.
    """

    path: Path
    stamp: Stamp
    since: float
    look: CaptureLook | None = None
    tried: float | None = None
    waited_for: bool = False
    refused: bool = False


@dataclass(slots=True, kw_only=True)
class Incoming:
    """What is in a folder and how much of it can be used.

    Parameters
    ----------
    settle_s : float
        How long a file must stay as it is before it is read, s.

    Attributes
    ----------
    waiting, trouble : list of str
        What is to be told, a sentence a file: those that are waited for, and those refused.
    """

    settle_s: float
    waiting: list[str] = field(default_factory=list)
    trouble: list[str] = field(default_factory=list)
    _files: dict[str, IncomingFile] = field(default_factory=dict)

    def note(self, paths: Sequence[Path], now: float) -> bool:
        """Note which files are there; return whether all have stayed as they are for long enough.

        More may follow a file that has just come, such as the rest of a bracket.
        """
        seen: dict[str, IncomingFile] = {}
        for path in paths:
            try:
                facts = path.stat()
            except OSError:
                continue
            stamp = facts.st_size, facts.st_mtime_ns
            before = self._files.get(path.name)
            kept = before is not None and before.stamp == stamp
            seen[path.name] = before if kept and before else IncomingFile(path, stamp, now)
        self._files = seen
        return all(now - file.since >= self.settle_s for file in seen.values())

    def read(self, now: float) -> bool:
        """Read what has not been read; return whether one is waited for that holds up the rest."""
        held = False
        for file in self._files.values():
            if file.look is not None or file.refused:
                continue
            age = now - file.since
            if file.tried is None or now - file.tried >= self.settle_s:
                self._try(file, age, now)
            held |= file.look is None and not (file.refused or file.waited_for)
        return held

    def _try(self, file: IncomingFile, age: float, now: float) -> None:
        file.tried = now
        try:
            file.look = look_at(file.path)
        except PlateError as error:
            if not file.path.exists():
                file.tried = None  # moved away meanwhile
            elif age >= PATIENCE * self.settle_s or never_a_capture(file.path):
                file.refused = True
                self.trouble.append(str(error))
            elif age >= HELD * self.settle_s and not file.waited_for:
                file.waited_for = True
                reason = error.what if isinstance(error, FileFault) else f"is not readable: {error}"
                self.waiting.append(
                    f"waiting for {file.path.name}, which {reason}; if it is still being copied, "
                    "it joins in once it is whole"
                )

    def looks(self) -> Iterator[tuple[CaptureLook, Stamp]]:
        """Yield the captures that are whole, each with its stamp."""
        for file in self._files.values():
            if file.look is not None:
                yield file.look, file.stamp

    def told(self) -> tuple[tuple[str, ...], tuple[str, ...]]:
        """Return what is to be told, waiting and trouble, and forget it."""
        said = tuple(self.waiting), tuple(self.trouble)
        self.waiting.clear()
        self.trouble.clear()
        return said


def never_a_capture(path: Path) -> bool:
    """Tell whether a file's first bytes are such that more of them will not make it a capture.

    False where a fuller copy may mend it, and where the system does not let it be read: programs
    that copy may keep others out until they have done.
    """
    try:
        if path.stat().st_size < BEGINNING:
            return False
        find_kind(path)
    except CaptureError as error:
        return error.__cause__ is None and error.remedy != COPY_AGAIN
    except OSError:
        return False
    return False
