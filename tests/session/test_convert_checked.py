"""``convert --check``: what both would have said and made by themselves, from one reading."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner

from platebench.cli import main
from platebench.core.errors import ExitCode
from platebench.session import check_session as checking
from platebench.session.check_file import CheckedCapture
from platebench.session.check_session import check_session
from platebench.session.convert_session import convert_session

from ..session_files import put_plate, tree, write_session


@pytest.fixture(scope="module")
def original(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = write_session(tmp_path_factory.mktemp("both") / "shelf", names=("tall", "wide"))
    (folder / "gone.dng").write_bytes(b"")
    put_plate(folder / "wide-2.dng", "wide", at_s=150, exposure_s=1 / 64)
    text = (folder / "session.toml").read_text(encoding="utf-8")
    text = text.replace('["wide.dng"]', '["wide.dng", "wide-2.dng"]')
    text += '[[plate]]\nid = "gone"\ncaptures = ["gone.dng"]\n'
    (folder / "session.toml").write_text(text, encoding="utf-8")
    return folder


@pytest.fixture
def session(original: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(original, tmp_path / "shelf"))


def said(checked: list[CheckedCapture]) -> list[tuple[object, ...]]:
    return [
        (
            entry.plate_id,
            entry.name,
            entry.role,
            str(entry.error or ""),
            [str(verdict) for verdict in entry.check.verdicts] if entry.check else [],
        )
        for entry in checked
    ]


@pytest.mark.big
def test_it_finds_and_makes_what_each_does_alone(session: Path, tmp_path: Path) -> None:
    alone = Path(shutil.copytree(session, tmp_path / "alone"))
    both = convert_session(session, workers=1, check=True)
    apart = convert_session(alone, workers=1)
    found = [line for line in said(check_session(alone, workers=1)) if line[3] == ""]
    assert [line for line in said(list(both.checked)) if line[3] == ""] == found
    assert [entry.name for entry in both.checked if entry.error] == ["gone.dng"]
    assert [result.plate_id for result in both.results if result.error] == ["gone"]
    for folder in ("positives", "previews", "plates"):
        made = tree(session / "converted" / folder)
        assert made == tree(alone / "converted" / folder) and len(made) == 2
    assert both.exit_code is apart.exit_code is ExitCode.PARTIAL
    kept = json.loads((session / "converted" / "check.json").read_bytes())["captures"]
    assert {"tall.dng", "wide.dng", "wide-2.dng", "gone.dng", "blank.dng"} <= kept.keys()


def test_a_capture_is_read_once_for_both(session: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    read: list[str] = []

    def reading(path: Path, *args: object) -> object:
        read.append(path.name)
        return true_read(path, *args)

    true_read = checking.read_capture
    monkeypatch.setattr("platebench.session.check_session.read_capture", reading)
    monkeypatch.setattr("platebench.plate.exposures.read_capture", reading)
    convert_session(session, workers=1, check=True)
    assert sorted(read) == ["gone.dng", "tall.dng", "wide-2.dng", "wide.dng"]


@pytest.mark.big
def test_what_was_converted_before_is_checked_too(session: Path) -> None:
    first = convert_session(session, workers=1, check=True)
    again = convert_session(session, workers=1, check=True)
    assert sum(result.skipped for result in again.results) == 2
    assert said(list(again.checked)) == said(list(first.checked))


def test_the_command_tells_what_was_found(session: Path) -> None:
    done = CliRunner().invoke(main, ["convert", str(session), "--check", "--json", "--jobs", "1"])
    assert done.exit_code == ExitCode.PARTIAL
    told = json.loads(done.stdout)
    assert {entry["capture"] for entry in told["captures"]} >= {"tall.dng", "blank.dng"}
    shown = CliRunner().invoke(main, ["convert", str(session), "--check", "--jobs", "1"])
    assert "tall.dng" in shown.stdout
