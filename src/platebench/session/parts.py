"""Sheets and reports in parts, each made again only where something that it shows has changed.

A session of up to ``MOST_IN_ONE`` plates has one sheet and one report. A larger one has them in
parts of ``PART`` plates, so that one changed plate costs one part and memory does not grow with the
session; the files of the usual names then lead to the parts.

What each file was made from is kept as a digest, in a hidden file in the folder of results. Losing
it costs time, and the ground of the proof sheet, which is black again.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass
from functools import cache
from importlib import metadata
from pathlib import Path
from typing import Generic, TypeVar

import msgspec

from platebench.core.errors import WriteError
from platebench.core.files import remove_file
from platebench.core.installed import versions
from platebench.core.plain_json import read_json
from platebench.session.record import hash_files, write_json
from platebench.write.paper_page import GroundName

MOST_IN_ONE = 100  # plates; a proof sheet of nine pages is still leafed through
PART = 50
MANY = 1000  # plates, from which a session is better taken as several
FILE_NAME = ".made-from.json"
SCHEMA = 1
_PART = "part-"

T = TypeVar("T")


@dataclass(frozen=True, slots=True, kw_only=True)
class Part(Generic[T]):
    """Plates that share a file.

    Attributes
    ----------
    number : int
        From 1; 0 where the session has no parts.
    first : int
        Place of its first plate among the session's, from 1.
    plates : sequence
    """

    number: int
    first: int
    plates: Sequence[T]

    def name(self, of_whole: str) -> str:
        """Return the name of this part's file, ``report-part-003.html`` of ``report.html``."""
        whole = Path(of_whole)
        return f"{whole.stem}-{_PART}{self.number:03d}{whole.suffix}" if self.number else of_whole

    def span(self, first: str, last: str) -> str:
        """Return which plates these are by the ids of two of them; "" where they are all."""
        if not self.number:
            return ""
        return first if first == last else f"{first} to {last}"


def parts_of(plates: Sequence[T]) -> list[Part[T]]:
    """Return the plates in parts, of equal size but for the last.

    Examples
    --------
    >>> [(part.first, len(part.plates)) for part in parts_of(range(120))]
    [(1, 50), (51, 50), (101, 20)]
    """
    if len(plates) <= MOST_IN_ONE:
        return [Part(number=0, first=1, plates=plates)]
    starts = range(0, len(plates), PART)
    return [
        Part(number=number, first=start + 1, plates=plates[start : start + PART])
        for number, start in enumerate(starts, 1)
    ]


def advice_on_size(plates: int) -> str:
    """Return what to say of a session of so many plates; "" where it is of a handy size."""
    if plates < MANY:
        return ""
    return (
        f"{plates} plates in one session: several of 200 to 500, by folder or by day, are quicker "
        "to convert, review and pack; a catalogue joins them"
    )


def files_in_parts(output: Path, *names: str) -> list[Path]:
    """Return the parts of sheets and reports that are there, and the pages of these as pictures."""
    found: list[Path] = []
    for name in map(Path, names):
        found += output.glob(f"{name.stem}-{_PART}[0-9]*{name.suffix}")
        if name.suffix == ".pdf":
            found += output.glob(f"{name.stem}-[0-9]*.png")
            found += output.glob(f"{name.stem}-{_PART}[0-9]*.png")
    return sorted(set(found))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Entry:
    made_from: str  # SHA-256 over all that is shown
    files: dict[str, str]  # SHA-256 of what was made, by name


class MadeFrom:
    """What the files of a session were made from, in this run and the one before.

    Parameters
    ----------
    output : Path
        The folder of results.
    ground : str or None
        What proof sheets lie on; None: as in the run before, black in the first.

    Attributes
    ----------
    ground : str
    """

    def __init__(self, output: Path, ground: GroundName | None = None) -> None:
        self._output = output
        self._before, was = _read(output / FILE_NAME)
        self._was: GroundName = was
        self.ground: GroundName = ground or was
        self._now: dict[str, _Entry] = {}

    def made(
        self, name: str, shown: object, write: Callable[[], tuple[Path, ...]]
    ) -> tuple[Path, ...]:
        """Return the files called ``name``, written anew unless they show the same already.

        Parameters
        ----------
        name : str
            Of the first file.
        shown : object
            All that the files show, with a ``repr`` that tells it.
        write : callable
            Writes the files and returns them.
        """
        text = repr((versions(), _of_pages(), shown))
        digest = hashlib.sha256(text.encode(errors="surrogatepass")).hexdigest()
        before = self._before.get(name)
        if before is not None and before.made_from == digest:
            stated = {self._output / file: sha256 for file, sha256 in before.files.items()}
            if hash_files(stated) == stated:
                self._now[name] = before
                return tuple(stated)
        written = write()
        digests = hash_files(written)
        files = {path.relative_to(self._output).as_posix(): digests[path] for path in written}
        self._now[name] = _Entry(made_from=digest, files=files)
        return written

    def keep(self) -> None:
        """Keep it for the next run, which makes everything anew where that cannot be done."""
        if (self._now, self.ground) == (self._before, self._was):
            return
        document = {
            "schema": SCHEMA,
            "ground": self.ground,
            "files": {n: asdict(e) for n, e in self._now.items()},
        }
        with suppress(WriteError):
            write_json(self._output / FILE_NAME, document)

    def remove_others(self, *names: str) -> None:
        """Remove parts and pages of an earlier run that this one has not.

        Raises
        ------
        WriteError
            If one cannot be removed.
        """
        files = {self._output / file for entry in self._now.values() for file in entry.files}
        for path in files_in_parts(self._output, *names):
            if path not in files:
                remove_file(path)


@cache
def _of_pages() -> tuple[str, ...]:
    """Return the versions of what draws pages, which no record of a plate names."""
    return tuple(metadata.version(name) for name in ("jinja2", "pypdfium2", "reportlab"))


def _read(path: Path) -> tuple[dict[str, _Entry], GroundName]:
    """Return what files were made from, and the ground of the sheets among them."""
    try:
        document = read_json(path.read_bytes())
        if not isinstance(document, dict) or document.get("schema") != SCHEMA:
            return {}, "black"
        entries = msgspec.convert(document.get("files"), dict[str, _Entry])
        ground = msgspec.convert(document.get("ground", "black"), GroundName)
    except (OSError, ValueError):
        return {}, "black"
    names = (Path(file) for entry in entries.values() for file in entry.files)
    return (entries if all(name.name == str(name) for name in names) else {}), ground
