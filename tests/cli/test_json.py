"""Whatever else is asked for, ``--json`` puts one document on stdout and nothing beside it."""

from __future__ import annotations

import json
import shutil
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from platebench.cli import main
from platebench.core.errors import ExitCode
from platebench.printing.step_chart import plain_chart
from platebench.review.serve import Review
from platebench.session.convert_session import convert_session
from platebench.synthetic import simulate_blank, simulate_plate

from .. import tablet_scenes as tablet
from ..printing.printed_charts import PROCESSES, Printing, print_chart, print_picture
from ..sensitometry.step_tables import write_family
from ..session_files import put, write_session
from .test_manners import WORDS

FIXTURE = Path(__file__).parents[2] / "fixtures" / "reference-emulsion.csv"
COMMANDS = {
    "demo": ("demo", "new", "--jobs", "1"),
    "start": ("start", "fresh", "--jobs", "1"),
    "check": ("check", "shelf", "--jobs", "1"),
    "convert": ("convert", "shelf", "--jobs", "1"),
    "watch": ("watch", "shelf", "--settle", "0.2", "--jobs", "1"),
    "review": ("review", "shelf", "--no-browser"),
    "share": ("share", "shelf"),
    "shortcut": ("shortcut", "."),
    "master": ("master", "shelf", "--jobs", "1"),
    "find-pictures": ("find-pictures", "shelf", "--jobs", "1"),
    "calibrate": ("calibrate", "light", "--tablet", "tablet.dng", "--steps", "21"),
    "measure": ("measure", "shelf", "wide", "--grid", "2x2"),
    "curve": ("curve", "readings.csv", "--exposure", "316", "--output", "drawn"),
    "which-print": ("which-print", "shelf"),
    "printing-time": ("printing-time", "strip.csv"),
    "process-chart": ("process-chart", "charts", "--ppi", "100"),
    "calibrate-process": ("calibrate-process", "scan.tif", "--process", "albumen"),
    "print-negative": ("print-negative", "shelf", "wide", "--process", "albumen", "--ppi", "100"),
    "check-print": ("check-print", "print.tif", "--negative", "films/film.tif"),
    "print-plate": ("print-plate", "shelf", "wide", "--process", "albumen"),
    "expose": ("expose", "--ev", "14", "--f", "16"),
    "own-speed": ("own-speed", "shelf"),
    "plan-plate": (
        *("plan-plate", "shelf", "next", "--process", "albumen", "--subject", "landscape"),
        *("--ev", "11", "--f", "8", "--batch", "14", "--curves", "curves/curves.json"),
    ),
    "batch-book": (
        "batch-book",
        "book",
        "--curves",
        "curves/curves.json",
        "--batch",
        "14",
        "--minutes",
        "6",
        "--session",
        "shelf",
        "--even",
        "wide",
        "--label",
    ),
    "reciprocity-plate": ("reciprocity-plate", "--f", "5.6", "--shortest", "4s"),
    "develop-log": ("develop-log", "shelf", "--plate", "wide", "--develop", "5m"),
    "archive": ("archive", "shelf", "--output", "more", "--no-masters"),
    "verify": ("verify", "packages/shelf"),
    "reproduce": ("reproduce", "packages/shelf"),
    "catalogue index": ("catalogue", "index", "packages"),
    "catalogue find": ("catalogue", "find", "packages"),
    "catalogue export": ("catalogue", "export", "packages", "--output", "plates.csv"),
    "audit": ("audit", "packages"),
    "exhibit": ("exhibit", "shelf", "--output", "site"),
}


