"""Reading tone profiles."""

import pickle
import re

import pytest

from platebench.core.errors import BadSettingError, ExitCode, MissingProfileError
from platebench.core.installed import profiles_folder
from platebench.tone.profile_file import (
    _KEYS,
    list_tones,
    load_tone,
    tone_from_table,
    tone_to_table,
)

from ..refusals import refused

GOOD = """\
description = "mine"
[paper]
white = 0.06
black = 1.7
toe = 1
straight = 2.5
shoulder = 0.5
[print]
grade = 110
exposed_for = "shadows"
shown = "paper"
hardest = 0.5
[aims]
shadow = 12
highlight = 240
"""


def write(folder, text, name="mine"):
    (folder / f"{name}.toml").write_text(text, "utf-8")
    return [folder]


def test_every_value_is_read(tmp_path):
    tone = load_tone("mine", write(tmp_path, GOOD))
    assert (tone.name, tone.description) == ("mine", "mine")
    paper = tone.paper
    assert (paper.white, paper.black) == (0.06, 1.7)
    assert (paper.toe, paper.straight, paper.shoulder) == (1.0, 2.5, 0.5)
    assert (tone.grade, tone.exposed_for, tone.shown) == (110.0, "shadows", "paper")
    assert (tone.hardest, tone.shadow_aim, tone.highlight_aim) == (0.5, 12.0, 240.0)
    assert pickle.loads(pickle.dumps(tone)) == tone


@pytest.mark.parametrize("name", list_tones([profiles_folder() / "tone"]))
def test_profiles_that_come_along_can_be_read(name):
    tone = load_tone(name, [profiles_folder() / "tone"])
    assert tone.name == name
    assert tone.description


def test_the_four_kinds_come_along():
    assert {"neutral", "softer", "harder", "contact-paper"} <= set(
        list_tones([profiles_folder() / "tone"])
    )


def test_the_guide_lists_the_settings_there_are():
    guide = profiles_folder().parent / "docs" / "tone-profiles.md"
    if not guide.is_file():
        pytest.skip("not a checkout")
    listed = {
        key
        for line in guide.read_text("utf-8").splitlines()
        if line.startswith("| `") and line.count("|") == 4
        for key in re.findall(r"`([a-z_]+\.[a-z_]+|description)`", line.split("|")[1])
    }
    assert listed == _KEYS


def test_first_folder_wins(tmp_path):
    (tmp_path / "a").mkdir()
    (tmp_path / "b").mkdir()
    write(tmp_path / "a", GOOD.replace("1.7", "1.5"))
    write(tmp_path / "b", GOOD)
    assert load_tone("mine", [tmp_path / "a", tmp_path / "b"]).paper.black == 1.5
    assert load_tone("mine", [tmp_path / "b", tmp_path / "a"]).paper.black == 1.7


def test_missing_profile_says_which_there_are(tmp_path):
    write(tmp_path, "", "session")
    with pytest.raises(MissingProfileError) as caught:
        load_tone("mild", write(tmp_path, GOOD))
    assert str(caught.value) == (
        f'there is no tone profile "mild" in {tmp_path}; the profiles there are: mine'
    )
    assert caught.value.exit_code is ExitCode.SETTINGS
    assert str(pickle.loads(pickle.dumps(caught.value))) == str(caught.value)


@pytest.mark.parametrize("name", ["../mine", "session", "", "MINE/mine"])
def test_a_name_is_not_a_path(tmp_path, name):
    write(tmp_path, GOOD)
    (tmp_path / "sub").mkdir()
    with pytest.raises(MissingProfileError):
        load_tone(name, [tmp_path / "sub"])


@pytest.mark.parametrize(
    ("old", "new", "key", "part"),
    [
        ("toe = 1", "toes = 1", "paper.toes", ""),
        ("toe = 1\n", "", "paper.toe", "is missing"),
        ("toe = 1", "toe = 0", "paper.toe", "0.01 to 100"),
        ("toe = 1", "toe = true", "paper.toe", "True"),
        ("toe = 1", "toe = nan", "paper.toe", "nan"),
        ('"mine"', "3", "description", "text"),
        ("black = 1.7", 'black = "deep"', "paper.black", "'deep'"),
        ("black = 1.7", "black = 0.02", "paper.black", "0.8 to 4"),
        ("grade = 110", "grade = 2", "print.grade", "20 to 300"),
        ("grade = 110", 'grade = "normal"', "print.grade", '"fitted"'),
        ('"shadows"', '"faces"', "print.exposed_for", '"highlights"'),
        ('"shadows"', "[1]", "print.exposed_for", "[1]"),
        ('"paper"', '"glossy"', "print.shown", '"full", "paper"'),
        ("shadow = 12", "shadow = 200", "aims.shadow", "1 to 127"),
        ("[aims]", "[aim]", "aim.shadow", ""),
        ("[aims]", "aims = 3\n[print.x]", "print.aims", ""),
        ("[paper]", "[paper", "the file", ""),
    ],
)
def test_nonsense_is_refused_by_name(tmp_path, old, new, key, part):
    assert old in GOOD
    with pytest.raises(BadSettingError) as caught:
        load_tone("mine", write(tmp_path, GOOD.replace(old, new, 1)))
    assert caught.value.key == key
    assert part in str(caught.value)
    assert caught.value.path == tmp_path / "mine.toml"


def test_a_table_given_as_a_number_is_refused(tmp_path):
    with pytest.raises(BadSettingError) as caught:
        load_tone("mine", write(tmp_path, "paper = 3\n"))
    assert caught.value.key == "paper"


def test_bytes_that_are_no_text_are_refused(tmp_path):
    (tmp_path / "mine.toml").write_bytes(b"\xff\xfe\x00")
    with refused(BadSettingError, path=tmp_path / "mine.toml"):
        load_tone("mine", [tmp_path])


@pytest.mark.parametrize(
    ("hue", "key", "shown"),
    [
        ("[hue]\npaper = [93, 1, 7]\n", "hue.image", ""),
        ("[hue]\npaper = [93, 1]\nimage = [10, 0, 0]\n", "hue.paper", "[93, 1]"),
        ("[hue]\npaper = [93, 1, 99]\nimage = [10, 0, 0]\n", "hue.paper", "99"),
        ("[hue]\npaper = [10, 0, 0]\nimage = [93, 0, 0]\n", "hue.paper", ""),
        ("[hue]\ncolour = 1\n", "hue.colour", ""),
    ],
)
def test_a_hue_that_cannot_be_is_one_clear_line(tmp_path, hue, key, shown):
    write(tmp_path, GOOD + "\n" + hue)
    with refused(BadSettingError, shown, key=key, path=tmp_path / "mine.toml"):
        load_tone("mine", [tmp_path])


def test_a_hue_is_read_and_spelled_out_again(tmp_path):
    write(tmp_path, GOOD + "\n[hue]\npaper = [93, 1, 7]\nimage = [17.5, 2, 3]\n")
    tone = load_tone("mine", [tmp_path])
    assert tone.hue == ((93.0, 1.0, 7.0), (17.5, 2.0, 3.0))
    assert tone_from_table(tone_to_table(tone), tmp_path / "mine.toml") == tone
