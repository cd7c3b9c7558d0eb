"""``premis.xml``: a package's objects, events and agents in PREMIS 3, for other archives' systems.

References
----------
PREMIS Data Dictionary for Preservation Metadata, version 3.0 (November 2015), and its XML schema,
namespace ``http://www.loc.gov/premis/v3``. Terms of types are those of the preservation
vocabularies of the Library of Congress (from memory).
"""

from __future__ import annotations

import json
import re
import xml.etree.ElementTree as ET
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import PurePosixPath
from typing import Any

from platebench.archive.package_writer import PackedFile
from platebench.core.version import __version__
from platebench.plate.job import POSITIVES, PREVIEWS, PlateJob
from platebench.plate.record import PlateRecord
from platebench.write.xmp import xml_text

PREMIS = "premis.xml"  # below data/
NAMESPACE = "http://www.loc.gov/premis/v3"
_XSI = "http://www.w3.org/2001/XMLSchema-instance"
_PROGRAM = f"platebench {__version__}"
_FORMATS = {
    ".tif": ("image/tiff", "TIFF 6.0"),
    ".jpg": ("image/jpeg", ""),
    ".dng": ("image/x-adobe-dng", ""),
    ".json": ("application/json", ""),
    ".toml": ("application/toml", ""),
    ".csv": ("text/csv", ""),
    ".txt": ("text/plain", ""),
    ".pdf": ("application/pdf", ""),
    ".png": ("image/png", ""),
}
_PLAIN_DATE = re.compile(r"\d{4}(-\d{2}(-\d{2})?)?")  # what every edition of the schema takes


@dataclass(frozen=True, slots=True, kw_only=True)
class PackedPlate:
    """A plate in a package, with what is known of its making.

    Attributes
    ----------
    job : PlateJob
    record : PlateRecord
        Of its conversion.
    program : str
        What converted it, with its version.
    master : sequence of mapping
        Events of its master, as ``events.json`` has them; empty where there is none.
    """

    job: PlateJob
    record: PlateRecord
    program: str
    master: Sequence[Mapping[str, Any]] = ()


def premis_bytes(
    name: str,
    title: str,
    plates: Sequence[PackedPlate],
    files: Mapping[str, PackedFile],
    now: datetime,
) -> bytes:
    """Return the document, UTF-8.

    Parameters
    ----------
    name, title : str
        Of the package.
    plates : sequence of PackedPlate
    files : mapping of str to PackedFile
        All of the package but this document, by path below ``data/``.
    now : datetime
        With a time zone. Where nobody recorded when a step was done, it was done by now, and the
        event says so.
    """
    ET.register_namespace("", NAMESPACE)
    ET.register_namespace("xsi", _XSI)
    root = ET.Element(_tag("premis"), {"version": "3.0"})
    _entity(root, "package", name, title)
    for plate in plates:
        entry = plate.job.entry
        known = "" if entry is None else entry.title
        _entity(root, "plate", plate.job.plate_id, known, part_of=name)
    for path in sorted(files):
        _file(root, path, files[path], name, [plate.job.plate_id for plate in plates])
    agents: dict[str, str] = {}  # type by name
    at = now.isoformat(timespec="seconds")
    for plate in plates:
        for event in _events_of(plate, files, at):
            _event(root, event, agents)
    everything = tuple(("file", path, "outcome") for path in sorted(files))
    pictures = tuple(
        ("file", path, "source")
        for path in sorted(files)
        if path.split("/")[0] in (POSITIVES, PREVIEWS)
    )
    for number, (kind, detail, linked) in enumerate(
        (
            (
                "fixity check",
                "compared with the digests of their conversion as they were copied",
                pictures,
            ),
            (
                "message digest calculation",
                "SHA-256 and SHA-512 of every file, as it was copied",
                everything,
            ),
            ("information package creation", "BagIt 1.0", (("package", name, "outcome"),)),
        ),
        1,
    ):
        packed = _Event(
            f"package/{number:02d}", kind, at, detail, _PROGRAM, "software", objects=linked
        )
        _event(root, packed, agents)
    for agent, kind in agents.items():
        _agent(root, agent, kind)
    ET.indent(root)
    return bytes(ET.tostring(root, encoding="utf-8", xml_declaration=True)) + b"\n"


@dataclass(frozen=True, slots=True)
class _Event:
    identifier: str
    kind: str
    when: str
    detail: str
    agent: str = ""
    agent_kind: str = "software"
    role: str = "executing program"
    outcome: str = "success"
    note: str = ""
    objects: tuple[tuple[str, str, str], ...] = ()  # type, value, role


