"""A converted session, made once."""

from __future__ import annotations

import shutil
from datetime import UTC, datetime
from pathlib import Path

import pytest

from platebench.archive.pack_session import PackOptions, pack_session
from platebench.session.convert_session import convert_session

from ..session_files import write_session

LOG = """plate,title,place,date,batch,developer,notes,shelf mark
tall,"The mill, frozen",Nordhafen,1893-02~,7,pyro,"ice on the wheel
by the race",A 12
dense,Two boats,Südkai,1894/1896,8,metol,,=B 3
"""
NOW = datetime(2026, 3, 1, 15, 30, tzinfo=UTC)


@pytest.fixture(scope="session")
def converted(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A session of two plates, one with a sharing of its printing, never to be changed."""
    folder = write_session(tmp_path_factory.mktemp("made") / "shelf 3", names=("dense", "tall"))
    text = (folder / "session.toml").read_text(encoding="utf-8")
    (folder / "session.toml").write_text(
        text.replace('captures = ["tall.dng"]', 'captures = ["tall.dng"]\nprinting = "shared"'),
        encoding="utf-8",
    )
    (folder / "plates.csv").write_text(LOG, encoding="utf-8")
    convert_session(folder, workers=1)
    return folder


@pytest.fixture(scope="session")
def packed_once(converted: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A package of that session with its captures, never to be changed."""
    to = tmp_path_factory.mktemp("packed")
    options = PackOptions(captures=True)
    return pack_session(converted, now=NOW, to=to, options=options, workers=1)[0].package


@pytest.fixture
def session(converted: Path, tmp_path: Path) -> Path:
    """A copy of the session to change."""
    return Path(shutil.copytree(converted, tmp_path / "shelf 3"))


@pytest.fixture
def package(packed_once: Path, tmp_path: Path) -> Path:
    """A copy of the package to change."""
    return Path(shutil.copytree(packed_once, tmp_path / "package"))
