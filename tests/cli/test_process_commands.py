"""process-chart, calibrate-process and printing-time, as a person calls them."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pypdf
import pytest
import tifffile
from click.testing import CliRunner, Result

from platebench.cli import main
from platebench.core.errors import ExitCode
from platebench.printing.ink_chart import draw_ink_chart, load_ink_chart
from platebench.printing.process import response_of
from platebench.printing.process_file import load_process, process_folders
from platebench.printing.step_chart import load_chart, plain_chart
from platebench.synthetic.printing_process import ColourPrinter, PrintingProcess

from ..printing.printed_charts import (
    PPI,
    PROCESSES,
    Printing,
    print_chart,
    print_sheet,
    print_strip,
)

PROCESS = PROCESSES["hard paper"]


@pytest.fixture(autouse=True)
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Keep the settings of whoever runs the tests out of them."""
    folder = tmp_path / "home"
    monkeypatch.setattr("click.get_app_dir", lambda name: str(folder / name))
    return folder / "platebench"


def run(*args: str | Path) -> Result:
    return CliRunner().invoke(main, [str(arg) for arg in args], prog_name="platebench")


def test_from_chart_to_profile_and_once_more(
    tmp_path: Path, home: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    scan = print_chart(tmp_path / "print 1.tif", plain_chart(), 31, Printing(process=PROCESS))
    before = scan.read_bytes()
    result = run("calibrate-process", scan, "--process", "cyanotype-citrate")
    assert result.exit_code == ExitCode.OK, result.output
    for part in ("1 print of the step chart", "noise", "safety data sheet", "hydrogen cyanide",
                 "cannot be seen", "a test strip can"):  # fmt: skip
        assert part in " ".join(result.stdout.split())
    written = sorted(path.name for path in (home / "process").iterdir())
    assert written == [
        f"cyanotype-citrate{end}" for end in ("-calibration.png", "-calibration.svg", ".toml")
    ]
    assert scan.read_bytes() == before
    monkeypatch.setattr("platebench.printing.calibrate_process._write_plot", lambda *_: ())

    result = run(
        "process-chart", tmp_path / "charts", "--process", "cyanotype-citrate", "--ppi", "150"
    )
    assert result.exit_code == ExitCode.OK, result.output
    (known,) = (tmp_path / "charts").glob("*.json")
    chart = load_chart(known)
    again = print_chart(tmp_path / "print 2.tif", chart, 32, Printing(process=PROCESS))
    assert (
        run("calibrate-process", again, "--process", "cyanotype-citrate").exit_code
        == ExitCode.INPUT
    )
    command = ("calibrate-process", again, "--process", "cyanotype-citrate", "--chart", known)
    told = json.loads(run(*command, "--json").stdout)
    assert told["prints"] == ["print 1.tif", "print 2.tif"] and len(told["tone_drift"]) == 2
    # The same print given again counts once.
    assert json.loads(run(*command, "--json").stdout)["prints"] == told["prints"]
    folders = process_folders(None, home)
    assert response_of(load_process("cyanotype-citrate", folders)).calibrated
    other = ("calibrate-process", again, "--process", "platinum", "--chart", known, "--json")
    told = json.loads(run(*other).stdout)
    assert told["prints"] == ["print 2.tif"]
    assert "the chart was made for cyanotype-citrate" in told["notes"]
    fresh = json.loads(run(*command, "--fresh", "--json").stdout)
    assert fresh["prints"] == ["print 2.tif"]


def test_under_another_name_in_a_session(tmp_path: Path, home: Path) -> None:
    scan = print_chart(tmp_path / "print.tif", plain_chart(51), 33, Printing(process=PROCESS))
    session = tmp_path / "shelf"
    session.mkdir()
    result = run(
        "calibrate-process", scan, "--process", "silver-gelatin", "--save-as", "grade-2-glossy",
        "--session", session, "--quiet",
    )  # fmt: skip
    assert result.exit_code == ExitCode.OK and result.output == ""
    assert not home.exists()
    assert load_process("grade-2-glossy", process_folders(session, None)).calibration is not None


def test_what_is_refused(tmp_path: Path, home: Path) -> None:
    assert run("calibrate-process", "none.tif", "--process", "carbon").exit_code == ExitCode.INPUT
    bad = run("calibrate-process", "x.tif", "--process", "carbon", "--save-as", "../carbon")
    assert bad.exit_code == ExitCode.USAGE and "../carbon" in bad.stderr
    unknown = run("calibrate-process", "x.tif", "--process", "carbn")
    assert unknown.exit_code == ExitCode.SETTINGS and "carbon" in unknown.stderr
    uncalibrated = run("process-chart", tmp_path / "charts", "--process", "carbon")
    assert uncalibrated.exit_code == ExitCode.INPUT and "carbon" in uncalibrated.stderr
    assert run("printing-time").exit_code == ExitCode.USAGE
    both = ("--strip", "x", "--about", "60", "--steps", "9")
    assert run("printing-time", *both).exit_code == ExitCode.USAGE
    assert run("printing-time", "a.csv", "--strip", "x").exit_code == ExitCode.USAGE
    assert not home.exists() and not (tmp_path / "charts").exists()


def test_the_command_of_the_next_strip_writes_its_sheet(tmp_path: Path) -> None:
    readings = tmp_path / "strip.csv"
    rows = [f"{8 * 2 ** (n / 2):.3f},{max(0, 0.2 * (n - 3)):.2f}" for n in range(9)]
    readings.write_text("\n".join(["time_s,density", *rows]), encoding="utf-8")
    result = run("printing-time", readings, "--process", "salted-paper")
    assert result.exit_code == ExitCode.INPUT
    (line,) = [one for one in result.stderr.splitlines() if "printing-time --strip charts" in one]
    typed = line.split("platebench ")[1].replace("charts", str(tmp_path)).split()
    written = json.loads(run(*typed, "--json", "--ppi", "100").stdout)
    # First tint at about 25 s; salted paper's scale reaches 2.2 (its profile).
    assert written["times_s"][0] < 25 / 2 and written["times_s"][-1] > 25 * 10**2.2 * 2


def test_chart_files_have_their_true_size(tmp_path: Path) -> None:
    result = run("process-chart", tmp_path, "--ppi", "150", "--json")
    files = [Path(name) for name in json.loads(result.stdout)["files"]]
    with tifffile.TiffFile(files[0]) as tif:
        page = tif.pages[0]
        assert page.dtype == np.uint16 and page.tags["XResolution"].value[0] == 150
        pixels = page.asarray()
    box = pypdf.PdfReader(files[1]).pages[0].mediabox
    # 118 x 172 mm; a PDF unit is 1/72 inch (ISO 32000-1), and the page ends with whole pixels.
    for length, mm, count in (
        (box.width, 118, pixels.shape[1]),
        (box.height, 172, pixels.shape[0]),
    ):
        assert float(length) / 72 * 25.4 == pytest.approx(mm, abs=25.4 / 150)
        assert float(length) / 72 == pytest.approx(count / 150, abs=1e-4)
    assert int(pixels.max()) == 65535 and int(pixels.min()) == 0


def test_the_printing_time_and_its_sheet(tmp_path: Path, home: Path) -> None:
    plan = ("--first", "15", "--steps", "15")
    result = run("printing-time", "--strip", tmp_path, *plan, "--ppi", "150")
    assert "step 15" in result.stdout and "exposed   1920.0 s" in result.stdout
    assert "never look" in " ".join(result.stdout.split())
    assert sorted(path.suffix for path in tmp_path.glob("test-strip*")) == [".pdf", ".tif"]
    strip = print_strip(tmp_path / "strip.tif", -1.2, PROCESS, steps=21, seed=2)
    result = run("printing-time", strip, "--first", "5", "--process", "cyanotype-citrate")
    assert result.exit_code == ExitCode.OK, result.output
    assert "standard printing time" in result.stdout and "exposure scale" in result.stdout
    told = json.loads(run("printing-time", strip, "--first", "5", "--json").stdout)
    (scale,) = load_process("cyanotype-citrate", process_folders(None, home)).scales
    assert scale.typical == pytest.approx(told["exposure_scale"], abs=1e-3)


def test_from_ladder_and_chart_of_inks_to_a_chart_in_the_chosen_ink(
    tmp_path: Path, home: Path
) -> None:
    charts = tmp_path / "charts"
    assert run("process-chart", charts, "--kind", "ladder", "--ppi", "100").exit_code == ExitCode.OK
    assert (charts / "ink-ladder.pdf").is_file()
    limits = ("--ink-limit", "black=70", "--ink-limit", "red=85%")
    result = run("process-chart", charts, "--kind", "inks", *limits, "--ppi", "150", "--json")
    assert result.exit_code == ExitCode.OK, result.output
    known = charts / "ink-chart.json"
    chart = load_ink_chart(known)
    assert chart is not None and chart.limits[-1] == 0.7 and chart.limits[0] == 0.85
    printer = PrintingProcess(printer=ColourPrinter(inks=(0.35, 0.5, 3.8, 1.9)))
    sheet = draw_ink_chart(chart, PPI)
    scan = print_sheet(tmp_path / "i.tif", sheet, sheet.codes(), 9, Printing(process=printer))
    to_calibrate = ("calibrate-process", scan, "--process", "carbon", "--chart", known)
    result = run(*to_calibrate)
    assert result.exit_code == ExitCode.OK, result.output
    result = run(*to_calibrate, "--json")
    assert json.loads(result.stdout)["ink"]["name"] == "yellow"
    ink = load_process("carbon", process_folders(None, home)).ink
    assert ink is not None and ink.name == "yellow"
    # It is not calibrated yet, and its chart is written in its ink all the same.
    result = run("process-chart", charts, "--process", "carbon", "--ppi", "100", "--json")
    assert result.exit_code == ExitCode.OK, result.output
    (steps,) = (Path(one) for one in json.loads(result.stdout)["files"] if one.endswith(".json"))
    assert load_chart(steps).colour == ink.colour


@pytest.mark.parametrize(
    "wrong",
    [
        ("--ink-limit", "red=80"),
        ("--black-ink", "1"),
        ("--kind", "inks", "--ink-limit", "pink=80"),
        ("--kind", "inks", "--ink-limit", "red=800"),
        ("--kind", "ladder", "--process", "carbon"),
    ],
)
def test_options_that_do_not_go_together(wrong: tuple[str, ...], tmp_path: Path) -> None:
    assert run("process-chart", tmp_path / "charts", *wrong).exit_code == ExitCode.USAGE
    assert not (tmp_path / "charts").exists()