def _events_of(plate: PackedPlate, files: Mapping[str, PackedFile], at: str) -> Iterable[_Event]:
    """Yield what happened to a plate, as far as it is known, in order."""
    job, record, who = plate.job, plate.record, plate.job.plate_id
    bound = "; the time is not recorded, it was by the time given here"
    entry = job.entry
    if entry is not None and entry.creator:
        plain = bool(_PLAIN_DATE.fullmatch(entry.date))
        dated = f"; dated {entry.date} in the plate log" if entry.date else ""
        yield _Event(
            f"{who}/made",
            "creation",
            entry.date if plain else at,
            "the plate was made" + ("" if plain else dated + bound),
            entry.creator,
            "person",
            "implementer",
            objects=(("plate", who, "outcome"),),
        )
    shots = [
        ("file", f"captures/{name}") if f"captures/{name}" in files else ("capture", name)
        for name in job.settings.captures
    ]
    yield _Event(
        f"{who}/captured",
        "capture",
        record.taken or at,
        "the plate was photographed or scanned" + ("" if record.taken else bound),
        record.camera or "",
        "hardware",
        "instrument",
        objects=(("plate", who, "source"), *((kind, name, "outcome") for kind, name in shots)),
    )
    for event in plate.master:
        if event["eventType"] == "capture":
            continue
        figures = event["eventOutcomeInformation"].get("eventOutcomeDetail", {})
        said = figures.get("eventOutcomeDetailExtension")
        yield _Event(
            f"{who}/master/{event['eventIdentifier']['eventIdentifierValue']}",
            event["eventType"],
            event.get("eventDateTime", at),
            "master: "
            + event["eventDetailInformation"]["eventDetail"]
            + ("" if "eventDateTime" in event else bound),
            event.get("linkingAgentIdentifier", {}).get("linkingAgentIdentifierValue", ""),
            outcome=event["eventOutcomeInformation"]["eventOutcome"],
            note=json.dumps(said, ensure_ascii=False) if said else "",
            objects=(("file", f"masters/{who}.tif", "outcome"),),
        )
    made = (f"{POSITIVES}/{who}.tif", f"{PREVIEWS}/{who}.jpg")
    yield _Event(
        f"{who}/converted",
        "creation",
        at,
        "the positive was made from the capture, as README.txt describes" + bound,
        plate.program,
        outcome="warning" if record.flags else "success",
        note="; ".join(record.flags),
        objects=(
            *((kind, name, "source") for kind, name in shots),
            *(("file", path, "outcome") for path in made if path in files),
        ),
    )


def _tag(name: str) -> str:
    return f"{{{NAMESPACE}}}{name}"


def _put(parent: ET.Element, name: str, text: str | None = None) -> ET.Element:
    element = ET.SubElement(parent, _tag(name))
    if text is not None:
        element.text = xml_text(text)
    return element


def _identifier(parent: ET.Element, unit: str, kind: str, value: str, role: str = "") -> None:
    """Put ``unit``: its type, value and role."""
    identifier = _put(parent, unit)
    _put(identifier, f"{unit}Type", kind)
    _put(identifier, f"{unit}Value", value)
    if role:
        _put(identifier, unit.replace("Identifier", "Role"), role)


def _entity(
    root: ET.Element, kind: str, value: str, title: str, *, part_of: str | None = None
) -> None:
    entity = ET.SubElement(root, _tag("object"), {f"{{{_XSI}}}type": "intellectualEntity"})
    _identifier(entity, "objectIdentifier", kind, value)
    if title:
        _put(entity, "originalName", title)
    if part_of is not None:
        _related(entity, "is part of", "package", part_of)


def _related(parent: ET.Element, how: str, kind: str, value: str) -> None:
    relation = _put(parent, "relationship")
    _put(relation, "relationshipType", "structural")
    _put(relation, "relationshipSubType", how)
    _identifier(relation, "relatedObjectIdentifier", kind, value)


def _file(
    root: ET.Element, path: str, file: PackedFile, package: str, plates: Sequence[str]
) -> None:
    element = ET.SubElement(root, _tag("object"), {f"{{{_XSI}}}type": "file"})
    _identifier(element, "objectIdentifier", "file", path)
    about = _put(element, "objectCharacteristics")
    _put(about, "compositionLevel", "0")
    for algorithm, digest in (
        ("SHA-256", file.digests.sha256),
        ("SHA-512", file.digests.by_algorithm["sha512"]),
    ):
        fixity = _put(about, "fixity")
        _put(fixity, "messageDigestAlgorithm", algorithm)
        _put(fixity, "messageDigest", digest)
    _put(about, "size", str(file.digests.size))
    place = PurePosixPath(path)
    name, version = _FORMATS.get(place.suffix.lower(), ("application/octet-stream", ""))
    shown = _put(_put(about, "format"), "formatDesignation")
    _put(shown, "formatName", name)
    if version:
        _put(shown, "formatVersion", version.split()[-1])
    _put(element, "originalName", path)
    if len(place.parts) == 2 and place.stem in plates and place.parts[0] != "captures":
        _related(element, "represents", "plate", place.stem)
    else:
        _related(element, "is part of", "package", package)


def _event(root: ET.Element, event: _Event, agents: dict[str, str]) -> None:
    element = _put(root, "event")
    _identifier(element, "eventIdentifier", "local", event.identifier)
    _put(element, "eventType", event.kind)
    _put(element, "eventDateTime", event.when)
    _put(_put(element, "eventDetailInformation"), "eventDetail", event.detail)
    outcome = _put(element, "eventOutcomeInformation")
    _put(outcome, "eventOutcome", event.outcome)
    if event.note:
        _put(_put(outcome, "eventOutcomeDetail"), "eventOutcomeDetailNote", event.note)
    if event.agent:
        agents.setdefault(event.agent, event.agent_kind)
        _identifier(element, "linkingAgentIdentifier", "local", event.agent, event.role)
    for kind, value, role in event.objects:
        _identifier(element, "linkingObjectIdentifier", kind, value, role)


def _agent(root: ET.Element, agent: str, kind: str) -> None:
    element = _put(root, "agent")
    _identifier(element, "agentIdentifier", "local", agent)
    name, _, version = agent.partition(" ") if kind == "software" else (agent, "", "")
    _put(element, "agentName", name)
    _put(element, "agentType", kind)
    if version:
        _put(element, "agentVersion", version)
