"""Every command line that the README prints is one that the program takes."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import click
import pytest

from platebench.cli import main

README = Path(__file__).parents[2] / "README.md"
BLOCKS = re.findall(r"^ *```\n(.*?)^ *```$", README.read_text(encoding="utf-8"), re.M | re.S)
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
    command.make_context(name, arguments)  # raises UsageError where an option or value is wrong
