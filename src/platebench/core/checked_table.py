"""Read a TOML table key by key, collecting every problem instead of stopping at the first."""

from __future__ import annotations

import math
import re
import stat
import tomllib
from collections.abc import Mapping, Sequence
from difflib import get_close_matches
from pathlib import Path
from typing import Any

from platebench.core.errors import BadSettingError, BadSettingsError, SettingsFileError
from platebench.core.shown import shown

LARGEST_FILE = 4 << 20  # bytes; a session of thousands of plates stays far below
LONGEST_TEXT = 500

_DECLARED_TWICE = re.compile(r"Cannot declare \('(\w+)',\) twice \(at line (\d+)")
_NAMES = {
    str: "text in quotes",
    bool: "true or false",
    int: "a whole number",
    float: "a number",
    list: "a list in [ ]",
    dict: "a table",
}


def read_toml(path: Path) -> dict[str, Any]:
    """Return the tables of a TOML file.

    Raises
    ------
    SettingsFileError
        If the file is missing, too large, not UTF-8 or not TOML.
    """
    try:
        seen = path.stat()
        if not (stat.S_ISREG(seen.st_mode) or stat.S_ISDIR(seen.st_mode)):  # it may never end
            what = "is a pipe or a device, not a file"
            raise SettingsFileError(path, what, "name a file of settings")
        if seen.st_size > LARGEST_FILE:
            raise SettingsFileError(
                path, "is too large for settings", "check that it is the right file"
            )
        text = path.read_bytes().decode("utf-8-sig")
    except FileNotFoundError as error:
        remedy = "begin a session in the folder"
        raise SettingsFileError(path, "is missing", remedy, "start") from error
    except UnicodeDecodeError as error:
        raise SettingsFileError(path, "is not UTF-8 text", "save it as UTF-8") from error
    except OSError as error:
        what = f"cannot be read ({error.strerror})"
        raise SettingsFileError(path, what, "check the file and its permissions") from error
    try:
        return tomllib.loads(text)
    except (ValueError, RecursionError) as error:  # a number of thousands of digits is the former
        if once := _DECLARED_TWICE.search(str(error)):
            what = f"has the heading [{once[1]}] twice (line {once[2]})"
            remedy = f"write [[{once[1]}]] where several are meant"
            raise SettingsFileError(path, what, remedy) from error
        if not isinstance(error, tomllib.TOMLDecodeError):
            what = "is not TOML that can be used: brackets too deep, or a number far too long"
            raise SettingsFileError(path, what, "correct it there") from error
        raise SettingsFileError(path, f"is not TOML: {error}", "correct it there") from error


def kind_of(value: object) -> str:
    """Return what a TOML value is, in plain words.

    Examples
    --------
    >>> kind_of(True), kind_of([1])
    ('true or false', 'a list in [ ]')
    """
    return _NAMES.get(type(value), "a date or time")


