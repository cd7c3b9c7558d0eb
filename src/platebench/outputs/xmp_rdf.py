"""XMP as RDF/XML: namespaces, and elements for text, lists, languages and structures.

Form: ISO 16684-1 (XMP specification part 1). Nothing here reads XML.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from fractions import Fraction
from xml.etree import ElementTree as ET

PLATE_NAMESPACE = "urn:x-platebench:plate/1.0/"

NAMESPACES = {
    "x": "adobe:ns:meta/",
    "rdf": "http://www.w3.org/1999/02/22-rdf-syntax-ns#",
    "dc": "http://purl.org/dc/elements/1.1/",
    "xmp": "http://ns.adobe.com/xap/1.0/",
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
        ET.SubElement(about, _name(name)).text = _clean(text)


def add_list(about: ET.Element, name: str, kind: str, items: Iterable[str]) -> None:
    """Add a list, "rdf:Bag" or "rdf:Seq"; nothing where it is empty."""
    said = tuple(items)
    if said:
        holder = ET.SubElement(ET.SubElement(about, _name(name)), _name(kind))
        for item in said:
            ET.SubElement(holder, _name("rdf:li")).text = _clean(item)


def add_words(about: ET.Element, name: str, text: str) -> None:
    """Add text that could be in several languages, as the default one; nothing where empty."""
    if text:
        holder = ET.SubElement(ET.SubElement(about, _name(name)), _name("rdf:Alt"))
        ET.SubElement(holder, _name("rdf:li"), {_XML_LANG: "x-default"}).text = _clean(text)


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


def _clean(text: str) -> str:
    return _NOT_XML.sub("\ufffd", text.replace("\r\n", "\n").replace("\r", "\n"))
