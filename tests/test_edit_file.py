"""Changing session.toml: the value changes, everything else stays, byte for byte."""

from __future__ import annotations

from pathlib import Path

import pytest

from platebench.errors import BadSettingError, SettingsFileError
from platebench.session.edit_file import edit_plate
from platebench.session.session_file import load_session

TEXT = """\
# my session
title = "Shelf"   # heading

[every_plate]
tone = "softer"

[[plate]]
id = "one"        # the first
captures = ["a.dng"]
rotate = 90       # stood on end

# the second plate is doubtful
[[plate]]
id = "two"
captures = ["b.dng"]
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "session.toml").write_text(TEXT)
    return tmp_path


def test_one_value_changes_and_every_comment_stays(folder: Path) -> None:
    settings, before = edit_plate(folder, "one", {"rotate": 180})
    assert (folder / "session.toml").read_text() == TEXT.replace("rotate = 90 ", "rotate = 180 ")
    assert settings.plates[0].rotate == 180 and before == {"rotate": 90}


def test_undoing_gives_the_file_back(folder: Path) -> None:
    corners = [[1.5, 2.0], [1.0, 90.0], [60.0, 91.0], [61.0, 2.5]]
    changes = {"corners": corners, "note": 'a "quoted" crack', "checked": True, "rotate": None}
    settings, before = edit_plate(folder, "one", changes)
    assert settings == load_session(folder)
    assert settings.plates[0].corners == tuple(map(tuple, corners))
    assert settings.plates[0].note == 'a "quoted" crack' and settings.plates[0].checked
    assert settings.plates[0].rotate == 0 and settings.plates[1].note == ""
    edit_plate(folder, "one", before)
    assert load_session(folder).plates[0].rotate == 90
    kept = set(TEXT.splitlines()) - {"rotate = 90       # stood on end"}
    assert kept <= set((folder / "session.toml").read_text().splitlines())


def test_a_value_that_cannot_be_used_leaves_the_file(folder: Path) -> None:
    with pytest.raises(BadSettingError, match="rotate"):
        edit_plate(folder, "two", {"rotate": 45})
    assert (folder / "session.toml").read_text() == TEXT


def test_an_unknown_plate_is_one_clear_line(folder: Path) -> None:
    with pytest.raises(SettingsFileError, match='lists no plate "three"'):
        edit_plate(folder, "three", {"rotate": 90})
