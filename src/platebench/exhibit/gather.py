"""Which plates an exhibit shows: from converted sessions, packages and collections of them."""

from __future__ import annotations

import hashlib
import re
import unicodedata
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from platebench.archive.collection import find_packages
from platebench.core.errors import SessionFolderError
from platebench.core.plate_names import fault_of_id
from platebench.plate.job import POSITIVES, RECORDS
from platebench.plate.record import NOTHING_KNOWN, PlateRecord, record_in
from platebench.plate_log.access import Access, access_of, strictest
from platebench.plate_log.entry import LogEntry
from platebench.session.session_log import SessionLog, load_session_log
from platebench.session.session_report import OUTPUT_NAME

_LARGEST_RECORD = 4 << 20  # bytes
_SLUG = re.compile(r"[^a-z0-9]+")


@dataclass(frozen=True, slots=True, kw_only=True)
class ShownPlate:
    """A plate of the exhibit.

    Attributes
    ----------
    slug : str
        Its name in addresses: letters, digits and hyphens; no two are alike.
    plate_id : str
    source : str
        Name of the session or package.
    positive : Path
    record : PlateRecord
    entry : LogEntry
    access : {"open", "restricted", "private"}
    unread : bool
        Its record cannot be read, so nobody knows what its log said of who may see it.
    """

    slug: str
    plate_id: str
    source: str
    positive: Path
    record: PlateRecord
    entry: LogEntry
    access: Access = "open"
    unread: bool = False

    @property
    def title(self) -> str:
        """What it is called: the log's title, else its id."""
        return self.entry.title or self.plate_id


def gather_plates(places: Sequence[Path]) -> list[ShownPlate]:
    """Return the plates of sessions, packages and collections, private ones too, in their order.

    Parameters
    ----------
    places : sequence of Path
        Session folders that were converted, packages, or folders with packages in them.

    Raises
    ------
    SessionFolderError
        If a place is none of these, or holds no plate.
    """
    plates: list[ShownPlate] = []
    taken: set[str] = set()
    for place in places:
        before = len(plates)
        for name, root, log in _roots(place):
            for record in sorted((root / RECORDS).glob("*.json"), key=lambda one: one.name):
                plate = _plate(name, root, record, log, taken)
                if plate is not None:
                    plates.append(plate)
        if len(plates) == before:
            what = "holds no converted plates"
            remedy = "name a converted session, a package, or a folder of packages"
            raise SessionFolderError(place, what, remedy)
    return plates


def _roots(place: Path) -> Iterator[tuple[str, Path, SessionLog]]:
    """Yield name, folder of results, and logs as they are now, of what lies at a place."""
    if not place.is_dir():
        what = "is a file, not a folder" if place.exists() else "does not exist"
        remedy = "name a session, a package, or a folder of packages"
        raise SessionFolderError(place, what, remedy)
    name = place.resolve().name
    if (place / OUTPUT_NAME / POSITIVES).is_dir():
        yield name, place / OUTPUT_NAME, load_session_log(place)
    elif (place / "bagit.txt").is_file():
        yield name, place / "data", SessionLog()
    else:
        for package in find_packages(place).packages:
            yield package, place / package / "data", SessionLog()


def _plate(
    name: str, root: Path, path: Path, log: SessionLog, taken: set[str]
) -> ShownPlate | None:
    positive = root / POSITIVES / f"{path.stem}.tif"
    inside = not positive.is_symlink() and not path.is_symlink()
    if fault_of_id(path.stem) or not inside or not positive.is_file():
        return None
    try:
        small = path.stat().st_size <= _LARGEST_RECORD
        record = record_in(path.read_bytes()) if small else NOTHING_KNOWN
    except (OSError, ValueError):
        record = NOTHING_KNOWN
    entry = record.log or LogEntry(plate_id=path.stem)
    # What the log says now counts as much as what it said when the plate was converted.
    return ShownPlate(
        slug=_slug(f"{name} {path.stem}", taken),
        plate_id=path.stem,
        source=name,
        positive=positive,
        record=record,
        entry=entry,
        access=strictest((access_of(entry), access_of(log.entry(path.stem)))),
        unread=record is NOTHING_KNOWN,
    )


def _slug(text: str, taken: set[str]) -> str:
    """Return a name for addresses; what letters cannot tell apart a digest does."""
    plain = unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode().casefold()
    slug = _SLUG.sub("-", plain).strip("-")[:80] or "plate"
    if slug in taken:
        slug = f"{slug}-{hashlib.sha256(text.encode('utf-8', 'replace')).hexdigest()[:8]}"
    taken.add(slug)
    return slug
