"""Every error raised on purpose: a code, a docstring, one clear line, a way through pickle."""

from __future__ import annotations

import inspect
import pickle
from pathlib import Path

import pytest

import platebench.core.errors as errors
from platebench.core.errors import BadSettingError, BadSettingsError, ExitCode, PlateError

DOCS = Path(__file__).parents[2] / "docs"


def every_error() -> list[type[PlateError]]:
    found: list[type[PlateError]] = []
    todo: list[type[PlateError]] = [PlateError]
    while todo:
        kinds = todo.pop().__subclasses__()
        found += kinds
        todo += kinds
    return sorted((kind for kind in found if kind.__module__ == errors.__name__), key=_name)


def _name(kind: type[PlateError]) -> str:
    return kind.__name__


LEAVES = [kind for kind in every_error() if not kind.__subclasses__()]

_SAMPLES: dict[str, object] = {
    "problems": (
        BadSettingError(Path("s.toml"), "plate[1].id", "is missing", "name the plate"),
        BadSettingError(Path("s.toml"), "title", "is a number", "write text"),
    ),
    "folders": (Path("profiles"),),
    "known": ("neutral",),
}


def example(kind: type[PlateError]) -> PlateError:
    hints = inspect.get_annotations(kind.__init__, eval_str=True)
    values = {
        name: _SAMPLES.get(name, Path(f"{name}.dng") if hints[name] is Path else f"<{name}>")
        for name in asked_by(kind)
    }
    return kind(**values)


def asked_by(kind: type[PlateError]) -> list[str]:
    names = inspect.signature(kind.__init__).parameters
    return [name for name in names if name not in ("self", "settings")]


@pytest.mark.parametrize("kind", LEAVES, ids=_name)
def test_what_a_file_says_is_cut_and_escaped(kind: type[PlateError]) -> None:
    """ECMA-48, 5.4: a control sequence begins with escape; a terminal obeys it."""
    much = "\x1b]0;mine\x07\r\n" + "x" * 1_000_000 + "\u202e"
    hints = inspect.get_annotations(kind.__init__, eval_str=True)
    problem = BadSettingError(Path(much), much, much, much)
    samples = {"problems": (problem,), "folders": (Path(much),), "known": (much,), "port": 1}
    samples |= {"kind": "tone"}
    values = {
        name: samples.get(name, Path(much) if hints[name] is Path else much)
        for name in asked_by(kind)
    }
    said = str(kind(**values))
    assert said.isprintable() and len(said) < 5000


def test_of_many_settings_the_first_are_shown_and_the_rest_counted() -> None:
    problems = [BadSettingError(Path("s.toml"), f"k{n}", "is odd", "mend it") for n in range(60)]
    lines = str(BadSettingsError(tuple(problems))).split("\n")
    assert lines[0] == str(problems[0])
    assert len(lines) == errors.MOST_LINES + 1 and f"{60 - errors.MOST_LINES} more" in lines[-1]


def test_there_are_errors_to_test() -> None:
    assert len(LEAVES) >= 12


def test_each_has_a_docstring_of_its_own() -> None:
    assert [kind for kind in every_error() if not vars(kind).get("__doc__")] == []


def test_each_has_an_exit_code_that_says_more_than_failed() -> None:
    little = {ExitCode.OK, ExitCode.INTERNAL, ExitCode.USAGE}
    # The one is the fault nobody foresaw.
    assert [kind for kind in LEAVES if kind.exit_code in little] == [errors.UnexpectedError]
    assert errors.UnexpectedError.exit_code is ExitCode.INTERNAL


@pytest.mark.parametrize("kind", LEAVES, ids=_name)
def test_survives_the_way_between_processes_and_says_what_to_do(kind: type[PlateError]) -> None:
    error = example(kind)
    back = pickle.loads(pickle.dumps(error))
    assert type(back) is kind and str(back) == str(error)
    assert back.__dict__.keys() == error.__dict__.keys()
    lines = str(error).splitlines()
    assert len(lines) == (2 if kind is BadSettingsError else 1)
    assert all(";" in line for line in lines)  # what is wrong; what to do
    assert kind.__doc__ not in str(error)


def test_codes_are_never_renumbered() -> None:
    # The numbers that docs/exit-codes.md promises to scripts.
    assert {code.name: code.value for code in ExitCode} == {
        "OK": 0,
        "INTERNAL": 1,
        "USAGE": 2,
        "PARTIAL": 3,
        "INPUT": 10,
        "CALIBRATION": 11,
        "OUTPUT": 12,
        "PACKAGE_INVALID": 13,
        "WORKER_LOST": 14,
        "SETTINGS": 15,
        "CLUSTER": 16,
        "CLUSTER_LOST": 17,
        "INTERRUPTED": 130,
        "PIPE_CLOSED": 141,
    }


def test_every_code_and_every_error_is_documented() -> None:
    codes = (DOCS / "exit-codes.md").read_text(encoding="utf-8")
    for code in ExitCode:
        assert f"| {code.value} | {code.name} |" in codes
    listed = (DOCS / "errors.md").read_text(encoding="utf-8")
    for kind in LEAVES:
        assert f"`{kind.__name__}`" in listed
