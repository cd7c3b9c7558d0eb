"""The plate log as spreadsheets save it."""

from __future__ import annotations

import json
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from platebench.core.errors import (
    BadSettingError,
    BadSettingsError,
    SettingsError,
    SettingsFileError,
)
from platebench.plate_log.cells import COLUMNS
from platebench.plate_log.read_log import load_plate_log, template
from platebench.write.xmp import PictureNote, xmp_packet

from ..processes import needs_accents
from ..refusals import refused

ROWS = [
    "plate id|title|date|given|aperture|bellows|temperature °C|developed for|shelf|notes",
    'mill-1|Mill, weir|1893~|1/8|f/16|21 cm|68 F|5 min 30 s|A 3|"two\nlines, ""quoted"""',
    "mill-2|Küche|?|2,5|1:6.8|8.25 in|20,5|330s||",
    "|||||||||",
    "mill-3",
]


def log_of(folder: Path, *rows: str, separator: str = ";", encoding: str = "utf-8") -> Path:
    path = folder / "plates.csv"
    lines = [row.replace(",", ",").replace("|", separator) for row in rows]
    path.write_bytes("\r\n".join(lines).encode(encoding))
    return path


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig"])
@pytest.mark.parametrize("separator", [";", "\t"])
def test_cells_are_read_as_they_are_written(tmp_path: Path, separator: str, encoding: str) -> None:
    log = load_plate_log(log_of(tmp_path, *ROWS, separator=separator, encoding=encoding))
    assert list(log) == ["mill-1", "mill-2", "mill-3"]
    first, second = log["mill-1"], log["mill-2"]
    assert first.title == "Mill, weir"
    assert (first.date, second.date) == ("1893~", "")
    assert (first.given_s, second.given_s) == (0.125, 2.5)
    assert (first.f_number, second.f_number) == (16.0, 6.8)
    assert (first.bellows_mm, second.bellows_mm) == (210.0, 209.55)  # 1 in = 25.4 mm
    assert (first.temperature_c, second.temperature_c) == (20.0, 20.5)  # 68 F = 20 C
    assert (first.develop_s, second.develop_s) == (330.0, 330.0)
    assert first.more == (("shelf", "A 3"),)
    assert second.more == ()
    assert first.notes == 'two\nlines, "quoted"'


def test_commas_between_columns_and_a_line_that_names_the_separator(tmp_path: Path) -> None:
    path = tmp_path / "plates.csv"
    path.write_text('Plate,Title,Given\n7,"Mill; weir; bridge",0.5\n', encoding="utf-8")
    assert load_plate_log(path)["7"].title == "Mill; weir; bridge"
    path.write_text("sep=;\nPlate;Temperature\n7;199\n", encoding="utf-8")
    with refused(BadSettingError, "row 3", "Temperature", "column B", path=path):
        load_plate_log(path)


def test_all_bad_cells_are_told_by_row_and_column(tmp_path: Path) -> None:
    path = log_of(
        tmp_path,
        "id|date|given|aperture|temperature|developed for|bellows",
        "a|May 1893|30. Jan|f/0|120|5|2",
        "",
        "A|1893-02-29|1,000|16|20|5:30|210|lost",
        "../b|||||",
        "|1893|||||",
    )
    with pytest.raises(BadSettingsError) as caught:
        load_plate_log(path)
    lines = [line.removeprefix(f"{path}: ") for line in str(caught.value).splitlines()]
    assert [line.partition(" is ")[0].partition(" stands")[0] for line in lines] == [
        *("row 2, date (column B)", "row 2, given (column C)", "row 2, aperture (column D)"),
        *("row 2, temperature (column E)", "row 2, developed for (column F)"),
        "row 2, bellows (column G)",
        *("row 4, date (column B)", "row 4, given (column C)", "row 4, developed for (column F)"),
        *("row 4, column H", "row 4, id (column A)"),
        "row 5, id (column A) begins with a dot; write the id that the plate has in session.toml",
        "row 6, id (column A)",
    ]
    assert 'is "30. Jan"; the spreadsheet made a date of it: format the column as text' in lines[1]
    assert 'is "5"; write the unit, such as 5 min or 5 s' in lines[4]
    assert 'is "A", as in row 2; give each plate one row' in lines[10]


@pytest.mark.parametrize(
    ("content", "shown"),
    [
        (b"", ()),
        (b"\xef\xbb\xbf\r\n;;\r\n", ()),
        (b"title;date\nMill;1893\n", ('"plate id"',)),
        (b"plate id;title\nm\xfchle;1\n", ("UTF-8",)),
        ("plate id,title\n".encode("utf-16"), ("UTF-8",)),
    ],
)
def test_files_that_are_no_log(tmp_path: Path, content: bytes, shown: tuple[str, ...]) -> None:
    path = tmp_path / "plates.csv"
    path.write_bytes(content)
    with refused(SettingsFileError, *shown, path=path):
        load_plate_log(path)


def test_two_columns_of_one_heading(tmp_path: Path) -> None:
    path = log_of(tmp_path, "plate id|shelf|Plate", "a|1|b")
    with refused(BadSettingError, "column C", '"Plate"', "column A", path=path):
        load_plate_log(path)


@needs_accents
def test_the_template_reads_back_and_knows_every_column(tmp_path: Path) -> None:
    path = tmp_path / "plates.csv"
    path.write_bytes(template(("plate-001", "Fenêtre, 2")))
    log = load_plate_log(path)
    assert [entry.to_json() for entry in log.values()] == [
        {"plate_id": "plate-001"},
        {"plate_id": "Fenêtre, 2"},
    ]
    header = path.read_text("utf-8-sig").splitlines()[0]
    assert header.split(",") == [column.heading for column in COLUMNS if column.offered]


CELLS = st.text(st.sampled_from("1893-0512/~?X.,;\t\"' \n\rfFsmin°C½\u00a0\u2212\0é7"), max_size=14)


@settings(max_examples=150, deadline=None)
@given(st.lists(st.lists(CELLS, max_size=24), max_size=4), st.sampled_from(",;\t"))
def test_any_table_is_read_or_refused_in_words(rows: list[list[str]], separator: str) -> None:
    header = separator.join(column.heading for column in COLUMNS)
    lines = [header, *(separator.join(["p", *row]) for row in rows)]
    with TemporaryDirectory() as folder:
        path = Path(folder) / "plates.csv"
        path.write_bytes("\n".join(lines).encode())
        try:
            log = load_plate_log(path)
        except SettingsError as error:
            assert all("; " in line for line in str(error).splitlines())
        else:
            for entry in log.values():
                json.dumps(entry.to_json(), allow_nan=False)
                xmp_packet(PictureNote(identifier="p", entry=entry)).decode()
