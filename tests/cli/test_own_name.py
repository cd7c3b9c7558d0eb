"""A command that is printed to be typed works as it was printed."""

from __future__ import annotations

import shlex
import sys
from pathlib import Path

import pytest

from platebench.cli.demo import command_to_type


@pytest.mark.parametrize(
    ("called", "found", "program"),
    [
        (".venv/bin/platebench", "", ".venv/bin/platebench"),
        (".venv/bin/platebench", "/usr/bin/platebench", ".venv/bin/platebench"),
        ("my tools/bin/platebench", "", "my tools/bin/platebench"),
        (".venv/bin/platebench", ".venv/bin/platebench", "platebench"),
        ("bin/platebench", "bin/platebench.EXE", "platebench"),  # as Windows finds it
    ],
)
def test_the_name_is_the_one_that_works(called: str, found: str, program: str) -> None:
    line = command_to_type("review", "shelf 3", called=called, found=found, windows=False)
    assert shlex.split(line) == [str(Path(program)), "review", "shelf 3"]


def test_a_link_on_the_path_is_the_same_program(tmp_path: Path) -> None:
    (tmp_path / "tool").mkdir()
    own = tmp_path / "tool" / "platebench"
    own.touch()
    link = tmp_path / "platebench"
    link.symlink_to(own)
    assert command_to_type("x", called=str(own), found=str(link), windows=False) == "platebench x"


def test_as_a_module_and_on_windows() -> None:
    line = command_to_type("x", called="src/platebench/__main__.py", found="", windows=False)
    assert shlex.split(line) == [sys.executable, "-m", "platebench", "x"]
    line = command_to_type(
        "review", "shelf 3", called="platebench", found="platebench", windows=True
    )
    assert line == 'platebench review "shelf 3"'
