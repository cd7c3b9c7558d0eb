"""From a converted session to the next plate: what the commands write, and what they refuse."""

from __future__ import annotations

import json
import re
import shlex
import shutil
from functools import partial
from pathlib import Path
from typing import Any
from unittest import mock

import click
import numpy as np
import pypdfium2
import pytest
from click.testing import CliRunner, Result

from platebench.cli import main
from platebench.core.errors import ExitCode
from platebench.plate_log.read_log import load_plate_log
from platebench.session.convert_session import convert_session
from platebench.synthetic.demo import demo_plate_log, demo_test_plates, write_demo_session

from ..sensitometry.step_tables import write_family
from ..session_files import tree, write_session

LOG = (
    "plate id,given,aperture,meter EV,light kind,batch,developed for,metered on,subject\n"
    "wide,2 s,8,9,indoors,14,6 min,average,street\n"
)


def run(*args: str | Path) -> Result:
    return CliRunner().invoke(main, [str(arg) for arg in args], prog_name="platebench")


def told(*args: str | Path) -> dict[str, Any]:
    result = run(*args, "--json")
    assert result.exit_code == ExitCode.OK, result.output
    document: dict[str, Any] = json.loads(result.stdout)
    return document


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("darkroom")
    session = write_session(folder / "shelf", names=("wide",))
    convert_session(session, workers=1)
    times = write_family(folder)
    told("curve", *times, "--times", "3,6,12", "--batch", "14", "--output", folder / "curves")
    return folder


