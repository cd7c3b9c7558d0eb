"""``platebench print-plate`` on a small session: times, the page, cautions."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pypdf
import pytest
from click.testing import CliRunner, Result

from platebench.cli import main
from platebench.core.errors import ExitCode
from platebench.printing.process_file import list_processes, process_folders

from ..session_files import tree, write_session
from ..write.pdf_facts import words_on


@pytest.fixture(scope="module")
def session(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = write_session(tmp_path_factory.mktemp("strips") / "shelf", names=("tall", "dense"))
    assert CliRunner().invoke(main, ["convert", str(folder), "--jobs", "1"]).exit_code == 0
    return folder


def said_on(path: Path) -> str:
    count = len(pypdf.PdfReader(path).pages)
    return " ".join(" ".join(words_on(path, n)[0] for n in range(count)).split())


def type_sizes(page: pypdf.PageObject) -> list[float]:
    """Size of each piece of type in points: that of its font, as its matrices scale it."""
    sizes: list[float] = []

    def look(text, matrix, text_matrix, _font, size):
        if text.strip():
            sizes.append(size * abs(matrix[3] * text_matrix[3]))

    page.extract_text(visitor_text=look)
    return sizes


def run(session: Path, *args: str, process: str = "albumen") -> Result:
    return CliRunner().invoke(main, ["print-plate", str(session), *args, "--process", process])


def test_times_follow_from_the_record_and_nothing_else_is_touched(session):
    before = tree(session, but="test-strips")
    result = run(session, "dense", "--reference", "tall", "--time", "4m", "--json")
    assert result.exit_code == 0, result.output
    (plate,) = json.loads(result.stdout)["plates"]
    bases = [
        json.loads((session / f"converted/plates/{name}.json").read_text(encoding="utf-8"))[
            "result"
        ]["base_fog"]
        for name in ("dense", "tall")
    ]
    assert plate["time_factor"] == pytest.approx(10 ** (bases[0] - bases[1]), rel=1e-3)
    assert plate["reference_time_s"] == 240
    assert before == tree(session, but="test-strips")


def test_says_times_formula_and_cautions(session):
    result = run(session, "tall", "--time", "4m")
    assert "Time factor" in result.stdout and "10 ^ (" in result.stdout
    assert "For the highlights:" in result.stdout
    for hazard in ("Glass:", "Ultraviolet:", "Silver nitrate:", "cracked or warped plate"):
        assert hazard in result.stdout


@pytest.mark.parametrize(
    ("args", "what"),
    [
        ((), "1 x is the shortest time that prints full black with nothing between lamp and paper"),
        (
            ("--reference", "dense"),
            "1 x is the shortest time that prints full black through the base of plate dense",
        ),
    ],
)
def test_without_a_time_multiples_are_given_and_explained(session, args, what):
    said = run(session, "tall", *args).stdout
    assert re.search(r"For the base: [\d.]+ x [^:]*:", said)
    text = said_on(session / "test-strips" / "tall-albumen.pdf")
    assert what in " ".join(said.split())
    assert what.removeprefix("1 x is ") in " ".join(text.split())
    assert "1 x is" not in run(session, "tall", *args, "--time", "4m").stdout


def test_the_strip_holds_what_the_page_says_to_look_for(session):
    """Salted paper's scale is far longer than the plate's range: half stops do not reach."""
    result = run(session, "tall", "--time", "4m", "--json", process="salted-paper")
    (plate,) = json.loads(result.stdout)["plates"]
    wanted = sorted((plate["factor_for_shadows"], plate["factor_for_highlights"]))
    assert wanted[1] / wanted[0] > 2**3  # more than seven parts half a stop apart hold
    assert plate["strip_factors"][0] < wanted[0] and plate["strip_factors"][-1] > wanted[1]
    said = said_on(Path(plate["sheet"]))
    assert "Choose" in said


@pytest.mark.parametrize("time", ["2s", "0.5s"])
def test_times_too_short_for_a_hand_are_still_told(session, time):
    result = run(session, "tall", "--time", time)
    assert result.exit_code == 0, result.output


@pytest.mark.parametrize(
    ("process", "paper", "time"),  # letter is the shorter, a4 the narrower page
    [
        *((name, "letter", "--time 90s") for name in list_processes(process_folders(None, None))),
        ("gum", "a4", "--time 90s"),
        ("kallitype", "letter", "--reference dense"),  # it has most to say
    ],
)
def test_cautions_come_first_in_type_that_can_be_read(session, process, paper, time):
    result = run(session, "tall", *time.split(), "--paper", paper, "--json", process=process)
    document = json.loads(result.stdout)
    path = Path(document["plates"][0]["sheet"])
    pages = pypdf.PdfReader(path).pages
    said, work = said_on(path), " ".join(words_on(path, len(pages) - 1)[0].split())
    for caution in document["cautions"]:
        assert said.index(" ".join(caution.split())[-24:]) < said.index("parts 1 to 6")
    for part in ("base plus fog", "parts 1 to 6", "Emulsion of the plate DOWN"):
        assert part in work  # one page holds all of the work
    for number, page in enumerate(pages):
        _, boxes = words_on(path, number)
        assert min(box.bottom for box in boxes) > 8  # mm: within what a printer reaches
        right = float(page.mediabox.width) * 25.4 / 72 - 8
        assert all(box.left > 8 and box.left + box.width < right for box in boxes)
        assert min(type_sizes(page)) >= 8  # points


def test_doubt_of_the_sides_is_carried_into_times_and_sheet(session):
    sure = json.loads(run(session, "tall", "--time", "4m", "--json").stdout)["plates"][0]
    record = session / "converted" / "plates" / "dense.json"
    whole = record.read_bytes()
    document = json.loads(whole)
    document["result"]["doubtful"] = True
    record.write_text(json.dumps(document), encoding="utf-8")
    try:
        (doubtful,) = json.loads(run(session, "dense", "--json").stdout)["plates"]
        (against,) = json.loads(run(session, "tall", "--reference", "dense", "--json").stdout)[
            "plates"
        ]
        said = " ".join(run(session, "dense").stdout.split())
    finally:
        record.write_bytes(whole)
    assert sure["doubts"] == []
    for plate in (doubtful, against):
        (doubt,) = plate["doubts"]
        assert "in doubt" in doubt and "corners" in doubt and "format" not in doubt
        assert doubt in said_on(Path(plate["sheet"]))
    assert doubtful["doubts"][0] in said


def test_a_page_that_fails_does_not_stop_the_others(session):
    strips = session / "test-strips"
    strips.mkdir(exist_ok=True)
    (strips / "tall-gum.pdf").unlink(missing_ok=True)
    (strips / "tall-gum.pdf").mkdir()  # a folder is in the way of the first page
    try:
        result = run(session, "tall", "dense", process="gum")
    finally:
        (strips / "tall-gum.pdf").rmdir()
    assert result.exit_code == ExitCode.PARTIAL
    assert str(strips / "dense-gum.pdf") in result.stdout.split()
    assert [line.split()[0] for line in result.stderr.splitlines()] == ["Error:"]


def test_a_plate_without_a_record_is_one_clear_line(session):
    for args in (("nobody",), ("tall", "--reference", "nobody")):
        result = run(session, *args)
        assert result.exit_code == 10
        assert '"nobody"' in result.stderr


def test_a_strip_too_short_for_the_range_promises_nothing(session, monkeypatch):
    monkeypatch.setattr("platebench.printing.direct_time.STRIPS", ((7, 0.5),))
    result = run(session, "tall", "--time", "4m", "--json", process="salted-paper")
    said = said_on(Path(json.loads(result.stdout)["plates"][0]["sheet"]))
    assert "beyond its ends" in said
    assert "Choose" not in said
