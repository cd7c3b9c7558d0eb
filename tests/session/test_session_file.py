"""session.toml: what is read, and what is refused, all of it at once."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from platebench.core.checked_table import LARGEST_FILE
from platebench.core.errors import (
    BadSettingError,
    BadSettingsError,
    SessionFolderError,
    SettingsFileError,
)
from platebench.core.plate_names import LONGEST_ID, fault_of_capture, fault_of_id, folded_id
from platebench.core.settings import PlateSettings, ScanSettings, SessionSettings
from platebench.session.settings_file import load_session, session_from_toml

from ..processes import needs_accents
from ..refusals import refused

PATH = Path("session.toml")

WHOLE = """
title = "Third shelf"

[light]
blank = ["f1.dng", "f2.dng"]
dark = ["dark/f3.dng"]

[scan]
gamma = 1.8
shows = "positive"

[every_plate]
format = "13x18 cm"
emulsion = "light"
rotate = 90
tone = "softer"
printing = "shared"
print_stops = -0.5
colour = "demosaiced"
straighten = "turn"
crop = false

[[plate]]
id = "A 17"
captures = ["f4.dng", "f5.dng"]

[[plate]]
id = "B-2"
captures = ["f6.dng"]
format = "120 x 90 mm"
emulsion = "camera"
rotate = 0
crop = true
corners = [[10, 20], [11.5, 420], [300, 421], [299, 19.25]]
skip = true
"""


def read(text: str) -> SessionSettings:
    return session_from_toml(tomllib.loads(text), PATH)


def problems(text: str) -> dict[str, BadSettingError]:
    with pytest.raises((BadSettingError, BadSettingsError)) as caught:
        read(text)
    error = caught.value
    found = error.problems if isinstance(error, BadSettingsError) else (error,)
    assert str(error).count("\n") == len(found) - 1  # one line each
    return {problem.key: problem for problem in found}


def plate(line: str = "", *, plate_id: str = "p") -> str:
    return f'[[plate]]\nid = "{plate_id}"\ncaptures = ["a.dng"]\n{line}\n'


def test_everything_that_can_be_said_is_read() -> None:
    shared = {
        "emulsion": "light",
        "rotate": 90,
        "tone": "softer",
        "printing": "shared",
        "print_stops": -0.5,
        "colour": "demosaiced",
        "straighten": "turn",
        "crop": False,
    }
    first = PlateSettings(
        id="A 17",
        captures=("f4.dng", "f5.dng"),
        format="13x18 cm",
        **shared,  # type: ignore[arg-type]
    )
    second = PlateSettings(
        id="B-2",
        captures=("f6.dng",),
        format="120 x 90 mm",
        **shared | {"emulsion": "camera", "rotate": 0, "crop": True},  # type: ignore[arg-type]
        corners=((10.0, 20.0), (11.5, 420.0), (300.0, 421.0), (299.0, 19.25)),
        skip=True,
    )
    assert read(WHOLE) == SessionSettings(
        title="Third shelf",
        blank=("f1.dng", "f2.dng"),
        dark=("dark/f3.dng",),
        scan=ScanSettings(gamma=1.8, shows="positive"),
        plates=(first, second),
    )


def test_an_empty_file_is_the_defaults() -> None:
    assert read("") == SessionSettings()
    assert read(plate()).plates == (PlateSettings(id="p", captures=("a.dng",)),)


@pytest.mark.parametrize(
    ("text", "key", "remedy"),
    [
        (plate("emulsoin = 'light'"), "plate[1].emulsoin", " emulsion?"),
        ("[ligth]\nblank = []", "ligth", " light?"),
        ("[light]\nblanks = []", "light.blanks", " blank?"),
        ("[scan]\ntitle = 'x'", "scan.title", "top of the file"),
        ("gamma = 2.0", "gamma", "[scan]"),
        ("[every_plate]\ncorners = []", "every_plate.corners", "[[plate]]"),
        ("[scan]\nzzz = 1", "scan.zzz", "gamma, shows"),
    ],
)
def test_an_unknown_key_is_named_with_the_nearest_known(text: str, key: str, remedy: str) -> None:
    found = problems(text)
    assert list(found) == [key]
    assert "session.toml" in str(found[key]) and remedy in str(found[key])


@pytest.mark.parametrize(
    ("line", "key", "said"),
    [
        ("rotate = 45", "rotate", "0, 90, 180, 270"),
        ("rotate = '90'", "rotate", '"90"'),
        ("rotate = 90.0", "rotate", "0, 90"),
        ("rotate = true", "rotate", "true"),
        ("emulsion = 'lihgt'", "emulsion", '"light"?'),
        ("emulsion = 'q'", "emulsion", '"camera", "light"'),
        ("printing = []", "printing", "[ ]"),
        ("crop = 'no'", "crop", "true or false"),
        ("skip = 1", "skip", "true or false"),
        ("print_stops = 9", "print_stops", "-5 to 5"),
        ("print_stops = nan", "print_stops", "-5 to 5"),
        ("print_stops = true", "print_stops", "true or false"),
        (f"print_stops = {10**400}", "print_stops", "-5 to 5"),
        ("print_stops = 2020-01-01", "print_stops", "date"),
        ("format = '13x18 cms'", "format", '"13x18 cm"?'),
        ("format = '1 x 2 mm'", "format", "10 to 2000 mm"),
        ("format = 13", "format", "text"),
        ("tone = '../secret'", "tone", "dot"),
        ("tone = 'neutral.toml'", "tone", ".toml"),
        ("corners = [[1, 2], [3, 4]]", "corners", "[row, column]"),
        ("corners = [[0, 0], [0, 9], [9, 9], [9, 'x']]", "corners", ""),
        ("corners = [[0, 0], [0, 9], [9, 9], [inf, 0]]", "corners", ""),
        ("corners = [[0, 0], [9, 0], [9, 9], [0, 9]]", "corners", "clockwise"),
        ("corners = [[0, 0], [9, 9], [0, 9], [9, 0]]", "corners", "clockwise"),
        ("corners = [[5, 5], [5, 5], [5, 5], [5, 5]]", "corners", "clockwise"),
    ],
)
def test_a_wrong_value_says_what_to_write(line: str, key: str, said: str) -> None:
    found = problems(plate(line))
    assert list(found) == [f"plate[1].{key}"]
    assert said in str(found[f"plate[1].{key}"])


@pytest.mark.parametrize(
    ("text", "key", "said"),
    [
        ("title = 3", "title", "text"),
        ("title = 'a\tb'", "title", "control"),
        ("title = '" + "x" * 501 + "'", "title", "500"),
        ("light = 3", "light", "[light]"),
        ("plate = 3", "plate", "[[plate]]"),
        ("[plate]\nid = 'x'", "plate", "[[plate]]"),
        ("[light]\nblank = 'a.dng'", "light.blank", 'blank = ["a.dng"]'),
        ("[light]\nblank = [1]", "light.blank", "list"),
        ("[light]\nblank = ['a.dng', 'a.dng']", "light.blank", '"a.dng"'),
        ("[light]\nblank = ['a']\ndark = ['a']", "light.dark", "blank"),
        ("[scan]\ngamma = 0.4", "scan.gamma", "1 to 4"),
        ("[[plate]]\nid = 'p'", "plate[1].captures", "is missing"),
        ("[[plate]]\nid = 'p'\ncaptures = []", "plate[1].captures", "is missing"),
        ("[[plate]]\ncaptures = ['a']", "plate[1].id", "is missing"),
        ("[[plate]]\nid = 1\ncaptures = ['a']", "plate[1].id", "whole number"),
        (plate() + plate(plate_id="P"), "plate[2].id", '"P"'),
        ("[light]\nblank = ['a.dng']\n" + plate(), "plate[1].captures", "[light] blank"),
    ],
)
def test_a_wrong_table_or_list_says_what_to_write(text: str, key: str, said: str) -> None:
    found = problems(text)
    assert list(found) == [key]
    assert said in str(found[key])


def test_all_problems_of_a_file_are_told_at_once() -> None:
    text = "titel = 'x'\n" + plate("rotate = 1\ncrop = 0") + plate("tone = ''", plate_id="q/r")
    assert list(problems(text)) == [
        "titel",
        "plate[1].rotate",
        "plate[1].crop",
        "plate[2].id",
        "plate[2].tone",
    ]


@pytest.mark.parametrize(
    "name",
    [
        "",
        ".hidden",
        "..",
        "a/b",
        "a\\b",
        "a:b",
        "a*b",
        'a"b',
        "-rf",
        " a",
        "a ",
        "a.",
        "a\nb",
        "a\0b",
        "CON",
        "nul.txt",
        "lpt1",
        "x" * (LONGEST_ID + 1),
        "\u00e9" * LONGEST_ID + "\U0001f5bc" * 20,
    ],
)
def test_ids_unsafe_as_file_names_are_refused(name: str) -> None:
    assert fault_of_id(name)


@pytest.mark.parametrize(
    "name",
    ["plate-001", pytest.param("Ü 12", marks=needs_accents), "a.b", "console", "x" * LONGEST_ID],
)
def test_ordinary_ids_pass(name: str) -> None:
    assert fault_of_id(name) is None


@given(st.text(max_size=12))
def test_an_accepted_id_is_one_path_part(name: str) -> None:
    if fault_of_id(name) is None:
        assert Path(f"{name}.tif").parts == (f"{name}.tif",)
        assert folded_id(name) == folded_id(name.upper().lower()) or not name.isascii()


@pytest.mark.parametrize(
    "name", ["/etc/passwd", "../a.dng", "a/../../b", "C:\\a.dng", "C:a", "\\\\host\\a", "a\\b", " "]
)
def test_captures_stay_inside_the_session(name: str) -> None:
    assert fault_of_capture(name)
    text = f"[[plate]]\nid = 'p'\ncaptures = ['{name}']"
    assert list(problems(text)) == ["plate[1].captures"]


@given(st.text(alphabet="ab./\\:~ ", max_size=10))
def test_an_accepted_capture_lies_below_the_folder(name: str) -> None:
    if fault_of_capture(name) is None:
        folder = Path("/session")
        joined = (folder / name).as_posix()
        assert joined.startswith("/session") and ".." not in Path(joined).parts


def write(folder: Path, content: bytes) -> Path:
    (folder / "session.toml").write_bytes(content)
    return folder


def test_a_file_is_read_with_or_without_a_byte_order_mark(tmp_path: Path) -> None:
    assert load_session(write(tmp_path, b"title = 'x'\r\n")).title == "x"
    assert load_session(write(tmp_path, b"\xef\xbb\xbftitle = 'x'\n")).title == "x"


@pytest.mark.parametrize(
    ("content", "shown"),
    [
        (b"title = \n", ("TOML", "line 1")),
        (b"title = 'x'\ntitle = 'y'\n", ("TOML",)),
        (
            b"[plate]\nid = 'a'\n[plate]\nid = 'b'\n",
            ("[plate]", "line 3", "[[plate]]"),
        ),
        (b"\xff\xfe", ("UTF-8",)),
        (b"#" * (LARGEST_FILE + 1), ()),
        (b"a = " + b"[" * 100_000, ("TOML",)),
    ],
)
def test_a_file_that_is_no_settings_is_one_clear_line(
    tmp_path: Path, content: bytes, shown: tuple[str, ...]
) -> None:
    with refused(SettingsFileError, *shown, path=tmp_path / "session.toml"):
        load_session(write(tmp_path, content))


def test_a_missing_file_says_how_to_get_one(tmp_path: Path) -> None:
    with refused(SettingsFileError, path=tmp_path / "session.toml", cause=FileNotFoundError):
        load_session(tmp_path)


def test_a_missing_folder_and_a_file_for_a_folder(tmp_path: Path) -> None:
    with refused(SessionFolderError, path=tmp_path / "none"):
        load_session(tmp_path / "none")
    (tmp_path / "file").touch()
    with refused(SessionFolderError, path=tmp_path / "file"):
        load_session(tmp_path / "file")


def test_a_folder_in_place_of_the_file(tmp_path: Path) -> None:
    (tmp_path / "session.toml").mkdir()
    with refused(SettingsFileError, path=tmp_path / "session.toml", cause=OSError):
        load_session(tmp_path)
