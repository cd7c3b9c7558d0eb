"""Changing session.toml: the value changes, everything else stays, byte for byte."""

from __future__ import annotations

from pathlib import Path

import pytest

from platebench.core.errors import BadSettingError, SettingsFileError
from platebench.core.settings import SessionSettings
from platebench.session import edit_file
from platebench.session.edit_file import edit_plate
from platebench.session.settings_file import load_session, session_from_toml

from ..refusals import refused

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
    (tmp_path / "session.toml").write_text(TEXT, encoding="utf-8")
    return tmp_path


def test_one_value_changes_and_every_comment_stays(folder: Path) -> None:
    settings, before = edit_plate(folder, "one", {"rotate": 180})
    assert (folder / "session.toml").read_text(encoding="utf-8") == TEXT.replace(
        "rotate = 90 ", "rotate = 180 "
    )
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
    assert kept <= set((folder / "session.toml").read_text(encoding="utf-8").splitlines())


def test_a_value_that_cannot_be_used_leaves_the_file(folder: Path) -> None:
    with refused(BadSettingError, key="plate[2].rotate"):
        edit_plate(folder, "two", {"rotate": 45})
    assert (folder / "session.toml").read_text(encoding="utf-8") == TEXT


def test_an_unknown_plate_is_one_clear_line(folder: Path) -> None:
    with refused(SettingsFileError, "three", path=folder / "session.toml"):
        edit_plate(folder, "three", {"rotate": 90})


def test_what_is_written_meanwhile_is_not_lost(folder: Path) -> None:
    """An editor saves between reading and writing; both changes are in the file."""
    file, saved = folder / "session.toml", []

    def save_once(values: object, path: Path) -> SessionSettings:
        if not saved:
            saved.append(True)
            file.write_text(TEXT.replace('title = "Shelf"', 'title = "Box"'), encoding="utf-8")
        return session_from_toml(values, path)  # type: ignore[arg-type]

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(edit_file, "session_from_toml", save_once)
        settings, _ = edit_plate(folder, "one", {"rotate": 180})
    assert settings.title == "Box" and settings.plates[0].rotate == 180
    assert load_session(folder) == settings
    assert sorted(path.name for path in folder.iterdir()) == ["session.toml"]


def test_a_change_that_expects_another_value_is_refused(folder: Path) -> None:
    with refused(SettingsFileError, "rotate", "one", path=folder / "session.toml"):
        edit_plate(folder, "one", {"rotate": 0}, expected={"rotate": 270})
    assert (folder / "session.toml").read_text(encoding="utf-8") == TEXT
    edit_plate(folder, "one", {"rotate": 0}, expected={"rotate": 90, "note": None})
    assert load_session(folder).plates[0].rotate == 0


def test_a_linked_session_file_stays_a_link(folder: Path) -> None:
    elsewhere = folder / "kept.toml"
    (folder / "session.toml").rename(elsewhere)
    (folder / "session.toml").symlink_to(elsewhere)
    edit_plate(folder, "one", {"rotate": 180})
    assert (folder / "session.toml").is_symlink()
    assert "rotate = 180" in elsewhere.read_text(encoding="utf-8")


IN_TEXT = '''
[[plate]]
id = "one"
captures = ["a.dng"]
note = """\\
[[plate]]\\
 of two"""

[light]
blank = ["c.dng"]

[[plate]]  # the second
"id" = "two"
captures = ["b.dng"]
'''


@pytest.mark.parametrize("text", [TEXT, TEXT.replace("\n", "\r\n"), IN_TEXT])
@pytest.mark.parametrize("plate", ["one", "two"])
@pytest.mark.parametrize("changes", [{"rotate": 180}, {"note": "[[plate]]"}, {"corners": None}])
def test_the_lines_of_one_plate_give_what_the_whole_file_gives(
    tmp_path: Path, text: str, plate: str, changes: dict[str, object]
) -> None:
    """Only its lines are read with their comments; the rest is not looked at and stays."""
    file, made = tmp_path / "session.toml", []
    for whole in (False, True):
        file.write_bytes(text.encode())
        with pytest.MonkeyPatch.context() as patch:
            if whole:
                patch.setattr(edit_file, "_lines_of_plate", lambda text, *_: (0, len(text)))
            settings, _ = edit_plate(tmp_path, plate, changes)
        assert settings == load_session(tmp_path)
        made.append(file.read_bytes())
    assert made[0] == made[1]


def test_a_header_within_a_text_is_no_plate(tmp_path: Path) -> None:
    file = tmp_path / "session.toml"
    file.write_text(IN_TEXT, encoding="utf-8")
    settings, _ = edit_plate(tmp_path, "two", {"rotate": 90})
    assert [plate.rotate for plate in settings.plates] == [0, 90]
    assert settings.plates[0].note == "[[plate]]of two"
