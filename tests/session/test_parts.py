"""Large sessions: sheets and reports in parts, and nothing made again that shows the same."""

from __future__ import annotations

import json
import os
import shutil
from datetime import UTC, datetime
from html.parser import HTMLParser
from pathlib import Path

import pypdf
import pytest

from platebench.archive.pack_session import PackOptions, pack_session
from platebench.core.errors import WriteError
from platebench.core.files import refuse_foreign
from platebench.session import parts
from platebench.session.check_file import KeptChecks
from platebench.session.convert_session import convert_session
from platebench.session.edit_file import edit_plate
from platebench.session.parts import FILE_NAME, MANY, advice_on_size, parts_of

from ..session_files import tree, write_session

NAMES = ("dense", "tall", "wide")  # in parts of two


@pytest.fixture(scope="module")
def original(tmp_path_factory: pytest.TempPathFactory) -> Path:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(parts, "MOST_IN_ONE", 2)
        patch.setattr(parts, "PART", 2)
        folder = write_session(tmp_path_factory.mktemp("parts") / "shelf", names=NAMES)
        assert not convert_session(folder, workers=1).errors
    return folder


@pytest.fixture
def session(original: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setattr(parts, "MOST_IN_ONE", 2)
    monkeypatch.setattr(parts, "PART", 2)
    return Path(shutil.copytree(original, tmp_path / "shelf"))


SHEETS = [
    *("proof-sheet-1.png", "proof-sheet-part-001-1.png", "proof-sheet-part-001.pdf"),
    *("proof-sheet-part-002-1.png", "proof-sheet-part-002.pdf", "proof-sheet.pdf"),
    *("report-part-001.html", "report-part-001.pdf", "report-part-002.html"),
    *("report-part-002.pdf", "report.html", "report.pdf"),
]


def sheets(folder: Path) -> dict[str, int]:
    """Each sheet and report, with what changes when it is written again."""
    found = (path for kind in ("*.png", "*.pdf", "*.html") for path in folder.glob(kind))
    return {path.name: path.stat().st_ino for path in sorted(found)}


def made_again(session: Path) -> set[str]:
    before = sheets(session / "converted")
    assert not convert_session(session, workers=1).errors
    after = sheets(session / "converted")
    return {name for name in before.keys() | after.keys() if before.get(name) != after.get(name)}


class Links(HTMLParser):
    def __init__(self, path: Path) -> None:
        super().__init__()
        self.to: list[str] = []
        self.ids: list[str] = []
        self.feed(path.read_text(encoding="utf-8"))

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.to += [value or "" for name, value in attrs if name == "href"]
        self.ids += [value or "" for name, value in attrs if name == "id"]


def test_every_plate_is_in_one_part_and_the_index_leads_to_it(session: Path) -> None:
    output = session / "converted"
    assert list(sheets(output)) == SHEETS
    index = Links(output / "report.html").to
    assert len(index) == len(NAMES)
    for address in index:
        name, _, place = address.partition("#")
        assert place in Links(output / name).ids
    shown = {}
    for name in ("report-part-001.pdf", "report-part-002.pdf", "proof-sheet-part-002.pdf"):
        shown[name] = "".join(p.extract_text() for p in pypdf.PdfReader(output / name).pages)
    assert "dense" in shown["report-part-001.pdf"] and "tall" in shown["report-part-001.pdf"]
    assert "wide" in shown["report-part-002.pdf"] and "tall" not in shown["report-part-002.pdf"]
    assert "wide" in shown["proof-sheet-part-002.pdf"]
    told = "".join(p.extract_text() for p in pypdf.PdfReader(output / "proof-sheet.pdf").pages)
    assert "proof-sheet-part-002.pdf" in told and "wide" in told
    report = json.loads((output / "report.json").read_bytes())
    assert set(SHEETS) <= set(report["files"]) and len(report["plates"]) == len(NAMES)


def test_nothing_is_made_again_where_nothing_has_changed(session: Path) -> None:
    assert made_again(session) == set()


def test_the_ground_of_the_sheets_is_kept_from_run_to_run(session: Path) -> None:
    of_sheets = {name for name in SHEETS if name.startswith("proof-sheet-part")}
    before, black = sheets(session / "converted"), tree(session / "converted")
    convert_session(session, workers=1, ground="white")
    after = sheets(session / "converted")
    assert {name for name in SHEETS if before[name] != after[name]} == of_sheets
    assert made_again(session) == set()
    convert_session(session, workers=1, ground="black")
    assert {name for name in SHEETS if tree(session / "converted")[name] != black[name]} == set()


def test_one_changed_plate_makes_its_own_part_again(session: Path) -> None:
    edit_plate(session, "wide", {"tone": "softer"})
    of_part = {name for name in SHEETS if "part-002" in name}
    assert made_again(session) == of_part


@pytest.mark.parametrize("change", ["title", "a file lost", "a file spoilt", "digests lost"])
def test_what_else_makes_sheets_anew(session: Path, change: str) -> None:
    output = session / "converted"
    expected = set(SHEETS)
    if change == "title":
        settings = session / "session.toml"
        text = settings.read_text(encoding="utf-8").replace('"Test"', '"Another"')
        settings.write_text(text, encoding="utf-8")
    elif change == "a file lost":
        (output / "report-part-001.html").unlink()
        expected = {"report-part-001.html"}
    elif change == "a file spoilt":
        sheet = output / "proof-sheet-part-001-1.png"
        content = bytearray(sheet.read_bytes())
        content[-20] ^= 1
        sheet.write_bytes(content)
        expected = {name for name in SHEETS if name.startswith("proof-sheet-part-001")}
    else:
        (output / FILE_NAME).write_text('{"schema": 1, "files": {"report.html": 3}}', "utf-8")
    assert made_again(session) == expected


def test_a_session_that_grew_small_again_keeps_no_parts(
    session: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(parts, "MOST_IN_ONE", 100)
    assert made_again(session) == set(SHEETS)
    kept = ["proof-sheet-1.png", "proof-sheet.pdf", "report.html", "report.pdf"]
    assert list(sheets(session / "converted")) == kept


def test_a_plate_that_fails_is_named_in_the_index(session: Path) -> None:
    (session / "wide.dng").write_bytes(b"")
    convert_session(session, workers=1)
    output = session / "converted"
    for name in ("proof-sheet.pdf", "report.pdf"):
        told = "".join(page.extract_text() for page in pypdf.PdfReader(output / name).pages)
        assert "wide" in told and "not converted" in told
    assert not (output / "proof-sheet-part-002.pdf").exists()


def test_parts_hold_every_plate_once_in_order() -> None:
    for count in (0, 1, 100, 101, 150, 151):
        found = parts_of(range(count))
        assert [plate for part in found for plate in part.plates] == list(range(count))
        assert all(part.plates[0] == part.first - 1 for part in found if part.plates)


def test_large_sessions_get_advice_and_others_none() -> None:
    assert advice_on_size(MANY) and not advice_on_size(MANY - 1)


def test_what_check_kept_is_read_once_for_all_plates(
    session: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    reads = []

    def read(path: Path) -> dict[str, object]:
        reads.append(path)
        return {}

    monkeypatch.setattr("platebench.session.check_file._read", read)
    kept = KeptChecks(session, session / "converted")
    assert [kept.verdicts([f"{name}.dng"]) for name in NAMES] == [None] * 3 and len(reads) == 1


def test_a_report_of_any_size_is_known_as_ours_and_a_strangers_is_not(tmp_path: Path) -> None:
    ours, other = tmp_path / "report.json", tmp_path / "other.json"
    begin = b'{\n  "schema": 1,\n  "platebench": "0.2.0",\n  "plates": ['
    for path, content in ((ours, begin), (other, b'{"plates": [')):
        with path.open("wb") as stream:
            stream.write(content)
            os.truncate(path, 100 << 20)  # beyond what was once the limit
    refuse_foreign([ours], "report")
    with pytest.raises(WriteError):
        refuse_foreign([other], "report")


def test_a_package_of_the_whole_session_holds_all_parts(session: Path, tmp_path: Path) -> None:
    done = pack_session(
        session,
        now=datetime(2026, 3, 1, tzinfo=UTC),
        to=tmp_path / "packages",
        options=PackOptions(masters=False),
        workers=1,
    )
    packed = {path.name for path in (done[0].package / "data").iterdir()}
    assert {name for name in SHEETS if name.endswith(".pdf")} <= packed