@pytest.fixture
def place(made: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    copy = Path(shutil.copytree(made, tmp_path / "all"))
    (copy / "shelf" / "plates.csv").write_text(LOG, encoding="utf-8")
    monkeypatch.chdir(copy)
    return copy


CURVES = ("--curves", "curves/curves.json")
PLAN = ("--process", "albumen", "--darkest", "9", "--lightest", "14", "--f", "16", "--batch", "14")


@pytest.mark.big
def test_a_finished_plate_says_what_it_was_given_and_got(place: Path) -> None:
    document = told("own-speed", "shelf", *CURVES)
    (plate,) = document["plates"]
    # 2 s at f/8 by EV 9: log2(2 / 64) + 9, against log2(50) and 4 stops of the rule indoors.
    assert plate["beyond"] == pytest.approx(np.log2(2 / 64) + 9 - np.log2(50) - 4, abs=1e-3)
    assert plate["batch"] == "14" and plate["light"] == "indoors"
    assert document["own_speed"]["indoors"]["plates_of_same_light"] in (0, 1)
    assert json.loads(Path("shelf/own-speed.json").read_text(encoding="utf-8"))["plates"]


def test_what_a_row_lacks_is_named_and_nothing_is_made_up(place: Path) -> None:
    Path("shelf/plates.csv").write_text("plate id,given\nwide,2 s\n", encoding="utf-8")
    document = told("own-speed", "shelf", *CURVES)
    assert document["plates"] == [] and document["left_out"] == {"no meter EV": ["wide"]}
    rule, own = (
        told("expose", "--ev", "9", "--f", "8", *more)
        for more in ((), ("--own-speed", "shelf/own-speed.json"))
    )
    assert own["own_speed"]["exposure"] == rule["exposure"]


def test_expose_asks_the_plates_and_writes_the_log(place: Path) -> None:
    told("own-speed", "shelf", *CURVES)
    document = told(
        *("expose", "--ev", "9", "--f", "11", "--light", "indoors", "--own-speed"),
        *("shelf/own-speed.json", "--log", "shelf", "--plate", "next", "--hour", "9:40"),
    )
    assert document["own_speed"]["plates"] == 1 and document["own_speed"]["pair"]
    entry = load_plate_log(Path("shelf/plates.csv"))["next"]
    assert (entry.meter_ev, entry.f_number, entry.hour) == (9.0, 11.0, "09:40")
    assert entry.given_s is None  # a pair: which of the two is not known
    again = run("expose", "--ev", "3", "--f", "11", "--log", "shelf", "--plate", "next")
    assert again.exit_code == ExitCode.SETTINGS
    assert run("expose", "--ev", "3", "--f", "11", "--log", "shelf").exit_code == ExitCode.USAGE


def test_a_file_that_holds_no_own_speed_is_refused(place: Path) -> None:
    for name in ("curves/curves.json", "nowhere.json"):
        result = run("expose", "--ev", "9", "--f", "8", "--own-speed", name)
        assert result.exit_code == ExitCode.INPUT
    result = run("expose", "--ev", "9", "--f", "8", "--rating", "3", "--own-speed", "x.json")
    assert result.exit_code == ExitCode.USAGE


def pages(path: Path) -> list[tuple[tuple[float, float], np.ndarray]]:
    with pypdfium2.PdfDocument(path) as pdf:
        return [(page.get_size(), page.render(scale=2).to_numpy()) for page in pdf]


def test_a_plan_with_its_sheet_and_card(place: Path) -> None:
    document = told("plan-plate", "shelf", "next", *PLAN, *CURVES)
    plan = document["plan"]
    assert plan["dense"] - plan["thin"] == pytest.approx(plan["aim_range"], abs=0.01)
    assert plan["gamma"] <= 0.9 * plan["gamma_infinity"]
    assert plan["develop_span_s"][0] < plan["develop_s"] < plan["develop_span_s"][1]
    sheet, card = (pages(Path(name)) for name in document["files"][:2])
    for found, size, count in ((sheet, (148, 210), 2), (card, (105, 148), 1)):
        assert len(found) == count
        for points, picture in found:
            assert [p * 25.4 / 72 for p in points] == pytest.approx(size, abs=0.1)
            colours = picture[..., :3].astype(int)
            assert np.ptp(colours, axis=2).max() <= 2  # black, white, between
            assert 0.005 < (colours[..., 0] < 128).mean() < 0.5
    entry = load_plate_log(Path("shelf/plates.csv"))["next"]
    assert (entry.darkest_ev, entry.lightest_ev, entry.batch) == (9.0, 14.0, "14")
    assert entry.develop_s is None  # planned is not done


def test_no_plan_where_no_development_gives_it(place: Path) -> None:
    flat = ("--process", "albumen", "--darkest", "9", "--lightest", "10.5", "--f", "16")
    result = run("plan-plate", "shelf", "next", *flat, "--batch", "14", *CURVES)
    assert result.exit_code == ExitCode.INPUT and not Path("shelf/plans").exists()
    result = run("plan-plate", "shelf", "next", *PLAN[:-1], "15", *CURVES)
    assert result.exit_code == ExitCode.INPUT
    assert run("plan-plate", "shelf", "next", *PLAN).exit_code == ExitCode.USAGE


def test_planned_against_came(place: Path) -> None:
    assert run("plan-plate", "shelf", "wide", "--came").exit_code == ExitCode.INPUT
    told("plan-plate", "shelf", "wide", *PLAN, *CURVES, "--no-log")
    assert Path("shelf/plates.csv").read_text(encoding="utf-8") == LOG
    document = told("plan-plate", "shelf", "wide", "--came")
    planned, came = document["planned_and_came"]["range"]
    record = json.loads(Path("shelf/converted/plates/wide.json").read_text(encoding="utf-8"))
    assert came == record["result"]["densities"]["density_range"] and planned != came
    assert document["lessons"]
    assert document["planned_and_came"]["developed for, s"][1] == 360


def test_the_batch_book_keeps_what_it_was_told(place: Path) -> None:
    document = told("batch-book", "book", *CURVES, "--minutes", "6")
    (line,) = document["batches"]
    assert (line["batch"], line["minutes"]) == ("14", "6")
    assert all(one["state"] == "points only" and not one["limits"] for one in document["charts"])
    document = told(
        *("batch-book", "book", "--batch", "14", "--session", "shelf", "--even", "wide"),
        *("--half-turn", "--flaws", "2.5", "--label"),
    )
    (line,) = document["batches"]
    assert line["even by"] == "half turn" and line["flaws a dm2"] == "2.5" and line["gamma"]
    assert document["evenness"]["max_min"] > document["evenness"]["sd"] > 0
    for name in ("batches.png", "batches.svg", "even-14.png", "even-14.svg", "label-14.pdf"):
        assert (Path("book") / name).stat().st_size > 500
    assert run("batch-book", "book", "--flaws", "2").exit_code == ExitCode.USAGE
    assert run("batch-book", "empty").exit_code == ExitCode.USAGE


def test_a_test_plate_of_strips_by_table_and_by_places(place: Path) -> None:
    Path("strips.csv").write_text("time_s,density\n4,1.0\n23,0.85\n128,0.7\n", encoding="utf-8")
    document = told("reciprocity-plate", "strips.csv", *CURVES, "--batch", "14", "--minutes", "5")
    assert 0.7 < document["p"] < 1
    speed = told("own-speed", "shelf", *CURVES, "--reciprocity", "curves/reciprocity.json")
    assert speed["known_q"]["14"][0] == pytest.approx(1 - document["p"])
    where = ("--session", "shelf", "--plate", "wide", "--seconds", "4,23,128")
    picture = run("reciprocity-plate", *where, *CURVES, "--batch", "14", "--minutes", "5")
    assert picture.exit_code == ExitCode.INPUT  # no strips on it
    Path("strips.csv").write_text("time_s,density\n4,0.1\n23,0.1\n128,0.1\n", encoding="utf-8")
    bad = run("reciprocity-plate", "strips.csv", *CURVES, "--batch", "14", "--minutes", "5")
    assert bad.exit_code == ExitCode.INPUT


ERRORS = (Path(__file__).parents[2] / "docs" / "errors.md").read_text(encoding="utf-8")
SECTION = ERRORS.partition("## The next plate")[2].partition("\n## ")[0]
DOCUMENTED = dict(re.findall(r"^\| (.+?) \| `(.+)` \|$", SECTION, re.MULTILINE))
EXPOSE = ("expose", "--ev", "9", "--f", "8")
STRIPS = ("reciprocity-plate", "strips.csv")
WRONG: dict[str, tuple[str, ...]] = {
    "a file that is not there": (*EXPOSE, "--own-speed", "nowhere.json"),
    "a folder in its place": (*EXPOSE, "--own-speed", "curves"),
    "another file in its place": (*EXPOSE, "--own-speed", "curves/curves.json"),
    "no curves": ("own-speed", "shelf", "--curves", "strips.csv"),
    "no tested reciprocity": ("own-speed", "shelf", "--reciprocity", "curves/curves.json"),
    "a batch without a curve": (*STRIPS, *CURVES, "--batch", "15", "--minutes", "5"),
    "strips off the curve": (*STRIPS, *CURVES, "--batch", "14", "--minutes", "5"),
    "more contrast than there is": (
        *("plan-plate", "shelf", "next", "--process", "albumen", "--darkest", "9"),
        *("--lightest", "10.5", "--f", "16", "--batch", "14", *CURVES),
    ),
    "one time of development only": ("plan-plate", "shelf", "next", *PLAN[:-1], "15", *CURVES),
    "curves of no batch": ("batch-book", "book", "--curves", "plain/curves.json"),
    "the log says something else": (*EXPOSE, "--log", "shelf", "--plate", "wide", "--given", "9s"),
    "no book": ("batch-book", "shelf-as-book", *CURVES),
}


@pytest.mark.parametrize("case", DOCUMENTED)
def test_bad_input_is_one_documented_line(case: str, place: Path) -> None:
    Path("strips.csv").write_text("time_s,density\n4,0.1\n23,0.1\n128,0.1\n", encoding="utf-8")
    Path("shelf-as-book").mkdir()
    Path("shelf-as-book/batches.csv").write_text("a,b\n1,2\n", encoding="utf-8")
    if case == "curves of no batch":
        told("curve", "batch-14-6-min.csv", "--output", "plain")
    before = tree(place)
    result = run(*WRONG[case])
    assert result.exit_code in (ExitCode.INPUT, ExitCode.SETTINGS), result.output
    (line,) = result.stderr.splitlines()
    pattern = ".+?".join(re.escape(part) for part in DOCUMENTED[case].split("…"))
    assert re.fullmatch(f"Error: {pattern}", line), line
    assert tree(place) == before


PAGE = (Path(__file__).parents[2] / "docs" / "darkroom.md").read_text(encoding="utf-8")


@pytest.mark.big
def test_the_page_walks_through_on_the_demo_as_typed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("click.get_app_dir", lambda name: str(tmp_path / "home" / name))
    small = partial(write_demo_session, long_side=900)
    monkeypatch.setattr("platebench.synthetic.demo.write_demo_session", small)
    run("demo", "demo-session")
    lines = re.findall(r"^    (platebench .*demo-session.*)$", PAGE, re.MULTILINE)
    assert len(lines) >= 9
    for line in lines:
        result = run(*shlex.split(line)[1:])
        assert result.exit_code == ExitCode.OK, (line, result.output, result.exception)


def test_every_command_line_of_the_page_is_understood(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    for line in re.findall(r"^    (platebench .*)$", PAGE, re.MULTILINE):
        name, *arguments = shlex.split(line)[1:]
        command = main.get_command(click.Context(main), name)
        assert command is not None
        command.make_context(name, arguments, parent=click.Context(main))


@pytest.mark.big
def test_the_demos_small_log_and_test_plates_work(place: Path) -> None:
    for name, content in demo_test_plates().items():
        Path(name).write_bytes(content)
    times = [f"batch-14-{minutes}min.csv" for minutes in (3, 5, 8, 12)]
    told("curve", *times, "--times", "3,5,8,12", "--exposure", "316", "--batch", "14", "--output",
         "demo-curves")  # fmt: skip
    own = ("--curves", "demo-curves/curves.json")
    assert (
        0.8
        < told("reciprocity-plate", "strips.csv", *own, "--batch", "14", "--minutes", "5")["p"]
        < 0.95
    )
    assert len(told("batch-book", ".", *own, "--minutes", "5")["batches"]) == 13
    Path("plates.csv").write_bytes(demo_plate_log([f"p{n}" for n in range(1, 9)]))
    entries = load_plate_log(Path("plates.csv")).values()
    assert sum(entry.meter_ev is not None and entry.given_s is not None for entry in entries) == 6


@pytest.mark.big
def test_the_page_on_the_darkroom_runs_as_typed(place: Path) -> None:
    page = (Path(__file__).parents[2] / "docs" / "darkroom.md").read_text(encoding="utf-8")
    lines = re.findall(r"^    platebench (.+)$", page, re.MULTILINE)
    assert len(lines) > 12
    with mock.patch.dict(write_demo_session.__kwdefaults__, long_side=1500):
        for line in ("demo demo-session", *lines):
            done = CliRunner().invoke(main, shlex.split(line))
            assert done.exit_code == 0, (line, done.output)
    assert {path.name for path in (place / "demo-session" / "plans").glob("*.pdf")} >= {
        "next-3-sheet.pdf",
        "next-3-card.pdf",
    }
