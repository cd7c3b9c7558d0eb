"""The report for people: complete, self-contained, safe against what files say, the same again."""

from __future__ import annotations

import base64
import json
import re
import shutil
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import pypdf
import pytest
from click.testing import CliRunner
from PIL import Image

from platebench.cli import main
from platebench.plate.densities import PlateDensities
from platebench.plate.record import CalibrationRecord, GlareRecord, PlateRecord
from platebench.plate_log.entry import LogEntry
from platebench.session.check_file import KeptChecks
from platebench.session.convert_session import convert_session
from platebench.session.readable_report import _about, _measured, _terms
from platebench.write.page_pen import REGULAR, font_file
from platebench.write.report_page import (
    MOST_BYTES,
    Histogram,
    LightPart,
    PlatePart,
    ReportFacts,
    outline_of,
    picture_side,
    write_report_html,
)
from platebench.write.report_pdf import write_report_pdf

from ..session_files import write_session

EVIL = '<script>alert("x")</script> & <b>'


class Page(HTMLParser):
    """What a browser would load, and what it would read out."""

    def __init__(self) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.addresses: list[str] = []
        self.text = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.addresses += [value or "" for name, value in attrs if name in ("src", "href")]

    def handle_data(self, data: str) -> None:
        self.text += data


def read(path: Path) -> Page:
    page = Page()
    page.feed(path.read_text("utf-8"))
    return page


def pdf_text(path: Path) -> str:
    return " ".join(page.extract_text() for page in pypdf.PdfReader(path).pages)


