"""The drafted session.toml: it reads back as it was meant, and never replaces an edited file."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from pathlib import Path

import pytest

from platebench.core.errors import SettingsFileError
from platebench.core.settings import PlateSettings, SessionSettings
from platebench.session.draft_file import SessionDraft, is_unedited, toml_from_draft, write_draft
from platebench.session.settings_file import SHARED_KEYS, load_session, session_from_toml

from ..processes import needs_accents
from ..refusals import refused

DRAFT = SessionDraft(
    settings=SessionSettings(
        title='Shelf "3" = [nine]',
        blank=("blank one.dng",),
        dark=(),
        plates=(
            PlateSettings(id="plate-001", captures=('a "b" # c.dng', "é.dng")),
            PlateSettings(id="plate-002", captures=("x'y.tif",)),
        ),
    ),
    remarks={"é.dng": "1/8 s, f/8", "x'y.tif": "odd\nremark\x1b[31m"},
    left_out=(("bad\nname.dng", "is empty\nreally"),),
)


@needs_accents
def test_a_draft_reads_back_as_it_was_meant(tmp_path: Path) -> None:
    path = write_draft(tmp_path, DRAFT)
    assert path == tmp_path / "session.toml"
    assert load_session(tmp_path) == DRAFT.settings


@needs_accents
def test_what_plates_share_is_said_once_and_the_rest_by_each() -> None:
    first, second = DRAFT.settings.plates
    third = replace(second, id="c", captures=("c.dng",), format="9x12 cm", crop=False, rotate=90)
    plates = (
        replace(first, format="13x18 cm", emulsion="light", print_stops=0.5, skip=True),
        replace(second, format="9x12 cm", corners=((0.5, 1.0), (0.0, 9.0), (9.0, 9.0), (9.0, 0.0))),
        third,
    )
    draft = replace(DRAFT, settings=replace(DRAFT.settings, plates=plates))
    text = toml_from_draft(draft)
    assert session_from_toml(tomllib.loads(text), Path("session.toml")) == draft.settings
    assert text.count('format = "9x12 cm"') == 1 and text.count('format = "13x18 cm"') == 1


def test_every_setting_is_there_and_explained() -> None:
    lines = toml_from_draft(DRAFT).splitlines()
    for key in ("title", "blank", "dark", "gamma", "shows", *SHARED_KEYS):
        places = [n for n, line in enumerate(lines) if line.startswith(f"{key} = ")]
        assert places, key
        assert lines[places[0] - 1].startswith("#"), key
    for key in ("skip", "corners"):
        assert any(line.startswith(f"#   {key} = ") for line in lines), key


def test_names_and_remarks_cannot_break_out_of_their_comment() -> None:
    text = toml_from_draft(DRAFT)
    assert "#   bad?name.dng: is empty?really" in text.splitlines()
    assert "\x1b" not in text


@needs_accents
def test_an_unedited_draft_gives_way_to_a_new_one(tmp_path: Path) -> None:
    path = write_draft(tmp_path, DRAFT)
    assert is_unedited(path)
    write_draft(tmp_path, replace(DRAFT, settings=replace(DRAFT.settings, title="newer")))
    assert load_session(tmp_path).title == "newer"


@pytest.mark.parametrize("change", ["append", "one letter", "no mark", "by hand", "empty"])
def test_an_edited_file_is_never_replaced(tmp_path: Path, change: str) -> None:
    path = write_draft(tmp_path, DRAFT)
    text = path.read_text(encoding="utf-8")
    path.write_text(
        {
            "append": text + "\n",
            "one letter": text.replace("plate-002", "plate-003"),
            "no mark": text.partition("\n")[2],
            "by hand": "title = 'mine'\n",
            "empty": "",
        }[change],
        encoding="utf-8",
    )
    before = path.read_bytes()
    with refused(SettingsFileError, path=path):
        write_draft(tmp_path, DRAFT)
    assert path.read_bytes() == before
    assert [entry.name for entry in tmp_path.iterdir()] == ["session.toml"]


def test_a_link_or_a_folder_in_its_place_is_left_alone(tmp_path: Path) -> None:
    (tmp_path / "session.toml").symlink_to(tmp_path / "elsewhere.toml")
    with pytest.raises(SettingsFileError):
        write_draft(tmp_path, DRAFT)
    (tmp_path / "other").mkdir()
    (tmp_path / "other" / "session.toml").mkdir()
    with pytest.raises(SettingsFileError):
        write_draft(tmp_path / "other", DRAFT)


def test_the_same_session_is_the_same_bytes() -> None:
    assert toml_from_draft(DRAFT) == toml_from_draft(replace(DRAFT))
