"""What a person keeps is never replaced by what is written into a folder of theirs."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner
from PIL import Image

from platebench.cli import main
from platebench.core.errors import ExitCode, WriteError
from platebench.core.files import refuse_foreign

from ..session_files import tree, write_session

STEPS = "step,tablet_density,density\n1,0.05,1.8\n2,0.8,1.2\n3,1.55,0.5\n4,2.3,0.15\n"


@pytest.fixture(scope="module")
def original(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_session(tmp_path_factory.mktemp("original") / "shelf", names=("tall",))


@pytest.fixture
def session(original: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(original, tmp_path / "shelf"))


def run(*args: str | Path) -> tuple[int, str]:
    result = CliRunner().invoke(main, [str(arg) for arg in args])
    return result.exit_code, result.output


def refused(folder: Path, *args: str | Path) -> str:
    """Run what has to be refused in one line, with every file as it was; return the line."""
    before = tree(folder)
    code, said = run(*args)
    assert code == ExitCode.OUTPUT and len(said.splitlines()) == 1, said
    assert tree(folder) == before
    return said


MINE: dict[str, Callable[[Path], object]] = {
    "my-tablet.csv": lambda path: path.write_text(
        "step,density,sigma\n1,0.05,0.01\n", encoding="utf-8"
    ),
    "notes.json": lambda path: path.write_text('{"plate": "tall"}', encoding="utf-8"),
    "broken.json": lambda path: path.write_text("{", encoding="utf-8"),
    "empty.json": lambda path: path.write_text("", encoding="utf-8"),
    "list.json": lambda path: path.write_text("[1, 2]", encoding="utf-8"),
    "calibration.json": lambda path: path.write_text(
        '{"schema": 1, "glare": 0, "notes": []}', encoding="utf-8"
    ),
}


@pytest.mark.parametrize("name", MINE)
def test_measure_replaces_only_its_own_readings(session: Path, name: str) -> None:
    MINE[name](session / name)
    path = session / name
    assert str(path) in refused(
        session, "measure", session, "tall", "--grid", "2x2", "--output", path
    )


@pytest.mark.parametrize(
    "name",
    ["calibration.json", "plates.csv", "converted/report.json", "converted/plates/tall.json"],
)
def test_measure_takes_no_name_of_the_session(session: Path, name: str) -> None:
    """Not even where there is no such file yet: another command would take it for its own."""
    (session / "converted" / "plates").mkdir(parents=True)
    path = session / name
    said = refused(session, "measure", session, "tall", "--grid", "2x2", "--output", path)
    assert str(path) in said


@pytest.mark.parametrize("name", ["r.csv", "r.json", "R.CSV"])
def test_measure_writes_its_readings_again(session: Path, name: str) -> None:
    for grid in ("2x2", "2x3"):
        code, said = run("measure", session, "tall", "--grid", grid, "--output", session / name)
        assert code == 0, said
    lines = (session / name).read_text(encoding="utf-8").splitlines()
    if name.lower().endswith("csv"):
        assert len(lines) == 1 + 6
    else:
        assert len(json.loads("\n".join(lines))["readings"]) == 6


@pytest.mark.parametrize("name", ["family.png", "a-curve.png", "b-curve.svg", "curves.json"])
def test_curve_replaces_only_its_own_drawings(tmp_path: Path, name: str) -> None:
    paths = [tmp_path / "a.csv", tmp_path / "b.csv"]
    for path in paths:
        path.write_text(STEPS, encoding="utf-8")
    out = tmp_path / "out"
    out.mkdir()
    if name.endswith("png"):
        Image.new("L", (30, 20), 90).save(out / name)
    else:
        (out / name).write_text(
            '{"plates": "seven"}' if name.endswith("json") else "<svg/>", encoding="utf-8"
        )
    assert str(out / name) in refused(tmp_path, "curve", *paths, "--output", out)


def test_curve_replaces_its_own_drawings(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text(STEPS, encoding="utf-8")
    for _ in range(2):
        assert run("curve", tmp_path / "a.csv")[0] == 0


@pytest.mark.parametrize("end", ["tif", "pdf", "json"])
def test_a_chart_replaces_only_an_earlier_chart(tmp_path: Path, end: str) -> None:
    assert run("process-chart", tmp_path / "charts", "--ppi", "150")[0] == 0
    [mine] = (tmp_path / "charts").glob(f"*.{end}")
    assert run("process-chart", tmp_path / "charts", "--ppi", "150")[0] == 0
    mine.write_text("of the potting shed", encoding="utf-8")
    assert str(mine) in refused(tmp_path, "process-chart", tmp_path / "charts", "--ppi", "150")


@pytest.mark.parametrize("name", ["report.json", "proof-sheet.pdf", "proof-sheet-1.png"])
def test_convert_replaces_only_its_own_sheets(session: Path, tmp_path: Path, name: str) -> None:
    out = tmp_path / "prints"
    out.mkdir()
    (out / name).write_bytes(b'{"plates": []}')
    assert str(out / name) in refused(tmp_path, "convert", session, "--jobs", "1", "--output", out)


def test_convert_replaces_its_own_sheets(session: Path) -> None:
    for _ in range(2):
        assert run("convert", session, "--jobs", "1")[0] == 0
    assert len(list((session / "converted").glob("proof-sheet-*.png"))) == 1


@pytest.mark.parametrize("name", ["calibration.txt", "calibration.png", "calibration.svg"])
def test_calibrate_replaces_only_its_own_files(session: Path, tmp_path: Path, name: str) -> None:
    out = tmp_path / "plots"
    out.mkdir()
    (out / name).write_text("of the balance in the darkroom", encoding="utf-8")
    said = refused(
        tmp_path, "calibrate", session, "--tablet", "tall.dng", "--output", out, "--steps", "21"
    )
    assert str(out / name) in said


def test_another_calibration_is_left_alone(session: Path) -> None:
    (session / "calibration.json").write_text('{"balance": 1.02}', encoding="utf-8")
    path = session / "calibration.json"
    assert str(path) in refused(session, "calibrate", session, "--tablet", "tall.dng")


def test_ours_are_known_wherever_a_library_puts_our_name(tmp_path: Path) -> None:
    path = tmp_path / "report.pdf"
    for place in (0, 300_000, 999_000):
        content = bytearray(b"x" * 1_000_000)
        content[place : place + 10] = b"platebench"
        path.write_bytes(content)
        refuse_foreign([path])
    for foreign in (b"", b"x" * 1_000_000):
        path.write_bytes(foreign)
        with pytest.raises(WriteError) as caught:
            refuse_foreign([path])
        assert caught.value.path == path
