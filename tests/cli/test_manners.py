"""Commands behave alike: options, streams, help, completion, and a page that says so."""

from __future__ import annotations

import json
import logging
import os
import shutil
import subprocess
import sys
from functools import cache
from importlib.util import module_from_spec, spec_from_file_location
from pathlib import Path
from typing import Any

import click
import pytest
from click.testing import CliRunner, Result

from platebench.cli import main
from platebench.core.errors import ExitCode
from platebench.session.pool import run_all

from ..session_files import write_session

DOCS = Path(__file__).parents[2] / "docs"


@cache
def pages() -> Any:
    spec = spec_from_file_location("make_commands", DOCS / "make_commands.py")
    assert spec is not None and spec.loader is not None
    module = module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def run(*args: str | Path, **options: Any) -> Result:
    return CliRunner().invoke(main, [str(arg) for arg in args], prog_name="platebench", **options)


PATHS = list(pages().leaves())
WORDS = [" ".join(path) for path in PATHS]


@pytest.fixture(scope="module")
def session(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_session(tmp_path_factory.mktemp("manners") / "shelf", names=("wide",))


def test_the_page_of_commands_is_in_step_with_them() -> None:
    assert pages().commands_page() == (DOCS / "commands.md").read_text(encoding="utf-8"), (
        "run python docs/make_commands.py"
    )
    assert set(pages().ABOUT) == set(WORDS)


@pytest.mark.parametrize("path", PATHS, ids=WORDS)
def test_help_has_one_name_whoever_asks_first(path: tuple[str, ...]) -> None:
    """Also where a command is called without the group, as in a test or another program."""
    command, _ = pages().command_at(path)
    assert command.get_help_option_names(click.Context(command)) == ["-h", "--help"]


@pytest.mark.parametrize("path", PATHS, ids=WORDS)
def test_every_command_takes_json_quiet_and_verbose(path: tuple[str, ...]) -> None:
    command, _ = pages().command_at(path)
    options = {option for parameter in command.params for option in parameter.opts}
    expected = set() if path == ("completion",) else {"--json", "--quiet", "--verbose"}
    assert expected <= options


@pytest.mark.parametrize("path", PATHS, ids=WORDS)
def test_help_fits_eighty_columns_and_examples_can_be_copied(path: tuple[str, ...]) -> None:
    shown = run(*path, "--help", env={"COLUMNS": "80"}, terminal_width=80).stdout
    assert [line for line in shown.splitlines() if len(line) > 80] == []
    command, _ = pages().command_at(path)
    for example in command.examples:
        assert f"  {example}\n" in shown
    assert "<=x" not in shown and "RANGE" not in shown


def test_options_of_one_name_have_one_kind_of_value() -> None:
    """--output is a folder or a file, --process a name: the same word means the same thing."""
    kinds: dict[str, set[str]] = {}
    for path in PATHS:
        command, context = pages().command_at(path)
        for parameter in command.params:
            if isinstance(parameter, click.Option):
                for name in parameter.opts:
                    metavar = "" if parameter.is_flag else parameter.make_metavar(context)
                    kinds.setdefault(name, set()).add(metavar)
    several = {name: found for name, found in kinds.items() if len(found) > 1}
    assert several.pop("--output") == {"FOLDER", "FILE"}
    words = {
        "--captures": {"", "FOLDER"},
        "--gamma": {"GAMMA", "G,..."},
        "--size": {"SIDE", "WxHmm|in"},
    }
    words |= {"--steps": {"N", "21|31|CSV"}, "--tablet": {"FILE", "21|31|FILE"}}
    assert several == words


@pytest.mark.parametrize(
    ("slip", "meant"),
    [
        ("convrt", "convert"),
        ("Convert", "convert"),
        ("whichprint", "which-print"),
        ("chek", "check"),
    ],
)
def test_a_slip_in_a_commands_name_gets_the_name_that_was_meant(slip: str, meant: str) -> None:
    result = run(slip, "shelf-3")
    assert result.exit_code == ExitCode.USAGE and f"'{meant}'" in result.stderr
    assert "Did you mean" not in run("xyzzy").stderr


@pytest.mark.parametrize(("wide", "columns"), [("60", 60), ("132", 132), (None, 80), ("5", 40)])
def test_text_wraps_at_the_width_of_the_terminal(
    wide: str | None, columns: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("COLUMNS", raising=False)
    if wide is not None:
        monkeypatch.setenv("COLUMNS", wide)
    baths = [part for step in ("develop", "fix") for part in (f"--{step}", "5m@20")]
    lines = run("develop-log", "--plate", "p", *baths).stdout.splitlines()
    longest = max(len(line) for line in lines[1 : lines.index("")])  # cautions
    assert columns - 25 < longest <= columns


def test_quiet_and_verbose_exclude_one_another(session: Path) -> None:
    for order in (("--quiet", "--verbose"), ("--verbose", "--quiet")):
        result = run("check", session, *order)
        assert result.exit_code == ExitCode.USAGE and all(name in result.stderr for name in order)


def test_verbose_tells_on_stderr_where_time_went_and_falls_silent_again(session: Path) -> None:
    before = list(logging.getLogger().handlers), logging.getLogger().level
    result = run("convert", session, "--jobs", "1", "--force", "--verbose", "--json")
    assert result.exit_code == ExitCode.OK
    assert json.loads(result.stdout)["plates"][0]["id"] == "wide"
    told = result.stderr.splitlines()
    assert "plates: 1 to do" in told
    (line,) = [line for line in told if line.startswith("wide: ")]
    for what in ("reading and finding", "measuring", "printing", "writing"):
        assert what in line
    assert (list(logging.getLogger().handlers), logging.getLogger().level) == before
    assert run("convert", session, "--jobs", "1").stderr == ""


def _warn(name: str) -> str:
    logging.getLogger("some.library").warning("odd tag in %s", name)
    return name


@pytest.mark.big
def test_what_libraries_say_in_workers_comes_back_with_the_result(
    caplog: pytest.LogCaptureFixture,
) -> None:
    with caplog.at_level(logging.INFO):
        assert run_all(_warn, ["a", "b"], name_of=str, workers=2) == ["a", "b"]
    said = {(record.name, record.getMessage()) for record in caplog.records}
    assert {("some.library", "odd tag in a"), ("some.library", "odd tag in b")} <= said
    assert any(text.startswith("a: ") for name, text in said if name == "platebench")


@pytest.mark.skipif(os.name != "posix", reason="other systems report a closed pipe otherwise")
def test_a_reader_that_stops_ends_us_quietly() -> None:
    command = [sys.executable, "-m", "platebench", "develop-log", "--checklist"]
    environment = os.environ | {"PYTHONPATH": os.pathsep.join(path for path in sys.path if path)}
    with subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, env=environment
    ) as process:
        assert process.stdout is not None and process.stderr is not None
        process.stdout.close()
        said = process.stderr.read()
    assert (process.returncode, said) == (ExitCode.PIPE_CLOSED, b"")


def completed(*words: str) -> list[str]:
    asked = {
        "_PLATEBENCH_COMPLETE": "bash_complete",
        "COMP_WORDS": " ".join(("platebench", *words)),
        "COMP_CWORD": str(len(words)),
    }
    runner = CliRunner(env=asked)
    shown = runner.invoke(main, [], prog_name="platebench", complete_var="_PLATEBENCH_COMPLETE")
    return [line.partition(",")[2] for line in shown.stdout.splitlines() if line]


def test_the_shell_completes_commands_plates_processes_and_choices(session: Path) -> None:
    assert completed("print-n") == ["print-negative"]
    assert completed("measure", str(session), "w") == ["wide"]
    assert completed("share", str(session), "wide", "w") == []  # named already
    assert "salted-paper" in completed("which-print", str(session), "--process", "sal")
    assert completed("expose", "--light", "sum") == ["summer-noon"]
    assert completed("measure", str(session / "nowhere"), "") == []


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_the_completion_script_is_one_the_shell_can_read(shell: str, tmp_path: Path) -> None:
    result = run("completion", shell)
    assert result.exit_code == ExitCode.OK and "_PLATEBENCH_COMPLETE" in result.stdout
    found = shutil.which(shell)
    if found is None:
        pytest.skip(f"no {shell} here")
    script = tmp_path / "script"
    script.write_text(result.stdout, encoding="utf-8")
    subprocess.run([found, "-n", script], check=True)
