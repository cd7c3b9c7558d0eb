"""Errors name settings; every one of them is an option here."""

from __future__ import annotations

import ast
import pickle
import re
from pathlib import Path

import click
import pytest

from platebench.cli import main
from platebench.cli.ending import show_error
from platebench.core import errors
from platebench.core.errors import OutOfMemoryError, WriteError

SOURCE = Path(__file__).parents[2] / "src" / "platebench"


def settings_of_errors() -> set[str]:
    """Return what stands after path, fault and remedy where an error is made."""
    faults = {
        name
        for name, kind in vars(errors).items()
        if name.endswith("Error") and issubclass(kind, errors.FileFault)
    }
    names = set()
    for path in SOURCE.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and ast.unparse(node.func) in faults:
                names |= {a.value for a in node.args[3:] if isinstance(a, ast.Constant)}
    return names - {None, ""}


def all_options() -> set[str]:
    ctx = click.Context(main)
    options = set()
    for name in main.list_commands(ctx):
        command = main.get_command(ctx, name)
        under = command.commands.values() if isinstance(command, click.Group) else ()
        for one in (command, *under):
            options |= {option for part in one.params for option in part.opts}
    return options


def test_every_setting_is_an_option(capsys: pytest.CaptureFixture[str]) -> None:
    options, names = all_options(), settings_of_errors()
    assert {"output", "force", "first_step"} <= names
    for name in (*names, *OutOfMemoryError.settings):
        show_error(WriteError(Path("a"), "it is full", "do this", name))
        shown = capsys.readouterr().err.rpartition("(")[2].rstrip(")\n")
        option = next((word for word in shown.split() if word.startswith("--")), None)
        known = (
            option in options
            if option
            else shown.split()[1] in main.list_commands(click.Context(main))
        )
        assert known, shown


def test_settings_reach_the_command_line_from_a_worker(capsys: pytest.CaptureFixture[str]) -> None:
    error = pickle.loads(pickle.dumps(WriteError(Path("a"), "is full", "go", "name", "output")))
    assert "--" not in str(error)
    show_error(error, "tall")
    assert capsys.readouterr().err == (
        "Error: tall: a was not written: is full; go (--name, --output)\n"
    )


def test_a_command_names_only_options_it_has(capsys: pytest.CaptureFixture[str]) -> None:
    error = WriteError(Path("a"), "is full", "go", "output", "force")
    for name, wanted in (("convert", {"--output", "--force"}), ("expose", set())):
        with click.Context(main.get_command(click.Context(main), name)):  # type: ignore[arg-type]
            show_error(error)
        assert set(re.findall(r"--\w+", capsys.readouterr().err)) == wanted
