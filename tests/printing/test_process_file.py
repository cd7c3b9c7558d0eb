"""Process profiles: strict keys, a status for each number, files of one's own."""

from __future__ import annotations

from pathlib import Path

import pytest

from platebench.core.errors import (
    BadSettingError,
    BadSettingsError,
    MissingProfileError,
    SettingsFileError,
)
from platebench.printing.process import Status
from platebench.printing.process_file import (
    list_processes,
    load_process,
    load_processes,
    process_folders,
)

from ..refusals import refused

GOOD = """\
title = "mine"
light = "blue"
hazards = ["fixer"]
cautions = ["hot"]

[exposure_scale]
low = 1.2
typical = 1.5
high = 1.7
status = { low = "memory", typical = "tested", high = "practice" }
"""


def put(folder: Path, text: str, name: str = "mine") -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    (folder / f"{name}.toml").write_text(text, encoding="utf-8")
    return folder


def test_a_profile_is_read_as_written(tmp_path: Path) -> None:
    process = load_process("mine", [put(tmp_path, GOOD)])
    assert (process.name, process.title, process.light) == ("mine", "mine", "blue")
    (scale,) = process.scales
    assert (scale.low, scale.typical, scale.high) == (1.2, 1.5, 1.7)
    assert scale.status == (Status.MEMORY, Status.TESTED, Status.PRACTICE)
    assert process.hazards == ("fixer",) and process.cautions == ("hot",)


def test_one_word_marks_all_numbers_and_ends_left_out_lie_half_a_tablet_step_off(
    tmp_path: Path,
) -> None:
    text = GOOD.partition("[exposure")[0] + '[exposure_scale]\ntypical = 1.65\nstatus = "tested"\n'
    (scale,) = load_process("mine", [put(tmp_path, text)]).scales
    assert (scale.low, scale.high) == (pytest.approx(1.575), pytest.approx(1.725))
    assert scale.status == (Status.STEP, Status.TESTED, Status.STEP)


@pytest.mark.parametrize(
    ("old", "new", "key", "part"),
    [
        ("title", "titel", "titel", " title?"),
        ('"blue"', '"green"', "light", '"green"'),
        ('light = "blue"', "", "light", "is missing"),
        ('hazards = ["fixer"]', "", "hazards", "is missing"),
        ('"fixer"', '"fixxer"', "hazards", '"fixxer"'),
        ('["hot"]', '"hot"', "cautions", "list"),
        ("[exposure_scale]", "[scale]", "scale", "is not a setting"),
        ("low = 1.2", "low = 1.6", "exposure_scale.typical", "order"),
        ("high = 1.7", "high = 17", "exposure_scale.high", "from 0.1 to 4"),
        ("high = 1.7", 'high = "1.7"', "exposure_scale.high", "text"),
        ("high = 1.7", "high = nan", "exposure_scale.high", "from 0.1 to 4"),
        ("high = 1.7", "hihg = 1.7", "exposure_scale.hihg", " high?"),
        (', high = "practice"', "", "exposure_scale.status.high", "is missing"),
        ('"practice"', '"guess"', "exposure_scale.status.high", '"guess"'),
        ('"practice"', '"found"', "exposure_scale.source", "high"),
        ("typical = 1.5\n", "", "exposure_scale.status.typical", "is not a setting"),
        ("[exposure_scale]", "exposure_scale = 3\n[x]", "exposure_scale", "number"),
    ],
)
def test_nonsense_is_refused_by_name(
    tmp_path: Path, old: str, new: str, key: str, part: str
) -> None:
    assert old in GOOD
    with pytest.raises((BadSettingError, BadSettingsError)) as caught:
        load_process("mine", [put(tmp_path, GOOD.replace(old, new, 1))])
    lines = str(caught.value).splitlines()
    assert any(f"mine.toml: {key} " in line and part in line for line in lines), lines


