"""``premis.xml``: its structure, what it names, and text that was meant to break it.

No copy of the schema of version 3 was at hand, so it was not validated against that. What both
versions have in common is validated against the schema of version 2.1; see ``tests/reference``.
"""

from __future__ import annotations

import copy
import hashlib
from pathlib import Path

import pytest
from lxml import etree

from platebench.archive.pack_session import PackOptions, pack_session
from platebench.archive.verify import verify_package
from platebench.session.convert_session import convert_session

from .conftest import NOW

REFERENCE = Path(__file__).parents[1] / "reference"
V3, V2 = "{http://www.loc.gov/premis/v3}", "{info:lc/xmlns/premis-v2}"
XSI = "{http://www.w3.org/2001/XMLSchema-instance}type"
# From the data dictionary, version 3.0: the units used here, in the order of their definition.
ORDER = {
    "premis": ["object", "event", "agent"],
    "object": ["objectIdentifier", "objectCharacteristics", "originalName", "relationship"],
    "objectCharacteristics": ["compositionLevel", "fixity", "size", "format"],
    "event": [
        *("eventIdentifier", "eventType", "eventDateTime", "eventDetailInformation"),
        *("eventOutcomeInformation", "linkingAgentIdentifier", "linkingObjectIdentifier"),
    ],
    "agent": ["agentIdentifier", "agentName", "agentType", "agentVersion"],
    "relationship": ["relationshipType", "relationshipSubType", "relatedObjectIdentifier"],
}
HOSTILE = "]]><event/> & \"quoted\" <script>alert('1')</script> \N{SNOWMAN}"


class _Local(etree.Resolver):
    def resolve(self, url: str, public_id: str, context: object) -> object:
        return self.resolve_filename(str(REFERENCE / url.rsplit("/", 1)[-1]), context)


@pytest.fixture(scope="module")
def schema() -> etree.XMLSchema:
    parser = etree.XMLParser(no_network=True)
    parser.resolvers.add(_Local())
    return etree.XMLSchema(etree.parse(str(REFERENCE / "premis-v2-1.xsd"), parser))


def as_version_2(root: etree._Element) -> etree._Element:
    """Return what version 2.1 has too: no plates and packages, no version of an agent.

    Version 3 put ``eventDetail`` into ``eventDetailInformation``.
    """
    old = copy.deepcopy(root)
    old.set("version", "2.1")
    for element in list(old.iter()):
        element.tag = V2 + etree.QName(element).localname
    for element in old.findall(f"{V2}object"):
        if element.get(XSI) == "intellectualEntity":
            old.remove(element)
    for path in (f"{V2}object/{V2}relationship", f"{V2}agent/{V2}agentVersion"):
        for element in old.findall(path):
            element.getparent().remove(element)
    for element in old.findall(f"{V2}event/{V2}eventDetailInformation"):
        element.getparent().replace(element, element[0])
    text = etree.tostring(old).replace(b"http://www.loc.gov/premis/v3", b"info:lc/xmlns/premis-v2")
    return etree.fromstring(text)


def read(package: Path) -> etree._Element:
    return etree.parse(str(package / "data" / "premis.xml")).getroot()


def test_what_both_versions_have_is_valid(packed_once: Path, schema: etree.XMLSchema) -> None:
    old = as_version_2(read(packed_once))
    schema.assertValid(old)
    old.find(f"{V2}event/{V2}eventType").tag = f"{V2}eventKind"
    assert not schema.validate(old)


def test_units_stand_in_the_order_of_the_data_dictionary(packed_once: Path) -> None:
    root = read(packed_once)
    assert root.tag == f"{V3}premis" and root.get("version") == "3.0"
    for element in root.iter():
        order = ORDER.get(etree.QName(element).localname)
        if order is not None:
            places = [order.index(etree.QName(child).localname) for child in element]
            assert places == sorted(places)


def test_every_file_has_its_digests_and_every_link_leads_somewhere(packed_once: Path) -> None:
    root, data = read(packed_once), packed_once / "data"
    files = {}
    for element in root.findall(f"{V3}object"):
        if element.get(XSI) == "file":
            digests = [digest.text for digest in element.iter(f"{V3}messageDigest")]
            files[element.findtext(f".//{V3}objectIdentifierValue")] = digests
    there = {path.relative_to(data).as_posix() for path in data.rglob("*") if path.is_file()}
    assert set(files) == there - {"premis.xml"}
    for name, digests in files.items():
        content = (data / name).read_bytes()
        assert digests == [hashlib.new(by, content).hexdigest() for by in ("sha256", "sha512")]
    known = {value.text for value in root.iter(f"{V3}objectIdentifierValue")}
    for name in ("linkingObjectIdentifierValue", "relatedObjectIdentifierValue"):
        assert {value.text for value in root.iter(V3 + name)} <= known
    agents = {value.text for value in root.iter(f"{V3}agentIdentifierValue")}
    assert {value.text for value in root.iter(f"{V3}linkingAgentIdentifierValue")} == agents
    identifiers = [value.text for value in root.iter(f"{V3}eventIdentifierValue")]
    assert len(set(identifiers)) == len(identifiers)
    kinds = {value.text for value in root.iter(f"{V3}eventType")}
    assert {"capture", "creation", "fixity check", "information package creation"} <= kinds
    assert verify_package(packed_once).valid


def test_text_that_was_meant_to_break_it(session: Path, schema: etree.XMLSchema) -> None:
    quoted = HOSTILE.replace('"', '""')
    (session / "plates.csv").write_text(
        f'plate,title,creator,date\ntall,"{quoted}","{quoted}",1893\ndense,x,A. B.,189X\n',
        encoding="utf-8",
    )
    convert_session(session, workers=1)
    options = PackOptions(masters=False)
    package = pack_session(session, now=NOW, options=options, workers=1)[0].package
    root = read(package)
    schema.assertValid(as_version_2(root))
    assert HOSTILE in {value.text for value in root.iter(f"{V3}agentName")}
    titles = {value.text for value in root.iter(f"{V3}originalName") if "script" in value.text}
    assert len(titles) == 1 and not root.findall(".//script")
    dates = {
        event.findtext(f".//{V3}eventIdentifierValue"): event.findtext(f"{V3}eventDateTime")
        for event in root.findall(f"{V3}event")
    }
    assert dates["tall/made"] == "1893" and dates["dense/made"] == NOW.isoformat()
    readme = (package / "data" / "README.txt").read_text(encoding="utf-8")
    assert all(char.isprintable() for line in readme.splitlines() for char in line)