class CheckedTable:
    """One TOML table; each reader returns the default and notes a problem if a value is wrong.

    Parameters
    ----------
    path : Path
        The file, for messages.
    name : str
        Dotted name of the table, "" for the top.
    values : mapping
        The table.
    problems : list of BadSettingError
        Shared by all tables of a file; problems are appended.
    """

    def __init__(
        self, path: Path, name: str, values: Mapping[str, Any], problems: list[BadSettingError]
    ) -> None:
        self.path, self.name, self.values, self.problems = path, name, values, problems

    def __contains__(self, key: str) -> bool:
        return key in self.values

    def problem(self, key: str, what: str, remedy: str) -> None:
        """Note what is wrong with ``key`` and what to write instead."""
        dotted = f"{self.name}.{key}" if self.name else key
        self.problems.append(BadSettingError(self.path, dotted, what, remedy))

    def check_keys(self, known: Sequence[str], elsewhere: Mapping[str, str] | None = None) -> None:
        """Note every key that is not ``known``; ``elsewhere`` says where else a key belongs."""
        told = False  # once a table: the list is long
        for key in self.values:
            if key in known:
                continue
            near = get_close_matches(key, known, n=1)
            if near:
                remedy = f"did you mean {near[0]}?"
            elif elsewhere and key in elsewhere:
                remedy = f"it belongs {elsewhere[key]}"
            else:
                remedy = "take it out" if told else f"known here: {', '.join(known)}"
                told = True
            self.problem(key, "is not a setting", remedy)

    def text(self, key: str, default: str) -> str:
        """Return text on one line."""
        value = self.values.get(key, default)
        if not isinstance(value, str):
            self.problem(key, f"is {kind_of(value)}", "write text in quotes")
        elif len(value) > LONGEST_TEXT or not (value.isprintable()):
            self.problem(
                key,
                "is too long or holds control characters",
                f"write one line of at most {LONGEST_TEXT} characters",
            )
        else:
            return value
        return default

    def choice(self, key: str, choices: Sequence[Any], default: Any) -> Any:
        """Return one of ``choices``."""
        value = self.values.get(key, default)
        for choice in choices:
            if type(value) is type(choice) and value == choice:
                return choice
        remedy = "write one of " + ", ".join(_as_toml(choice) for choice in choices)
        if isinstance(value, str):
            near = get_close_matches(value, [c for c in choices if isinstance(c, str)], n=1)
            remedy = f'did you mean "{near[0]}"?' if near else remedy
        self.problem(key, f"is {_as_toml(value)}", remedy)
        return default

    def number(self, key: str, low: float, high: float, default: float) -> float:
        """Return a finite number from ``low`` to ``high``."""
        value = self.values.get(key, default)
        number = as_number(value)
        if number is not None and low <= number <= high:
            return number
        is_number = isinstance(value, int | float) and not isinstance(value, bool)
        said = _as_toml(value) if is_number else kind_of(value)
        self.problem(key, f"is {said}", f"write a number from {low:g} to {high:g}")
        return default

    def flag(self, key: str, default: bool) -> bool:
        """Return true or false."""
        value = self.values.get(key, default)
        if isinstance(value, bool):
            return value
        self.problem(key, f"is {kind_of(value)}", "write true or false, without quotes")
        return default

    def texts(self, key: str) -> tuple[str, ...]:
        """Return a list of texts, empty where the key is missing."""
        value = self.values.get(key, [])
        if isinstance(value, str):
            self.problem(key, "is text", f"write a list: {key} = [{_as_toml(value)}]")
        elif not isinstance(value, list) or not all(isinstance(item, str) for item in value):
            self.problem(key, "is not a list of file names", f'write {key} = ["name", "name"]')
        else:
            return tuple(value)
        return ()

    def table(self, key: str) -> CheckedTable:
        """Return the table ``[key]``, empty where it is missing."""
        value = self.values.get(key, {})
        if not isinstance(value, dict):
            self.problem(key, f"is {kind_of(value)}", f"write it as a table: [{key}]")
            value = {}
        return CheckedTable(self.path, key, value, self.problems)

    def tables(self, key: str) -> list[CheckedTable]:
        """Return the tables ``[[key]]``, named ``key[1]``, ``key[2]`` and so on."""
        value = self.values.get(key, [])
        if not isinstance(value, list) or not all(isinstance(item, dict) for item in value):
            self.problem(key, "is not a list of tables", f"write each as a table: [[{key}]]")
            value = []
        return [
            CheckedTable(self.path, f"{key}[{n}]", item, self.problems)
            for n, item in enumerate(value, 1)
        ]

    def finish(self) -> None:
        """Raise what was found wrong so far.

        Raises
        ------
        BadSettingError
            For one problem.
        BadSettingsError
            For several, one line each.
        """
        raise_problems(self.problems)


def raise_problems(problems: Sequence[BadSettingError]) -> None:
    """Raise what was found wrong with a file, if anything was.

    Raises
    ------
    BadSettingError
        For one problem.
    BadSettingsError
        For several, one line each.
    """
    if len(problems) == 1:
        raise problems[0]
    if problems:
        raise BadSettingsError(tuple(problems))


def as_number(value: object) -> float | None:
    """Return a TOML number as a finite float; None for anything else.

    Examples
    --------
    >>> as_number(3), as_number(True), as_number(float("nan"))
    (3.0, None, None)
    """
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    try:
        number = float(value)
    except OverflowError:
        return None
    return number if math.isfinite(number) else None


def _as_toml(value: object) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int):
        return str(value) if abs(value) < 10**12 else "a number far too large"
    if isinstance(value, float):
        return f"{value:g}"
    if isinstance(value, str):
        return f'"{shown(value, 60)}"'
    return kind_of(value)
