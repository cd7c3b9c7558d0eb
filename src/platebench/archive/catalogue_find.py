"""Plates found in a catalogue: by text, date, batch, density range, process, flag."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import quote

from platebench.archive.catalogue_file import COLUMNS, open_catalogue
from platebench.core.csv_table import write_csv_rows
from platebench.core.errors import WriteError
from platebench.core.files import atomic_write, refuse_foreign

EXPORTED = ("package", *COLUMNS, "suits", "last_audit", "audit_outcome")
_FORMULA = ("=", "+", "-", "@", "\t", "\r")  # a spreadsheet would take such a text for a formula


@dataclass(frozen=True, slots=True, kw_only=True)
class Query:
    """What plates are looked for; everything that is given has to hold.

    Attributes
    ----------
    text : str
        Words that title, place, notes, flags or id have to hold, each at least as a beginning;
        capitals and accents do not matter.
    dates : (str, str) or None
        First and last day, ISO; plates whose date may lie between. "" is open.
    digitised : (str, str) or None
        The same for the day of the capture.
    batch, developer : str
        The whole batch; part of the developer. Capitals do not matter.
    density_range : (float, float) or None
        D.
    process : str
        A printing process the plate suits as it is.
    flag : str
        Part of a flag.
    flagged : bool
        Only plates with a flag.
    """

    text: str = ""
    dates: tuple[str, str] | None = None
    digitised: tuple[str, str] | None = None
    batch: str = ""
    developer: str = ""
    density_range: tuple[float, float] | None = None
    process: str = ""
    flag: str = ""
    flagged: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """Plates that were found.

    Attributes
    ----------
    plates : tuple of dict
        One of each by the names of ``EXPORTED``, sorted by package and plate.
    total : int
        All there are, also beyond the limit that was asked for.
    """

    plates: tuple[dict[str, Any], ...]
    total: int


def find_plates(catalogue: Path, query: Query, *, limit: int | None = None) -> Found:
    """Return the plates of a catalogue that a query asks for.

    Raises
    ------
    CollectionError
        If the catalogue is missing or damaged.
    """
    where, values = _conditions(query)
    audit = "SELECT {} FROM audits a WHERE a.package = p.package ORDER BY a.rowid DESC LIMIT 1"
    columns = [
        "p.package",
        *(f"p.{name}" for name in COLUMNS),
        "(SELECT group_concat(process, '; ') FROM (SELECT process FROM suits s "
        "WHERE s.plate = p.id ORDER BY process))",
        f"({audit.format('a.day')})",
        f"({audit.format('a.outcome')})",
    ]
    with open_catalogue(catalogue) as connection:
        counted = connection.execute(f"SELECT count(*) FROM plates p {where}", values)
        total = int(counted.fetchone()[0])
        rows = connection.execute(
            f"SELECT {', '.join(columns)} FROM plates p {where} "
            "ORDER BY p.package, p.plate LIMIT ?",
            (*values, -1 if limit is None else limit),
        ).fetchall()
    return Found(plates=tuple(dict(zip(EXPORTED, row, strict=True)) for row in rows), total=total)


def export_plates(catalogue: Path, query: Query, target: Path) -> int:
    """Write what a query asks for and return the number of plates.

    A file that ends in ``.jsonld`` gets linked data (:func:`linked_plate`), any other a CSV table,
    in which texts that a spreadsheet would take for a formula get an apostrophe in front.

    Raises
    ------
    CollectionError
        If the catalogue is missing or damaged.
    WriteError
        If the table cannot be written, or would replace somebody's file.
    """
    linked = target.suffix.casefold() == LINKED
    if not linked:
        refuse_foreign([target])
    elif target.exists() and not _is_linked(target):
        what, remedy = "it is no linked data of a catalogue", "name another file"
        raise WriteError(target, what, remedy, "output")
    found = find_plates(catalogue, query)
    if linked:
        shown = [plate for plate in found.plates if plate["access"] in ("open", "restricted")]
        graph = [linked_plate(plate) for plate in shown]
        document = {"@context": SCHEMA_ORG, "@graph": graph}
        data = (json.dumps(document, ensure_ascii=False, indent=1) + "\n").encode()
    else:
        table = ([_cell(plate[name]) for name in EXPORTED] for plate in found.plates)
        data = write_csv_rows([list(EXPORTED), *table])
    with atomic_write(target) as stream:
        stream.write(data)
    return len(graph) if linked else found.total


LINKED = ".jsonld"
SCHEMA_ORG = "https://schema.org/"
_DENSITIES = (
    ("base_fog", "density of base plus fog"),
    ("d_max", "maximum density"),
    ("density_range", "density range"),
)


def linked_plate(plate: Mapping[str, Any]) -> dict[str, Any]:
    """Return a plate as a schema.org ``Photograph``; what is not known is left out.

    The plate is the photograph; its digitising is an image of it, with a date of its own. Numbers
    that schema.org has no property for are ``PropertyValue``. The maker is a text: the log does
    not say whether it is a person or a firm.

    Parameters
    ----------
    plate : mapping
        By the names of :data:`EXPORTED`.

    References
    ----------
    schema.org, as ``rdflib`` lists its terms. Which property stands for which right: from memory,
    as search engines read XMP beside them (license: the address of a web statement).
    """
    measured = [
        {"@type": "PropertyValue", "name": name, "value": plate[key], "unitText": "D"}
        for key, name in _DENSITIES
        if plate[key] is not None
    ]
    notes = [
        {"@type": "PropertyValue", "name": key, "value": plate[key]}
        for key in ("batch", "emulsion", "developer", "flags", "suits")
        if plate[key]
    ]
    said: dict[str, Any] = {
        "@type": "Photograph",
        "@id": f"urn:x-platebench:{quote(plate['package'], safe='/')}#{quote(plate['plate'])}",
        "identifier": plate["plate"],
        "name": plate["title"] or plate["plate"],
        "creator": plate["creator"],
        "copyrightNotice": plate["rights"],
        "usageInfo": {"@type": "CreativeWork", "text": plate["usage_terms"]}
        if plate["usage_terms"]
        else "",
        "license": plate["web_statement"],
        "creditText": plate["credit"],
        "conditionsOfAccess": plate["access"] if plate["access"] == "restricted" else "",
        "dateCreated": plate["date"],
        "contentLocation": {"@type": "Place", "name": plate["place"]} if plate["place"] else "",
        "artMedium": "gelatin silver on glass",
        "artform": "negative",
        "size": plate["format"],
        "description": plate["notes"],
        "additionalProperty": [*measured, *notes],
        "image": {"@type": "ImageObject", "dateCreated": plate["digitised"]}
        if plate["digitised"]
        else "",
        "isPartOf": {"@type": "Collection", "identifier": plate["package"]},
    }
    return {key: value for key, value in said.items() if value not in ("", [])}


def _is_linked(path: Path) -> bool:
    """Tell whether a file is one that was exported before."""
    try:
        with path.open("rb") as stream:
            return SCHEMA_ORG.encode() in stream.read(100)
    except OSError:
        return False


def _cell(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, float):
        return f"{value:g}"
    text = str(value)
    return f"'{text}" if text.startswith(_FORMULA) else text


def _conditions(query: Query) -> tuple[str, tuple[Any, ...]]:
    """Return the WHERE clause and its values; no text of a user is ever part of the SQL."""
    parts: list[str] = []
    values: list[Any] = []

    def holds(condition: str, *given: Any) -> None:
        parts.append(condition)
        values.extend(given)

    if words := _words(query.text):
        holds("p.id IN (SELECT rowid FROM words WHERE words MATCH ?)", words)
    if query.dates is not None:
        first, last = query.dates
        holds("(p.first != '' OR p.last != '')")
        if last:
            holds("p.first <= ?", last)
        if first:
            holds("(p.last >= ? OR p.last = '')", first)
    if query.digitised is not None:
        holds("p.digitised != ''")
        for day, compared in zip(query.digitised, (">=", "<="), strict=True):
            if day:
                holds(f"substr(p.digitised, 1, 10) {compared} ?", day)
    for condition, given in (
        ("p.batch = ? COLLATE NOCASE", query.batch),
        ("p.developer LIKE ? ESCAPE '\\'", _like(query.developer)),
        ("p.id IN (SELECT plate FROM suits WHERE process = ?)", query.process),
        ("p.flags LIKE ? ESCAPE '\\'", _like(query.flag)),
    ):
        if given:
            holds(condition, given)
    if query.density_range is not None:
        holds("p.density_range BETWEEN ? AND ?", *query.density_range)
    if query.flagged:
        holds("p.flags != ''")
    return (f"WHERE {' AND '.join(parts)}" if parts else ""), tuple(values)


def _words(text: str) -> str:
    """Return words as FTS5 takes them: each in quotes, as a beginning.

    Examples
    --------
    >>> _words('frozen "mill" NOT')
    '"frozen"* "mill"* "NOT"*'
    """
    plain = "".join(char if char.isalnum() else " " for char in text)
    return " ".join(f'"{word}"*' for word in plain.split())


def _like(text: str) -> str:
    """Return what LIKE takes for "holds this text"; of no text, nothing."""
    for char in "\\%_":
        text = text.replace(char, f"\\{char}")
    return f"%{text}%" if text else ""
