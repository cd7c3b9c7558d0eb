"""What the plate log says, as XMP: what the plate is and when it was made, not the file.

The historic date goes where the standards ask for the date of the content: IPTC's Date Created
(``photoshop:DateCreated``) and the object shown (``Iptc4xmpExt:AODateCreated``). Those fields take
plain dates only; a date that is uncertain is written as EDTF where text may stand.
"""

from __future__ import annotations

from xml.etree import ElementTree as ET

from platebench.outputs.xmp_rdf import (
    add_list,
    add_structures,
    add_text,
    add_words,
    decimal,
    named,
)
from platebench.plate_log.dates import plate_date
from platebench.plate_log.entry import LogEntry, StepNoted

_TEXTS = (
    ("plate:DateExposed", "date"),
    ("plate:Holder", "holder"),
    ("plate:Emulsion", "emulsion"),
    ("plate:Batch", "batch"),
    ("plate:DateCoated", "coated_on"),
    ("plate:ExposureLight", "light"),
    ("plate:Lens", "lens"),
    ("plate:Developer", "developer"),
    ("plate:Dilution", "dilution"),
    ("plate:Fixing", "fixing"),
    ("plate:Washing", "washing"),
    ("plate:Notes", "notes"),
)
_NUMBERS = (
    ("plate:MeteredSeconds", "metered_s"),
    ("plate:GivenSeconds", "given_s"),
    ("plate:FNumber", "f_number"),
    ("plate:BellowsMillimetres", "bellows_mm"),
    ("plate:DeveloperCelsius", "temperature_c"),
    ("plate:DevelopedSeconds", "develop_s"),
)


def add_object(about: ET.Element, plate_id: str, plate_format: str, entry: LogEntry) -> None:
    """Add the plate as an object that the picture shows, its date and its place."""
    exact = plate_date(entry.date).exact if entry.date else ""
    add_text(about, "photoshop:DateCreated", exact)
    add_text(about, "Iptc4xmpCore:Location", entry.place)
    if entry.place:
        (place,) = add_structures(about, "Iptc4xmpExt:LocationCreated", "rdf:Bag", 1)
        add_words(place, "Iptc4xmpExt:LocationName", entry.place)
    (shown,) = add_structures(about, "Iptc4xmpExt:ArtworkOrObject", "rdf:Bag", 1)
    add_words(shown, "Iptc4xmpExt:AOTitle", entry.title)
    add_text(shown, "Iptc4xmpExt:AODateCreated", exact)
    add_text(shown, "Iptc4xmpExt:AOCircaDateCreated", "" if exact else entry.date)
    add_text(shown, "Iptc4xmpExt:AOSourceInvNo", plate_id)
    parts = ("glass plate negative", plate_format, entry.emulsion)
    add_words(shown, "Iptc4xmpExt:AOPhysicalDescription", ", ".join(filter(None, parts)))


def add_log(about: ET.Element, entry: LogEntry) -> None:
    """Add what no standard has a field for, in our own namespace."""
    for name, key in _TEXTS:
        add_text(about, name, getattr(entry, key))
    for name, key in _NUMBERS:
        add_text(about, name, decimal(getattr(entry, key)))
    add_list(about, "plate:ProcessingSteps", "rdf:Seq", map(_step_said, entry.steps))
    add_list(about, "plate:LogColumns", "rdf:Seq", named(entry.more))


def _step_said(step: StepNoted) -> str:
    parts = [step.name, f"{step.time_s:g} s"]
    if step.temperature_c is not None:
        parts.append(f"{step.temperature_c:g} C")
    return ", ".join([*parts, *filter(None, (step.day, step.note))])
