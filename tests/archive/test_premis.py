"""``premis.xml``: valid by the schema, what it names, and text that was meant to break it."""

from __future__ import annotations

import hashlib
from pathlib import Path

import pytest
from lxml import etree

from platebench.archive.pack_session import PackOptions, pack_session
from platebench.archive.verify import verify_package
from platebench.session.convert_session import convert_session

from .conftest import NOW

REFERENCE = Path(__file__).parents[1] / "reference"
V3 = "{http://www.loc.gov/premis/v3}"
XSI = "{http://www.w3.org/2001/XMLSchema-instance}type"
HOSTILE = "]]><event/> & \"quoted\" <script>alert('1')</script> \N{SNOWMAN}"


@pytest.fixture(scope="module")
def schema() -> etree.XMLSchema:
    path = REFERENCE / "premis-v3-0.xsd"
    return etree.XMLSchema(etree.parse(str(path), etree.XMLParser(no_network=True)))


def read(package: Path) -> etree._Element:
    return etree.parse(str(package / "data" / "premis.xml")).getroot()


def test_it_is_valid_by_the_schema_of_version_3(packed_once: Path, schema: etree.XMLSchema) -> None:
    root = read(packed_once)
    assert root.tag == f"{V3}premis" and root.get("version") == "3.0"
    schema.assertValid(root)
    root.find(f"{V3}event/{V3}eventType").tag = f"{V3}eventKind"
    assert not schema.validate(root)


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
    schema.assertValid(root)
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
