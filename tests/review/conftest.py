from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from platebench.session.convert_session import convert_session

from ..session_files import write_session
from .served import Served, served


@pytest.fixture(scope="session")
def converted_once(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = write_session(tmp_path_factory.mktemp("review") / "shelf", names=("dense", "wide"))
    convert_session(folder, workers=1)
    return folder


@pytest.fixture
def session(converted_once: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(converted_once, tmp_path / "shelf"))


@pytest.fixture
def table(session: Path) -> Iterator[Served]:
    with served(session) as address:
        yield address


@pytest.fixture(scope="module")
def served_once(converted_once: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """A table for many requests that change nothing."""
    folder = shutil.copytree(converted_once, tmp_path_factory.mktemp("once") / "shelf")
    with served(Path(folder)) as address:
        yield address
