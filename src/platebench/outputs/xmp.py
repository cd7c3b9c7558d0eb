"""XMP packets: what a picture says of itself, for catalogues and archives.

Dublin Core and IPTC for what it is, XMP basic, TIFF and Exif fields for the digitising, and a
small namespace of our own for what no standard has a field for (``docs/xmp-fields.md`` lists it).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from xml.etree import ElementTree as ET

from platebench.outputs.xmp_log import add_log, add_object
from platebench.outputs.xmp_rdf import (
    add_list,
    add_structures,
    add_text,
    add_words,
    decimal,
    named,
    new_packet,
    packet_bytes,
    rational,
)
from platebench.plate_log.entry import LogEntry


@dataclass(frozen=True, slots=True, kw_only=True)
class HistoryStep:
    """One step of making a file, as ``xmpMM:History`` has it.

    Attributes
    ----------
    action : str
        A verb of the XMP specification, such as "converted", "cropped", "edited".
    parameters : str
        What was done, in words.
    agent : str
        Program and version, or the camera.
    when : str
        ISO 8601; "" where it is not known.
    """

    action: str
    parameters: str
    agent: str = ""
    when: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class PictureNote:
    """What is written beside the pixels. Empty and None fields are left out.

    Attributes
    ----------
    identifier : str
        The plate's id.
    title : str
        A title for people.
    description : str
        What the file is, as its ImageDescription has it.
    mime : str
        Media type of the file, "image/tiff" or "image/jpeg".
    role : str
        What the file is: "positive", "preview", "master".
    tool : str
        Program and version that made it.
    digitised : datetime or None
        When the capture was made, on the camera's clock (no time zone); not when the plate was.
    camera : str or None
        Camera or scanner as the capture names it.
    exposure_s, f_number, iso, focal_length_mm : float or None
        Of the capture.
    ppi : float or None
        Pixels per inch at the plate.
    plate_format : str
        Nominal size of the plate.
    base_fog, d_max : float or None
        Density of base plus fog and of the densest useful tone, D.
    formula : str
        How a value becomes density, where one formula does.
    pixels_sha256 : str
        Digest of the pixel values.
    sources : tuple of (str, str)
        Captures, blank and dark frames, and their SHA-256.
    flags : tuple of str
        Doubts, in plain words.
    settings : mapping of str to str
        What was decided for each stage, by dotted name; written in the order given.
    entry : LogEntry or None
        What the plate log says.
    history : tuple of HistoryStep
        What was done to make the file.
    """

    identifier: str
    title: str = ""
    description: str = ""
    mime: str = "image/tiff"
    role: str = "positive"
    tool: str = ""
    digitised: datetime | None = None
    camera: str | None = None
    exposure_s: float | None = None
    f_number: float | None = None
    iso: float | None = None
    focal_length_mm: float | None = None
    ppi: float | None = None
    plate_format: str = ""
    base_fog: float | None = None
    d_max: float | None = None
    formula: str = ""
    pixels_sha256: str = ""
    sources: tuple[tuple[str, str], ...] = ()
    flags: tuple[str, ...] = ()
    settings: Mapping[str, str] = field(default_factory=dict)
    entry: LogEntry | None = None
    history: tuple[HistoryStep, ...] = ()


def xmp_packet(note: PictureNote) -> bytes:
    """Return a note as an XMP packet in UTF-8; the same note gives the same bytes.

    Characters that XML cannot hold are replaced by U+FFFD, carriage returns by new lines; all
    others survive.
    """
    root, about = new_packet()
    add_text(about, "dc:identifier", note.identifier)
    add_words(about, "dc:title", note.title)
    add_words(about, "dc:description", note.description)
    add_text(about, "dc:format", note.mime)
    add_text(about, "xmp:CreatorTool", note.tool)
    _add_capture(about, note)
    if note.entry is not None:
        add_object(about, note.identifier, note.plate_format, note.entry)
    _add_plate(about, note)
    if note.entry is not None:
        add_log(about, note.entry)
    _add_history(about, note.history)
    return packet_bytes(root)


def _add_capture(about: ET.Element, note: PictureNote) -> None:
    if note.digitised is not None:
        when = note.digitised.replace(tzinfo=None).isoformat(timespec="seconds")
        add_text(about, "xmp:CreateDate", when)
        add_text(about, "exif:DateTimeDigitized", when)
    add_text(about, "tiff:Model", note.camera or "")
    add_text(about, "exif:ExposureTime", rational(note.exposure_s))
    add_text(about, "exif:FNumber", rational(note.f_number))
    add_text(about, "exif:FocalLength", rational(note.focal_length_mm))
    iso = () if note.iso is None else (f"{note.iso:.0f}",)
    add_list(about, "exif:ISOSpeedRatings", "rdf:Seq", iso)


def _add_plate(about: ET.Element, note: PictureNote) -> None:
    add_text(about, "plate:Role", note.role)
    add_text(about, "plate:Format", note.plate_format)
    add_text(about, "plate:PixelsPerInch", decimal(note.ppi))
    add_text(about, "plate:DensityFormula", note.formula)
    add_text(about, "plate:PixelsSHA256", note.pixels_sha256)
    add_text(about, "plate:BaseFogDensity", decimal(note.base_fog))
    add_text(about, "plate:MaximumDensity", decimal(note.d_max))
    if note.base_fog is not None and note.d_max is not None:
        add_text(about, "plate:DensityRange", decimal(note.d_max - note.base_fog))
    add_list(about, "plate:Flags", "rdf:Bag", note.flags)
    add_list(about, "plate:Settings", "rdf:Seq", named(note.settings))
    add_list(about, "plate:SourcesSHA256", "rdf:Seq", named(note.sources))


def _add_history(about: ET.Element, history: tuple[HistoryStep, ...]) -> None:
    if not history:
        return
    elements = add_structures(about, "xmpMM:History", "rdf:Seq", len(history))
    for element, step in zip(elements, history, strict=True):
        add_text(element, "stEvt:action", step.action)
        add_text(element, "stEvt:parameters", step.parameters)
        add_text(element, "stEvt:softwareAgent", step.agent)
        add_text(element, "stEvt:when", step.when)
