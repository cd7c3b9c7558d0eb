"""XMP packets: what a picture says of itself, for catalogues and archives.

Dublin Core for what it is, XMP basic, TIFF and Exif fields for the digitising, and a small
namespace of our own for what no standard has a field for (``docs/xmp-fields.md`` lists it).
Form: ISO 16684-1 (XMP specification part 1), RDF/XML.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from fractions import Fraction
from xml.etree import ElementTree as ET

PLATE_NAMESPACE = "urn:x-platebench:plate/1.0/"

_NAMESPACES = {
    "x": "adobe:ns:meta/",
    "rdf": "http://www.w3.org/1999/02/22-rdf-syntax-ns#",
    "dc": "http://purl.org/dc/elements/1.1/",
    "xmp": "http://ns.adobe.com/xap/1.0/",
    "tiff": "http://ns.adobe.com/tiff/1.0/",
    "exif": "http://ns.adobe.com/exif/1.0/",
    "plate": PLATE_NAMESPACE,
}
_XML_LANG = "{http://www.w3.org/XML/1998/namespace}lang"
_BEGIN = b'<?xpacket begin="\xef\xbb\xbf" id="W5M0MpCehiHzreSzNTczkc9d"?>\n'
_END = b'\n<?xpacket end="w"?>'
# Everything XML 1.0 (section 2.2) does not allow in a document, however it is escaped.
_NOT_XML = re.compile("[^\t\n -\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


@dataclass(frozen=True, slots=True, kw_only=True)
class PictureNote:
    """What is written beside the pixels. Empty and None fields are left out.

    Attributes
    ----------
    identifier : str
        The plate's id.
    title : str
        A title for people.
    mime : str
        Media type of the file, "image/tiff" or "image/jpeg".
    role : str
        What the file is: "positive", "preview".
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
    flags : tuple of str
        Doubts, in plain words.
    settings : mapping of str to str
        What was decided for each stage, by dotted name; written in the order given.
    """

    identifier: str
    title: str = ""
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
    flags: tuple[str, ...] = ()
    settings: Mapping[str, str] = field(default_factory=dict)


def xmp_packet(note: PictureNote) -> bytes:
    """Return a note as an XMP packet in UTF-8; the same note gives the same bytes.

    Characters that XML cannot hold are replaced by U+FFFD, carriage returns by new lines; all
    others survive.
    """
    for prefix, uri in _NAMESPACES.items():
        ET.register_namespace(prefix, uri)
    root = ET.Element(_name("x:xmpmeta"))
    rdf = ET.SubElement(root, _name("rdf:RDF"))
    about = ET.SubElement(rdf, _name("rdf:Description"), {_name("rdf:about"): ""})
    _add_text(about, "dc:identifier", note.identifier)
    _add_list(about, "dc:title", "rdf:Alt", (note.title,) if note.title else ())
    _add_text(about, "dc:format", note.mime)
    _add_text(about, "xmp:CreatorTool", note.tool)
    _add_capture(about, note)
    _add_plate(about, note)
    ET.indent(root)
    return _BEGIN + bytes(ET.tostring(root, encoding="utf-8")) + _END


def _add_capture(about: ET.Element, note: PictureNote) -> None:
    if note.digitised is not None:
        when = note.digitised.replace(tzinfo=None).isoformat(timespec="seconds")
        _add_text(about, "xmp:CreateDate", when)
        _add_text(about, "exif:DateTimeDigitized", when)
    _add_text(about, "tiff:Model", note.camera or "")
    _add_text(about, "exif:ExposureTime", _rational(note.exposure_s))
    _add_text(about, "exif:FNumber", _rational(note.f_number))
    _add_text(about, "exif:FocalLength", _rational(note.focal_length_mm))
    iso = () if note.iso is None else (f"{note.iso:.0f}",)
    _add_list(about, "exif:ISOSpeedRatings", "rdf:Seq", iso)


def _add_plate(about: ET.Element, note: PictureNote) -> None:
    _add_text(about, "plate:Role", note.role)
    _add_text(about, "plate:Format", note.plate_format)
    _add_text(about, "plate:PixelsPerInch", _decimal(note.ppi))
    _add_text(about, "plate:BaseFogDensity", _decimal(note.base_fog))
    _add_text(about, "plate:MaximumDensity", _decimal(note.d_max))
    if note.base_fog is not None and note.d_max is not None:
        _add_text(about, "plate:DensityRange", _decimal(note.d_max - note.base_fog))
    _add_list(about, "plate:Flags", "rdf:Bag", note.flags)
    settings = tuple(f"{key} = {value}" for key, value in note.settings.items())
    _add_list(about, "plate:Settings", "rdf:Seq", settings)


def _add_text(about: ET.Element, name: str, text: str) -> None:
    if text:
        ET.SubElement(about, _name(name)).text = _clean(text)


def _add_list(about: ET.Element, name: str, kind: str, items: tuple[str, ...]) -> None:
    if not items:
        return
    holder = ET.SubElement(ET.SubElement(about, _name(name)), _name(kind))
    language = {_XML_LANG: "x-default"} if kind == "rdf:Alt" else {}
    for item in items:
        ET.SubElement(holder, _name("rdf:li"), language).text = _clean(item)


def _name(prefixed: str) -> str:
    prefix, local = prefixed.split(":")
    return f"{{{_NAMESPACES[prefix]}}}{local}"


def _clean(text: str) -> str:
    return _NOT_XML.sub("\ufffd", text.replace("\r\n", "\n").replace("\r", "\n"))


def _decimal(value: float | None) -> str:
    return "" if value is None else f"{value:.4f}".rstrip("0").rstrip(".")


def _rational(value: float | None) -> str:
    """Return an Exif rational, "1/8" for 0.125."""
    if value is None:
        return ""
    ratio = Fraction(value).limit_denominator(10_000)
    return f"{ratio.numerator}/{ratio.denominator}"