def run(*args: str) -> Result:
    return CliRunner().invoke(main, list(args), prog_name="platebench")


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """What the commands work on, each thing once."""
    folder = tmp_path_factory.mktemp("json")
    shutil.copy(FIXTURE, folder / "readings.csv")
    session = write_session(folder / "shelf", names=("wide",))
    shutil.copytree(session, folder / "fresh")
    (folder / "fresh" / "session.toml").unlink()
    convert_session(session, workers=1)
    assert run("archive", str(session), "--captures", "--output", str(folder / "packages")
               ).exit_code == 0  # fmt: skip
    assert run("catalogue", "index", str(folder / "packages")).exit_code == 0
    times = write_family(folder)
    made = run("curve", *map(str, times), "--times", "3,6,12", "--batch", "14", "--output",
               str(folder / "curves"))  # fmt: skip
    assert made.exit_code == 0
    light = folder / "light"
    light.mkdir()
    blank = simulate_blank(tablet.BOX, tablet.CAMERA, exposure_s=tablet.EXPOSURE_S, seed=1)
    put(light / "blank.dng", blank)
    camera = replace(tablet.CAMERA, tilt_deg=-3.0)
    seen = simulate_plate(tablet.strip(), tablet.BOX, camera, exposure_s=tablet.EXPOSURE_S, seed=5)
    put(light / "tablet.dng", seen.frame)
    (light / "session.toml").write_text('[light]\nblank = ["blank.dng"]\n', encoding="utf-8")
    rising = (0.0, 0.02, 0.3, 0.8, 1.2, 1.4, 1.45, 1.45, 1.45)
    lines = "".join(f"{2**n},{density}\n" for n, density in enumerate(rising))
    (folder / "strip.csv").write_text("time_s,density\n" + lines, encoding="utf-8")
    printing = Printing(process=PROCESSES["hard paper"])
    print_chart(folder / "scan.tif", plain_chart(), 31, printing)
    print_picture(folder, PROCESSES["hard paper"])
    return folder


@pytest.fixture
def place(made: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    copy = Path(shutil.copytree(made, tmp_path / "all"))
    monkeypatch.chdir(copy)
    monkeypatch.setattr("click.get_app_dir", lambda name: str(tmp_path / "home" / name))
    captures = sorted((copy / "fresh").glob("*.dng"))  # drawing plates takes its time

    def write_captures(folder: Path) -> None:
        for path in captures:
            shutil.copy(path, folder)

    monkeypatch.setattr("platebench.synthetic.demo.write_demo_session", write_captures)

    def serve(review: Review, when_up: Callable[[str], None]) -> None:
        review.listening.close()
        when_up(review.address)

    monkeypatch.setattr("platebench.review.serve.serve", serve)
    looks, sleep = iter(range(3)), time.sleep

    def rest(seconds: float) -> None:
        if next(looks, None) is None:
            raise KeyboardInterrupt
        sleep(seconds)

    monkeypatch.setattr("platebench.cli.watch.time.sleep", rest)
    return copy


def test_every_command_is_tried() -> None:
    assert {*COMMANDS, "completion"} == set(WORDS)


@pytest.mark.usefixtures("place")
@pytest.mark.parametrize("command", COMMANDS)
def test_json_and_quiet_together_still_give_the_document(command: str) -> None:
    if command == "watch":
        Path("shelf/tall.dng").write_bytes(Path("shelf/wide.dng").read_bytes())
    result = run(*COMMANDS[command], "--json", "--quiet")
    good = (ExitCode.INTERRUPTED,) if command == "watch" else (ExitCode.OK, ExitCode.PARTIAL)
    assert result.exit_code in good, result.output
    document = json.loads(result.stdout)
    assert isinstance(document, dict) and document


@pytest.mark.usefixtures("place")
@pytest.mark.parametrize("more", [(), ("--quiet",)], ids=["", "quiet"])
def test_readings_that_are_kept_are_printed_too_if_json_is_asked_for(more: tuple[str]) -> None:
    result = run(*COMMANDS["measure"], "--json", "--output", "read.json", *more)
    assert json.loads(result.stdout) == json.loads(Path("read.json").read_text(encoding="utf-8"))
    table = run(*COMMANDS["measure"], "--csv", "--quiet").stdout
    assert table.startswith("x_mm,")
