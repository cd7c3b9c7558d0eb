"""XMP packets: what a picture says of itself, for catalogues and archives.

Dublin Core and IPTC for what it is, XMP basic, TIFF and Exif fields for the digitising, and a
small namespace of our own for what no standard has a field for (``docs/xmp-fields.md`` lists it).

Below it lies the little of RDF that is needed, written by hand so that equal facts are equal bytes;
between, the history of work on a picture.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from fractions import Fraction
from xml.etree import ElementTree as ET

from platebench.plate_log.dates import plate_date
from platebench.plate_log.entry import LogEntry, StepNoted
from platebench.write.exif import CaptureFacts

PLATE_NAMESPACE = "urn:x-platebench:plate/1.0/"

NAMESPACES = {
    "x": "adobe:ns:meta/",
    "rdf": "http://www.w3.org/1999/02/22-rdf-syntax-ns#",
    "dc": "http://purl.org/dc/elements/1.1/",
    "xmp": "http://ns.adobe.com/xap/1.0/",
    "xmpRights": "http://ns.adobe.com/xap/1.0/rights/",
    "xmpMM": "http://ns.adobe.com/xap/1.0/mm/",
    "stEvt": "http://ns.adobe.com/xap/1.0/sType/ResourceEvent#",
    "photoshop": "http://ns.adobe.com/photoshop/1.0/",
    "Iptc4xmpCore": "http://iptc.org/std/Iptc4xmpCore/1.0/xmlns/",
    "Iptc4xmpExt": "http://iptc.org/std/Iptc4xmpExt/2008-02-29/",
    "tiff": "http://ns.adobe.com/tiff/1.0/",
    "exif": "http://ns.adobe.com/exif/1.0/",
    "plate": PLATE_NAMESPACE,
}
_XML_LANG = "{http://www.w3.org/XML/1998/namespace}lang"
_BEGIN = b'<?xpacket begin="\xef\xbb\xbf" id="W5M0MpCehiHzreSzNTczkc9d"?>\n'
_END = b'\n<?xpacket end="w"?>'
# Everything XML 1.0 (section 2.2) does not allow in a document, however it is escaped.
_NOT_XML = re.compile("[^\t\n -\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def new_packet() -> tuple[ET.Element, ET.Element]:
    """Return the root of a packet, and the description that takes its properties."""
    for prefix, uri in NAMESPACES.items():
        ET.register_namespace(prefix, uri)
    root = ET.Element(_name("x:xmpmeta"))
    rdf = ET.SubElement(root, _name("rdf:RDF"))
    return root, ET.SubElement(rdf, _name("rdf:Description"), {_name("rdf:about"): ""})


def packet_bytes(root: ET.Element) -> bytes:
    """Return a packet in UTF-8, wrapped."""
    ET.indent(root)
    return _BEGIN + bytes(ET.tostring(root, encoding="utf-8")) + _END


def add_text(about: ET.Element, name: str, text: str) -> None:
    """Add a simple property; nothing where ``text`` is empty."""
    if text:
        ET.SubElement(about, _name(name)).text = xml_text(text)


def add_list(about: ET.Element, name: str, kind: str, items: Iterable[str]) -> None:
    """Add a list, "rdf:Bag" or "rdf:Seq"; nothing where it is empty."""
    said = tuple(items)
    if said:
        holder = ET.SubElement(ET.SubElement(about, _name(name)), _name(kind))
        for item in said:
            ET.SubElement(holder, _name("rdf:li")).text = xml_text(item)


def add_words(about: ET.Element, name: str, text: str) -> None:
    """Add text that could be in several languages, as the default one; nothing where empty."""
    if text:
        holder = ET.SubElement(ET.SubElement(about, _name(name)), _name("rdf:Alt"))
        ET.SubElement(holder, _name("rdf:li"), {_XML_LANG: "x-default"}).text = xml_text(text)


def add_structures(about: ET.Element, name: str, kind: str, count: int) -> list[ET.Element]:
    """Add a list of structures, and return the elements that take their fields."""
    holder = ET.SubElement(ET.SubElement(about, _name(name)), _name(kind))
    form = {_name("rdf:parseType"): "Resource"}
    return [ET.SubElement(holder, _name("rdf:li"), form) for _ in range(count)]


def named(pairs: Mapping[str, str] | Iterable[tuple[str, str]]) -> tuple[str, ...]:
    """Return pairs as lines "name = value"."""
    items = pairs.items() if isinstance(pairs, Mapping) else pairs
    return tuple(f"{key} = {value}" for key, value in items)


def decimal(value: float | None) -> str:
    """Return a number as XMP writes it, at most four decimals; "" for None."""
    return "" if value is None else f"{value:z.4f}".rstrip("0").rstrip(".")


def rational(value: float | None) -> str:
    """Return an Exif rational, "1/8" for 0.125; "" for None."""
    if value is None:
        return ""
    ratio = Fraction(value).limit_denominator(10_000)
    return f"{ratio.numerator}/{ratio.denominator}"


def _name(prefixed: str) -> str:
    prefix, local = prefixed.split(":")
    return f"{{{NAMESPACES[prefix]}}}{local}"


def xml_text(text: str) -> str:
    """Return text that XML can hold: what it cannot becomes U+FFFD."""
    return _NOT_XML.sub("\ufffd", text.replace("\r\n", "\n").replace("\r", "\n"))


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
    ("plate:MeteredOn", "metered_on"),
    ("plate:LightKind", "light_kind"),
    ("plate:HourExposed", "hour"),
    ("plate:SubjectKind", "subject"),
    ("plate:Notes", "notes"),
)
_NUMBERS = (
    ("plate:MeteredSeconds", "metered_s"),
    ("plate:GivenSeconds", "given_s"),
    ("plate:FNumber", "f_number"),
    ("plate:BellowsMillimetres", "bellows_mm"),
    ("plate:FocalMillimetres", "focal_mm"),
    ("plate:MeterEV100", "meter_ev"),
    ("plate:DarkestEV100", "darkest_ev"),
    ("plate:LightestEV100", "lightest_ev"),
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


def add_rights(about: ET.Element, entry: LogEntry) -> None:
    """Add who made the plate and who may use its picture, by the standards' own fields."""
    add_list(about, "dc:creator", "rdf:Seq", filter(None, (entry.creator,)))
    add_words(about, "dc:rights", entry.rights)
    add_words(about, "xmpRights:UsageTerms", entry.usage_terms)
    add_text(about, "xmpRights:WebStatement", entry.web_statement)
    add_text(about, "photoshop:Credit", entry.credit)


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
    size : str
        Size of what the file shows, with its error and where it is from, in words.
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
    size: str = ""
    base_fog: float | None = None
    d_max: float | None = None
    formula: str = ""
    pixels_sha256: str = ""
    sources: tuple[tuple[str, str], ...] = ()
    flags: tuple[str, ...] = ()
    settings: Mapping[str, str] = field(default_factory=dict)
    entry: LogEntry | None = None
    history: tuple[HistoryStep, ...] = ()


def capture_facts(note: PictureNote) -> CaptureFacts:
    """Return what Exif has tags for."""
    return CaptureFacts(
        exposure_s=note.exposure_s,
        f_number=note.f_number,
        iso=note.iso,
        focal_length_mm=note.focal_length_mm,
        digitised=note.digitised,
    )


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
        add_rights(about, note.entry)
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
    add_text(about, "plate:Size", note.size)
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
