"""What a command kept for others: every wrong file is refused by name, whoever asks for it."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from platebench.core.errors import ExitCode, ReadingsError
from platebench.exposing.own_speed_file import load_own_speed
from platebench.exposing.reciprocity_plate import load_tested
from platebench.sensitometry.curve_file import load_curves

from ..refusals import refused

READERS: dict[str, Callable[[Path], object]] = {
    "own_speed": load_own_speed,
    "against_first": lambda path: load_curves([path]),
    "reciprocity": lambda path: load_tested([path]),
}
WRONG = {
    "empty": b"",
    "no JSON": b"\x89PNG",
    "deep": b"[" * 100_000,
    "a list": b"[]",
    "another table": b'{"schema": 1}',
    "too large a number": b'{"%s": 1e999}',
    "nothing beside the key": b'{"%s": {}}',
    "wrong kinds": b'{"%s": 3, "plates": [{"name": 7}], "p": "0.8", "sigma": 0}',
}


@pytest.mark.parametrize("key", READERS)
@pytest.mark.parametrize("wrong", WRONG)
def test_another_file_is_refused(key: str, wrong: str, tmp_path: Path) -> None:
    path = tmp_path / "file.json"
    path.write_bytes(WRONG[wrong].replace(b"%s", key.encode()))
    with refused(ReadingsError, path=path):
        READERS[key](path)


@pytest.mark.parametrize("key", READERS)
def test_a_file_that_cannot_be_opened_is_refused(key: str, tmp_path: Path) -> None:
    for path in (tmp_path / "gone.json", tmp_path):
        with refused(ReadingsError, path=path):
            READERS[key](path)
    assert ReadingsError.exit_code is ExitCode.INPUT