@pytest.fixture(scope="module")
def converted(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = write_session(tmp_path_factory.mktemp("report") / "shelf", names=("dense", "wide"))
    (folder / "plates.csv").write_text(
        f'plate id,title,date\nwide,"{EVIL[8:13]}ferry",1893~\n', encoding="utf-8"
    )
    text = (folder / "session.toml").read_text(encoding="utf-8")
    (folder / "session.toml").write_text(
        text.replace('title = "Test"', f"title = '{EVIL}'"), encoding="utf-8"
    )
    (folder / "dense.dng").write_bytes(b"")
    convert_session(folder, workers=1)
    return folder


def test_the_file_needs_nothing_else_and_says_everything(converted: Path) -> None:
    page = read(converted / "converted" / "report.html")
    assert all(a.startswith(("data:image/jpeg;base64,", "#")) for a in page.addresses)
    assert "script" not in page.tags and EVIL in page.text
    record = json.loads((converted / "converted" / "plates" / "wide.json").read_bytes())["result"]
    for said in (f"{record['density_range']:.2f}", "9x12 cm", "neutral", "ferry", "1893"):
        assert said in page.text
    assert "dense.dng is empty" in page.text and "1 not converted" in page.text
    assert "not been checked" in page.text and "platebench" in page.text
    assert "img" in page.tags and "svg" in page.tags


def test_no_folder_of_this_machine_is_told(converted: Path) -> None:
    for name in ("report.html", "report.pdf"):
        path = converted / "converted" / name
        said = read(path).text if name.endswith("html") else pdf_text(path)
        assert "dense.dng" in said and str(converted.parent) not in said.replace("\n", "")


def test_the_pdf_says_the_same(converted: Path) -> None:
    text = pdf_text(converted / "converted" / "report.pdf")
    record = json.loads((converted / "converted" / "plates" / "wide.json").read_bytes())["result"]
    for said in (f"{record['density_range']:.2f}", "wide", "dense.dng is empty", "Made with"):
        assert said in text


def test_a_table_of_all_plates_comes_first_and_leads_to_each(converted: Path) -> None:
    output = converted / "converted"
    record = json.loads((output / "plates" / "wide.json").read_bytes())["result"]
    span = f"{record['density_range']:.2f}"
    page = read(output / "report.html")
    assert page.text.index("to look at") < page.text.index(span) < page.text.index("Measured")
    assert "#plate-1" in page.addresses and "#plate-2" in page.addresses
    first, *_ = pypdf.PdfReader(output / "report.pdf").pages
    text = first.extract_text()
    assert text.index("to look at") < text.index(span) < text.index("captures")
    links = [one.get_object() for one in first["/Annots"]]
    assert sum(one["/Subtype"] == "/Link" for one in links) == 2


def test_two_plates_share_a_page_and_one_face_serves_both_files(tmp_path: Path) -> None:
    facts = tuple((f"name {n}", "some value") for n in range(12))
    picture = tmp_path / "p.jpg"
    Image.new("L", (900, 700), 120).save(picture)
    histogram = Histogram(counts=(1, 4, 2) * 20, first=0.0, step=0.04, base_fog=0.1, d_max=1.6)
    plates = tuple(
        PlatePart(
            plate_id=f"p{n}", picture=picture, histogram=histogram, measured=facts[:8],
            settings=facts, about=facts, flags=("look here",), notes=("a note",),
        )
        for n in range(8)
    )  # fmt: skip
    write_report_pdf(tmp_path / "r.pdf", ReportFacts(title="t", plates=plates))
    pages = pypdf.PdfReader(tmp_path / "r.pdf").pages
    assert len(pages) <= 5  # the first page has the title, and room for one or two
    faces = {
        str(font.get_object()["/BaseFont"]).partition("+")[2]
        for page in pages
        for font in page["/Resources"]["/Font"].values()
    }
    assert faces - {""} == {"SourceSerifPro-Regular"}  # "": named by reportlab, not used
    write_report_html(tmp_path / "r.html", ReportFacts(title="t", plates=plates))
    text = (tmp_path / "r.html").read_text(encoding="utf-8")
    face = re.search(r"url\(data:font/ttf;base64,([^)]+)\)", text)
    assert face and base64.b64decode(face[1]) == font_file(REGULAR).read_bytes()


def test_the_same_session_is_the_same_bytes(converted: Path) -> None:
    output = converted / "converted"
    before = [(output / name).read_bytes() for name in ("report.html", "report.pdf")]
    convert_session(converted, workers=1)
    assert [(output / name).read_bytes() for name in ("report.html", "report.pdf")] == before


def test_verdicts_are_shown_once_the_captures_were_checked(converted: Path, tmp_path: Path) -> None:
    folder = Path(shutil.copytree(converted, tmp_path / "shelf"))
    checked = CliRunner().invoke(main, ["check", str(folder), "--quiet"])
    assert isinstance(checked.exception, SystemExit | None), checked.output
    kept = json.loads((folder / "converted" / "check.json").read_bytes())["captures"]
    assert set(kept) == {"blank.dng", "dark.dng", "dense.dng", "wide.dng"}
    convert_session(folder, workers=1)
    page = read(folder / "converted" / "report.html")
    said = kept["wide.dng"]["verdicts"][0][1]
    assert said in page.text and "not been checked" not in page.text
    # another capture under the same name is not the one that was checked
    (folder / "wide.dng").write_bytes((folder / "wide.dng").read_bytes() + bytes(8))
    convert_session(folder, workers=1)
    assert said not in read(folder / "converted" / "report.html").text


@pytest.mark.parametrize("content", [b"", b"[]", b'{"captures": 3}', b'{"captures": {"a": [1]}}'])
def test_kept_verdicts_that_cannot_be_read_are_none(
    converted: Path, tmp_path: Path, content: bytes
) -> None:
    folder = Path(shutil.copytree(converted, tmp_path / "shelf"))
    (folder / "converted" / "check.json").write_bytes(content)
    convert_session(folder, workers=1)
    assert "not been checked" in read(folder / "converted" / "report.html").text


@pytest.mark.parametrize("pictures", [1, 300, 2000, 10_000])
def test_many_pictures_stay_in_bounds(pictures: int) -> None:
    side = picture_side(pictures)
    assert side >= 160
    # a grey JPEG of this quality takes at most about an eighth of a byte a pixel and header
    assert pictures * (side * side * 0.11 + 300) <= MOST_BYTES * 1.2


def test_long_words_and_many_lines_break_neither(tmp_path: Path) -> None:
    part = PlatePart(
        plate_id="p" * 300,
        title="very " * 80,
        flags=("flag " * 100,) * 30,
        notes=("note",) * 200,
        measured=(("name", "v" * 400),) * 90,
        settings=(("name", "value"),) * 200,
        histogram=Histogram(counts=(0,) * 5, first=-0.2, step=0.02, base_fog=9.0, d_max=-1.0),
    )
    facts = ReportFacts(title="t", plates=(part,))
    write_report_html(tmp_path / "r.html", facts)
    write_report_pdf(tmp_path / "r.pdf", facts)
    assert len(pypdf.PdfReader(tmp_path / "r.pdf").pages) > 2
    assert "not a number" not in re.sub(
        "nan", "not a number", (tmp_path / "r.html").read_text(encoding="utf-8")
    )


def test_an_outline_keeps_its_place() -> None:
    histogram = Histogram(counts=(0, 0, 1, 4, 2), first=-0.2, step=0.1, base_fog=0.0, d_max=0.3)
    points = outline_of(histogram, 2.0)
    assert points[0] == (0.0, 0.0) and points[-1][1] == 0.0
    assert points[1:-1] == [pytest.approx(p) for p in ((0.025, 0.25), (0.075, 1.0), (0.125, 0.5))]


def test_checked_before_the_first_conversion_is_shown_after_it(tmp_path: Path) -> None:
    folder = write_session(tmp_path / "shelf", names=("wide",))
    CliRunner().invoke(main, ["check", str(folder), "--quiet"])
    convert_session(folder, workers=1)
    assert "not been checked" not in read(folder / "converted" / "report.html").text


def test_figures_are_told_in_words_that_stand_alone() -> None:
    record = PlateRecord(
        densities=PlateDensities(
            base_fog=-0.004, base_fog_from="rebate", d_min=0.0, d_max=1.5, density_range=1.5
        ),
        d_max=1.5,
        density_range=1.5,
        tilt_deg=-0.04,
        glare=GlareRecord(share=0.005, source="calibration", taken_off=True),
        calibration=CalibrationRecord(tablet="21", capture="tablet.dng", callier=1.1),
    )
    facts = dict(_measured(record))
    assert facts["base plus fog"] == "0.00" and facts["tilt in the capture"] == "0.0°"
    assert "0.50 %" in facts["glare"]
    assert "21 steps" in facts["calibrated with"]
    glare = GlareRecord(share=0.005, source="calibration")
    mine = CalibrationRecord(tablet="mine.csv")
    facts = dict(_measured(replace(record, glare=glare, calibration=mine)))
    assert facts["glare"].endswith("(calibration)") and "(mine.csv)" in facts["calibrated with"]


def test_what_check_found_is_said_once_and_the_gravest_first(tmp_path: Path) -> None:
    said = {
        "a.dng": [["note", "dust"], ["warn", "dim"], ["good", "square"]],
        "b.dng": [["warn", "dim"], ["note", "dust"], ["fail", "clipped"]],
        "c.dng": [["note", "dust"], ["good", "square"]],
    }
    captures = {name: {"bytes": 0, "verdicts": pairs} for name, pairs in said.items()}
    for name in said:
        (tmp_path / name).touch()
    (tmp_path / "check.json").write_text(
        json.dumps({"schema": 1, "captures": captures}), encoding="utf-8"
    )
    assert KeptChecks(tmp_path, tmp_path).verdicts(list(said)) == (
        ("fail", "clipped (b.dng)"),
        ("warn", "dim (a.dng, b.dng)"),
        ("note", "dust"),
        ("good", "square (a.dng, c.dng)"),
    )
    assert KeptChecks(tmp_path, tmp_path).verdicts(["a.dng"]) == (
        ("warn", "dim"), ("note", "dust"), ("good", "square"),
    )  # fmt: skip
    assert KeptChecks(tmp_path, tmp_path).verdicts(["a.dng", "d.dng"]) is None


def test_what_asks_for_action_stands_before_what_is_folded_away(tmp_path: Path) -> None:
    found = (("warn", "lengthen it"), ("good", "measured against FADGI: 4 stars"))
    facts = ReportFacts(
        title="t",
        plates=(PlatePart(plate_id="p", verdicts=found),),
        light=(LightPart(name="Blank frames b1, b2", verdicts=found[1:]),),
        terms=_terms(text for _, text in found),
    )
    write_report_html(tmp_path / "r.html", facts)
    write_report_pdf(tmp_path / "r.pdf", facts)
    text = (tmp_path / "r.html").read_text(encoding="utf-8")
    plate, _, light = text.partition("Blank frames b1, b2")
    assert plate.index("lengthen it") < plate.index("<details>") < plate.index("4 stars")
    assert "<details>" in light and "certified" in light and "SNR" not in light
    assert text.startswith("<!doctype html>")
    said = pdf_text(tmp_path / "r.pdf")
    assert said.index("lengthen it") < said.index("4 stars") < said.index("nothing is certified")


def test_times_of_the_plate_log_are_told_alike() -> None:
    log = LogEntry(plate_id="p", develop_s=300.0, given_s=0.5, metered_s=90.0, fixing="5 min")
    assert dict(_about(log)) == {
        "developed": "5 min", "given": "1/2 s", "metered": "1 min 30 s", "fixing": "5 min",
    }  # fmt: skip