@pytest.mark.parametrize(
    ("text", "part"),
    [
        ("[[grade]]\nlow = 1.0\nhigh = 1.2\nstatus = 'memory'\n", "grade[1].name is missing"),
        ("[[grade]]\nname = 'g'\nstatus = 'memory'\n", "grade[1].typical is missing"),
        ("[[grade]]\nname = 'g'\ntypical = 1\n", "grade[1].status is missing"),
        ("", "exposure_scale is missing"),
        ("grade = []\n", "exposure_scale is missing"),
        (
            "[[grade]]\nname = 'g'\ntypical = 1\nstatus = 'memory'\n"
            "[exposure_scale]\ntypical = 1\nstatus = 'memory'\n",
            "exposure_scale stands beside [[grade]]",
        ),
    ],
)
def test_grades_must_be_whole(tmp_path: Path, text: str, part: str) -> None:
    head = GOOD.partition("\n[exposure")[0]
    with pytest.raises((BadSettingError, BadSettingsError)) as caught:
        load_process("mine", [put(tmp_path, f"{head}\n{text}")])
    assert part in str(caught.value)


def test_files_that_are_no_toml_are_refused(tmp_path: Path) -> None:
    with refused(SettingsFileError, "TOML"):
        load_process("mine", [put(tmp_path, "title = \n")])


def test_an_unknown_name_says_which_there_are(tmp_path: Path) -> None:
    with refused(MissingProfileError, kind="process", name="nope", known=("mine",)):
        load_process("nope", [put(tmp_path, GOOD)])
    with pytest.raises(MissingProfileError):
        load_process("../mine", [put(tmp_path / "sub", GOOD), put(tmp_path, GOOD)])


def test_ones_own_scale_wins_and_the_cautions_stay(tmp_path: Path) -> None:
    folders = process_folders(tmp_path / "session", tmp_path / "user")
    put(folders[1], '[exposure_scale]\ntypical = 1.3\nstatus = "tested"\n', "carbon")
    put(folders[0], '[exposure_scale]\ntypical = 1.4\nstatus = "tested"\n', "carbon")
    shipped = load_process("carbon", folders[2:])
    own = load_process("carbon", folders)
    assert own.scales[0].typical == 1.4 and own.scales[0].status[1] is Status.TESTED
    assert own.path == folders[0] / "carbon.toml"
    assert own.hazards == shipped.hazards and "dichromate" in own.hazards
    assert (own.title, own.light) == (shipped.title, shipped.light)


def test_hazards_of_ones_own_are_added(tmp_path: Path) -> None:
    folders = process_folders(tmp_path, None)
    put(folders[0], 'hazards = ["fixer"]\ncautions = ["mind the step"]\n', "carbon")
    own = load_process("carbon", folders)
    assert {"fixer", "dichromate"} <= set(own.hazards) and own.cautions == ("mind the step",)
    assert own.scales == load_process("carbon", folders[1:]).scales


def test_ones_own_scale_replaces_grades(tmp_path: Path) -> None:
    folders = process_folders(tmp_path, None)
    put(folders[0], '[exposure_scale]\ntypical = 1.1\nstatus = "tested"\n', "silver-gelatin")
    own = load_process("silver-gelatin", folders)
    assert [scale.typical for scale in own.scales] == [1.1]


def test_a_mistake_in_a_partial_file_names_that_file(tmp_path: Path) -> None:
    folders = process_folders(tmp_path, None)
    put(folders[0], "hazards = 'none'\n", "carbon")
    with pytest.raises(BadSettingError) as caught:
        load_process("carbon", folders)
    assert str(folders[0] / "carbon.toml") in str(caught.value)


def test_a_profile_of_ones_own_stands_beside_those_that_come_along(tmp_path: Path) -> None:
    folders = process_folders(tmp_path, None)
    put(folders[0], GOOD)
    names = list_processes(folders)
    assert names == sorted(names) and {"mine", "carbon"} <= set(names)
    assert [process.name for process in load_processes(folders)] == names
    assert [p.name for p in load_processes(folders, ["mine", "carbon"])] == ["mine", "carbon"]
