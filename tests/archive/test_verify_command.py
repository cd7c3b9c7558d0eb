"""``platebench verify`` as a person meets it."""

from __future__ import annotations

import json
from pathlib import Path

from click.testing import CliRunner, Result

from platebench.cli import main
from platebench.core.errors import ExitCode

from .packages import build, flip_byte


def run(*args: str | Path) -> Result:
    return CliRunner().invoke(main, [str(arg) for arg in args])


def test_a_whole_package_and_a_broken_one(tmp_path: Path) -> None:
    whole, broken = build(tmp_path / "a"), build(tmp_path / "b")
    flip_byte(broken / "data/recipe.json", 0)
    (broken / "data/empty").unlink()
    result = run("verify", whole)
    assert result.exit_code == ExitCode.OK
    assert result.stdout == f"{whole}: complete and unchanged (4 files, 41 bytes)\n"
    result = run("verify", whole, broken)
    assert result.exit_code == ExitCode.PACKAGE_INVALID
    assert result.stdout.splitlines()[1:] == [
        f"{broken}: missing: data/empty is listed and not there",
        f"{broken}: altered: data/recipe.json has other bytes than when it was packed",
        f"{broken}: not complete: 2 findings (3 files, 41 bytes); "
        "take what is named from another copy of the package",
    ]
    assert run("verify", broken, "--quiet").stdout == ""


def test_a_name_of_two_lines_is_told_on_one(tmp_path: Path) -> None:
    package = build(tmp_path / "two\nlines\x1b[31m")
    (package / "data/empty").unlink()
    lines = run("verify", package).stdout.splitlines()
    assert len(lines) == 2 and all(line.startswith(str(tmp_path)) for line in lines)
    assert "two\\nlines\\x1b[31m: missing: data/empty" in lines[0]


def test_json_gives_kind_path_and_rest_apart(tmp_path: Path) -> None:
    package = build(tmp_path / "a")
    (package / "data/more").touch()
    document = json.loads(run("verify", package, "--json").stdout)
    assert document["packages"][0]["findings"] == [
        {"kind": "extra", "path": "data/more", "what": "is in no manifest"}
    ]
    assert not document["packages"][0]["complete"]


def test_one_that_is_none_does_not_stop_the_others(tmp_path: Path) -> None:
    package = build(tmp_path / "a")
    result = run("verify", tmp_path / "gone", package)
    assert result.exit_code == ExitCode.PACKAGE_INVALID
    assert "complete and unchanged" in result.stdout
    gone = f"Error: {tmp_path / 'gone'} does not exist; name the folder of a package\n"
    assert result.stderr == gone
    assert run("verify", tmp_path / "gone").exit_code == ExitCode.PACKAGE_INVALID
