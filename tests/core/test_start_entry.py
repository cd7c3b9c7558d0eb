"""The file to click: as each system reads it."""

from __future__ import annotations

import configparser
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

from platebench.cli import main
from platebench.core.errors import ExitCode, WriteError
from platebench.core.start_entry import start_text, write_start_entry


def test_a_desktop_entry_is_read_by_the_specifications_rules(tmp_path: Path) -> None:
    """Desktop Entry Specification 1.5: value escapes first, then the quotes of Exec, then %%."""
    python = Path('/opt/a b/$x`"y\\z%f/python')
    path = write_start_entry(tmp_path, python, "linux")
    entry = configparser.RawConfigParser()
    entry.optionxform = str  # type: ignore[assignment,method-assign]
    entry.read(path, encoding="utf-8")
    keys = entry["Desktop Entry"]
    assert keys["Type"] == "Application" and keys["Name"] == "platebench"
    value = keys["Exec"].replace("\\\\", "\0").replace("\0", "\\")
    quoted, rest = value[1:].rsplit('" ', 1)
    plain, letters = "", iter(quoted)
    for letter in letters:
        plain += next(letters) if letter == "\\" else letter
    assert plain.replace("%%", "%") == str(python) and rest == "-m platebench"
    assert os.access(path, os.X_OK)


@pytest.mark.skipif(sys.platform == "win32", reason="needs sh")
def test_a_command_file_runs_the_python_it_names(tmp_path: Path) -> None:
    python = tmp_path / "a 'b" / "python"
    python.parent.mkdir()
    python.write_text('#!/bin/sh\necho "$@"\n', encoding="utf-8")
    python.chmod(0o755)
    path = write_start_entry(tmp_path, python, "macos")
    done = subprocess.run([path], capture_output=True, encoding="utf-8", check=True)
    assert done.stdout == "-m platebench\n"


def test_a_batch_file_doubles_what_batch_files_expand() -> None:
    lines = start_text(Path("C:/100%/python.exe"), "windows").splitlines()
    assert '"C:/100%%/python.exe" -m platebench' in lines


@pytest.mark.skipif(shutil.which("desktop-file-validate") is None, reason="needs the validator")
def test_the_validator_of_desktop_entries_is_content(tmp_path: Path) -> None:
    path = write_start_entry(tmp_path, Path("/opt/a b/python"), "linux")
    assert subprocess.run(["desktop-file-validate", path], check=False).returncode == 0


def test_where_it_cannot_lie_it_is_refused(tmp_path: Path) -> None:
    with pytest.raises(WriteError):
        write_start_entry(tmp_path / "none", Path("/python"), "linux")
    with pytest.raises(WriteError):
        start_text(Path("/a\nb/python"), "linux")
    done = CliRunner().invoke(main, ["shortcut", str(tmp_path / "none")])
    assert done.exit_code == ExitCode.OUTPUT
