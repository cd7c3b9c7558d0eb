"""New files get the permissions that the system gives them; nobody asks for the umask."""

from __future__ import annotations

import os
import stat
from pathlib import Path

import pytest

from platebench.core.files import atomic_folder, atomic_write

pytestmark = pytest.mark.skipif(os.name != "posix", reason="permissions of POSIX")
SOURCES = Path(__file__).parents[2] / "src"


def mode(path: Path) -> int:
    return stat.S_IMODE(path.stat().st_mode)


@pytest.mark.parametrize("umask", [0o022, 0o077, 0o007])
def test_files_and_folders_have_what_open_and_mkdir_give(tmp_path: Path, umask: int) -> None:
    """POSIX open(): the mode asked for, less the bits of the process's file creation mask."""
    before = os.umask(umask)
    try:
        with atomic_write(tmp_path / "plate.tif") as stream:
            assert mode(Path(stream.name)) == 0o666 & ~umask
        with atomic_folder(tmp_path / "package"):
            pass
    finally:
        os.umask(before)
    assert mode(tmp_path / "plate.tif") == 0o666 & ~umask
    assert mode(tmp_path / "package") == 0o777 & ~umask


def test_the_umask_is_left_alone_while_writing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Set for a moment, it would let what other threads write be open to everybody."""
    set_to: list[int] = []
    monkeypatch.setattr(os, "umask", lambda mask: set_to.append(mask) or 0o022)
    with atomic_write(tmp_path / "plate.tif"), atomic_folder(tmp_path / "package"):
        pass
    assert set_to == []


def test_nothing_sets_the_umask() -> None:
    assert not [path for path in SOURCES.rglob("*.py") if "umask(" in path.read_text("utf-8")]
