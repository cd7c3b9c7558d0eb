"""Every command line that the README prints is taken, and works where it says so."""

from __future__ import annotations

import re
import shlex
import shutil
import sys
from functools import partial
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from platebench.cli import main
from platebench.synthetic.demo import write_demo_session

from ..session_files import tree

README = Path(__file__).parents[2] / "README.md"
BLOCKS = re.findall(r"^ *```\n(.*?)^ *```$", README.read_text(encoding="utf-8"), re.M | re.S)
ON_THE_DEMO = next(block for block in BLOCKS if "measure demo-session" in block).splitlines()
LINES = re.findall(r"^ *(platebench .+)$", "".join(BLOCKS), re.MULTILINE)


def test_the_readme_shows_commands() -> None:
    assert len(LINES) >= 9


@pytest.mark.parametrize("line", LINES)
def test_command_of_the_readme_is_understood(
    line: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "my-session").mkdir()
    for name in ("batch-7.json", "tablet.dng"):
        (tmp_path / name).touch()
    name, *arguments = shlex.split(line, comments=True)[1:]
    command = main.get_command(click.Context(main), name)
    assert command is not None
    parent = click.Context(main)
    command.make_context(name, arguments, parent=parent)  # UsageError where a value is wrong


@pytest.mark.parametrize("line", LINES)
def test_nothing_is_written_beside_what_was_cloned(line: str) -> None:
    words = shlex.split(line, comments=True)
    if any(word.startswith("fixtures/") for word in words):
        assert words[words.index("--output") + 1].startswith("demo-session/")


@pytest.mark.big
def test_what_is_shown_on_the_demo_works_on_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("click.get_app_dir", lambda name: str(tmp_path / "home" / name))
    small = partial(write_demo_session, long_side=900)
    monkeypatch.setattr("platebench.synthetic.demo.write_demo_session", small)
    monkeypatch.setattr(sys, "argv", [".venv/bin/platebench"])
    shutil.copytree(README.parent / "fixtures", "fixtures")
    before = tree(tmp_path / "fixtures")
    run = CliRunner().invoke
    told = run(main, ["demo", "demo-session"]).stdout
    assert ".venv/bin/platebench review demo-session" in told
    for line in ON_THE_DEMO:
        result = run(main, shlex.split(line, comments=True)[1:])
        assert result.exit_code == 0, (line, result.output, result.exception)
    assert tree(tmp_path / "fixtures") == before
