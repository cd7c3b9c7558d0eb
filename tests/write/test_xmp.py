"""XMP packets, read by an XML parser and by what Pillow embeds."""

from dataclasses import replace
from datetime import datetime
from xml.etree import ElementTree as ET

from hypothesis import given
from hypothesis import strategies as st

from platebench.plate_log.entry import LogEntry
from platebench.write.xmp import PLATE_NAMESPACE, PictureNote, xmp_packet

# Namespaces and packet wrapper: ISO 16684-1 (XMP specification part 1), from memory.
NAMES = {
    "x": "adobe:ns:meta/",
    "rdf": "http://www.w3.org/1999/02/22-rdf-syntax-ns#",
    "dc": "http://purl.org/dc/elements/1.1/",
    "xmp": "http://ns.adobe.com/xap/1.0/",
    "tiff": "http://ns.adobe.com/tiff/1.0/",
    "exif": "http://ns.adobe.com/exif/1.0/",
    "xmpRights": "http://ns.adobe.com/xap/1.0/rights/",
    "photoshop": "http://ns.adobe.com/photoshop/1.0/",
    "plate": PLATE_NAMESPACE,
}
FULL = PictureNote(
    identifier="box-4-plate-07",
    title="Mill & weir <east>",
    tool="platebench 0.2.0",
    digitised=datetime(2026, 3, 4, 15, 6, 7),
    camera="bench camera",
    exposure_s=0.125,
    f_number=5.6,
    iso=100.0,
    focal_length_mm=90.0,
    ppi=1999.75,
    plate_format="13x18 cm",
    base_fog=0.21,
    d_max=1.74,
    flags=("corner chipped", "stained"),
    settings={"tone.profile": "neutral", "light.source": "blank"},
)


def described(packet):
    root = ET.fromstring(packet)
    assert root.tag == "{adobe:ns:meta/}xmpmeta"
    found = root.findall("rdf:RDF/rdf:Description", NAMES)
    assert len(found) == 1
    return found[0]


def text(about, name):
    return about.findtext(name, namespaces=NAMES)


def items(about, name, kind):
    return [item.text for item in about.findall(f"{name}/rdf:{kind}/rdf:li", NAMES)]


def test_packet_is_wrapped():
    packet = xmp_packet(FULL)
    assert packet.startswith(b'<?xpacket begin="\xef\xbb\xbf" id="W5M0MpCehiHzreSzNTczkc9d"?>')
    assert packet.endswith(b'<?xpacket end="w"?>')
    packet.decode("utf-8")


def test_every_field_is_in_its_place():
    about = described(xmp_packet(FULL))
    assert text(about, "dc:identifier") == "box-4-plate-07"
    assert items(about, "dc:title", "Alt") == ["Mill & weir <east>"]
    assert text(about, "dc:format") == "image/tiff"
    assert text(about, "xmp:CreatorTool") == "platebench 0.2.0"
    assert text(about, "xmp:CreateDate") == "2026-03-04T15:06:07"
    assert text(about, "exif:DateTimeDigitized") == "2026-03-04T15:06:07"
    assert text(about, "tiff:Model") == "bench camera"
    assert text(about, "exif:ExposureTime") == "1/8"
    assert text(about, "exif:FNumber") == "28/5"
    assert text(about, "exif:FocalLength") == "90/1"
    assert items(about, "exif:ISOSpeedRatings", "Seq") == ["100"]
    assert text(about, "plate:Role") == "positive"
    assert text(about, "plate:Format") == "13x18 cm"
    assert text(about, "plate:PixelsPerInch") == "1999.75"
    assert text(about, "plate:BaseFogDensity") == "0.21"
    assert text(about, "plate:MaximumDensity") == "1.74"
    assert text(about, "plate:DensityRange") == "1.53"
    assert items(about, "plate:Flags", "Bag") == ["corner chipped", "stained"]
    assert items(about, "plate:Settings", "Seq") == [
        "tone.profile = neutral",
        "light.source = blank",
    ]


def test_who_made_it_and_who_may_use_it():
    entry = LogEntry(
        plate_id="7",
        creator="A. Maker",
        rights="© the archive",
        usage_terms="may be shown, not sold",
        web_statement="https://example.org/rights",
        credit="The archive, box 4",
    )
    about = described(xmp_packet(replace(FULL, entry=entry)))
    # Types as the XMP (part 1, 8.3 and 8.6) and IPTC specifications give them, from memory.
    assert items(about, "dc:creator", "Seq") == ["A. Maker"]
    assert items(about, "dc:rights", "Alt") == ["© the archive"]
    assert items(about, "xmpRights:UsageTerms", "Alt") == ["may be shown, not sold"]
    assert text(about, "xmpRights:WebStatement") == "https://example.org/rights"
    assert text(about, "photoshop:Credit") == "The archive, box 4"
    assert not described(xmp_packet(FULL)).findall("dc:creator", NAMES)


def test_what_is_not_known_is_not_written():
    about = described(xmp_packet(PictureNote(identifier="p")))
    assert {child.tag.split("}")[1] for child in about} == {"identifier", "format", "Role"}


def test_short_exposures_stay_fractions():
    about = described(xmp_packet(PictureNote(identifier="p", exposure_s=1 / 8000)))
    assert text(about, "exif:ExposureTime") == "1/8000"


@given(st.text(max_size=20), st.lists(st.text(min_size=1, max_size=9), max_size=2))
def test_any_text_is_escaped_and_comes_back(title, flags):
    note = PictureNote(identifier="<&>\"'", title=title, flags=tuple(flags))
    packet = xmp_packet(note)
    about = described(packet)

    def kept(said):  # XML 1.0, sections 2.2 (characters) and 2.11 (line ends)
        allowed = "".join(
            c
            if c in "\t\n\r"
            or " " <= c <= "\ud7ff"
            or "\ue000" <= c <= "\ufffd"
            or c >= "\U00010000"
            else "\ufffd"
            for c in said
        )
        return allowed.replace("\r\n", "\n").replace("\r", "\n")

    assert text(about, "dc:identifier") == "<&>\"'"
    assert items(about, "dc:title", "Alt") == ([kept(title)] if title else [])
    assert items(about, "plate:Flags", "Bag") == [kept(flag) for flag in flags]
    assert packet == xmp_packet(note)
