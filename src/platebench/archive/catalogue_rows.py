"""What a catalogue keeps of a package: read from its records, nothing believed unchecked."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from typing import Any

from platebench.archive.manifest import (
    LARGEST_MANIFEST,
    LARGEST_TAG_FILE,
    MADE_WITH,
    MANIFEST_NAME,
    SUPPORTED,
    parse_manifest,
    parse_tags,
)
from platebench.archive.package_tree import read_small
from platebench.archive.pixels import recipe_of
from platebench.core.plate_names import fault_of_id
from platebench.core.shown import shown
from platebench.core.version import __version__
from platebench.plate.record import NOTHING_KNOWN, PlateRecord, record_in
from platebench.plate_log.access import access_of
from platebench.plate_log.dates import plate_date
from platebench.plate_log.entry import RIGHTS, LogEntry
from platebench.printing.advice import Verdict, advise_plate
from platebench.printing.plate_range import plate_range_of
from platebench.printing.process import Process

SCHEMA = 4
LARGEST_RECORD = 4 * 2**20  # bytes
LONGEST_TEXT = 20_000  # characters kept of a text
MOST_PLATES = 10_000  # of one package


@dataclass(frozen=True, slots=True, kw_only=True)
class PlateRow:
    """A plate as the catalogue has it; "" and None where nothing is known.

    Attributes
    ----------
    plate, title, place, notes : str
    own_columns : str
        Columns of the owner's own in the plate log, "heading: cell", a line each.
    date : str
        Of the exposure, EDTF; ``first`` and ``last`` are the days it can mean.
    digitised : str
        ISO date and time of the capture.
    batch, emulsion, developer, format : str
    base_fog, d_max, density_range : float or None
        D.
    flags : str
        Doubts, joined by "; ".
    creator, rights, usage_terms, web_statement, credit : str
        As the plate log has them.
    access : str
        "open", "restricted" or "private"; "unknown" where the record cannot be read.
    suits : tuple of str
        Printing processes that take up its density range, by profile.
    """

    plate: str
    title: str = ""
    place: str = ""
    notes: str = ""
    own_columns: str = ""
    date: str = ""
    first: str = ""
    last: str = ""
    digitised: str = ""
    batch: str = ""
    emulsion: str = ""
    developer: str = ""
    format: str = ""
    base_fog: float | None = None
    d_max: float | None = None
    density_range: float | None = None
    flags: str = ""
    creator: str = ""
    rights: str = ""
    usage_terms: str = ""
    web_statement: str = ""
    credit: str = ""
    access: str = "unknown"
    suits: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class PackageRow:
    """A package as the catalogue has it.

    Attributes
    ----------
    made_here : bool
        It says that this program made it.
    unsafe : str
        A path in its manifests that could lead out of it, why, and where it is listed.
    """

    identifier: str = ""
    title: str = ""
    day: str = ""
    files: int | None = None
    size: int | None = None
    plates: tuple[PlateRow, ...] = field(default=())
    made_here: bool = False
    unsafe: str = ""


def stamp_of(package: Path) -> str:
    """Return what changes when a package does: the digest of its manifests, versions put in.

    They have the digests of every file. The tag manifest alone would stand for them, but it need
    not be true.
    """
    digest = hashlib.sha256(f"{__version__} {SCHEMA}\n".encode())
    for name, data in _manifests(package):
        digest.update(f"{name} {len(data)}\n".encode() + data)
    return digest.hexdigest()


def _manifests(package: Path) -> Iterator[tuple[str, bytes]]:
    """Yield name and content of every manifest; of a package without any, its ``bagit.txt``."""
    try:
        inside = (entry.name for entry in package.iterdir())
        names = sorted(name for name in inside if MANIFEST_NAME.fullmatch(name))
    except OSError:
        return
    for name in names or ["bagit.txt"]:
        yield name, read_small(package, name, LARGEST_MANIFEST) or b""


def _unsafe_in(package: Path) -> str:
    for name, data in _manifests(package):
        match = MANIFEST_NAME.fullmatch(name)
        if match is None or (algorithm := match[2].lower()) not in SUPPORTED:
            continue
        for path, fault in parse_manifest(data, algorithm).unsafe:
            return f"{shown(path)} {fault}; listed in {name}"
    return ""


def read_package(package: Path, processes: Sequence[Process]) -> PackageRow:
    """Return what the catalogue keeps of a package; of a foreign one, its ``bag-info.txt``."""
    tags = parse_tags(read_small(package, "bag-info.txt", LARGEST_TAG_FILE) or b"") or []
    values = {label.lower(): value[:LONGEST_TEXT] for label, value in reversed(tags)}
    octets, _, count = values.get("payload-oxum", "").partition(".")
    session = _table(recipe_of(package).get("session"))
    ids = [_table(plate).get("id") for plate in _list(session.get("plate"))[:MOST_PLATES]]
    notes = {
        plate["id"]: _text(plate.get("note"))
        for plate in map(_table, _list(session.get("plate")))
        if isinstance(plate.get("id"), str)
    }
    rows = [
        _read_plate(package, plate, notes.get(plate, ""), processes)
        for plate in ids
        if isinstance(plate, str) and fault_of_id(plate) is None
    ]
    return PackageRow(
        identifier=values.get("external-identifier", ""),
        title=values.get("external-description", ""),
        day=values.get("bagging-date", ""),
        files=_count(count),
        size=_count(octets),
        plates=tuple(rows),
        made_here=values.get("made-with", "").startswith(MADE_WITH),
        unsafe=_unsafe_in(package),
    )


def _read_plate(package: Path, plate: str, note: str, processes: Sequence[Process]) -> PlateRow:
    data = read_small(package, f"data/plates/{plate}.json", LARGEST_RECORD)
    try:
        record = record_in(data or b"{}")
    except ValueError:
        record = NOTHING_KNOWN
    log = record.log or LogEntry(plate_id=plate)
    first, last = _days(_text(log.date))
    more = [(_text(head), _text(cell)) for head, cell in log.more]
    return PlateRow(
        plate=plate,
        title=_text(log.title),
        place=_text(log.place),
        notes="\n".join(text for text in (_text(log.notes), note) if text),
        own_columns="\n".join(f"{head}: {cell}" for head, cell in more if cell),
        date=_text(log.date),
        first=first,
        last=last,
        digitised=_text(record.taken or ""),
        batch=_text(log.batch),
        emulsion=_text(log.emulsion),
        developer=" ".join(text for text in (_text(log.developer), _text(log.dilution)) if text),
        format=_text(record.format),
        base_fog=_number(record.base_fog),
        d_max=_number(record.d_max),
        density_range=_number(record.density_range),
        flags="; ".join(_text(flag) for flag in record.flags),
        **{key: _text(getattr(log, key)) for key in RIGHTS},
        access="unknown" if record is NOTHING_KNOWN else access_of(log),
        suits=_suiting(plate, record, processes),
    )


def _suiting(plate: str, record: PlateRecord, processes: Sequence[Process]) -> tuple[str, ...]:
    try:
        advice = advise_plate(plate_range_of(plate, record), processes)
    except (ValueError, OverflowError):
        return ()  # no record of densities
    return tuple(one.process for one in advice if one.verdict is Verdict.SUITS)


@lru_cache(maxsize=8192)  # the parser of EDTF takes milliseconds, and dates come again
def _days(edtf: str) -> tuple[str, str]:
    try:
        known = plate_date(edtf)
    except ValueError:
        return "", ""
    return known.first, known.last


def _table(value: object) -> dict[str, Any]:
    return value if isinstance(value, dict) else {}


def _list(value: object) -> list[Any]:
    return value if isinstance(value, list) else []


def _text(value: object) -> str:
    text = value if isinstance(value, str) else ""
    return text[:LONGEST_TEXT].encode(errors="replace").decode()


def _number(value: object) -> float | None:
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    return float(value) if abs(value) < 1e6 and math.isfinite(value) else None


def _count(digits: str) -> int | None:
    return int(digits) if digits.isascii() and digits.isdigit() and len(digits) < 16 else None
