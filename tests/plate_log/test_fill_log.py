"""Cells written into a person's own plate log, and nothing else in it touched."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from platebench.core.csv_table import read_csv_table
from platebench.core.errors import BadSettingError, SettingsFileError
from platebench.plate_log.fill_log import fill_plate_log
from platebench.plate_log.read_log import load_plate_log

VALUES = {"meter_ev": 12.5, "given_s": 1 / 30, "f_number": 5.6, "light_kind": "indoors"}
OWN = (
    '\ufeffsep=;\r\nshelf;"plate id";notes;given\r\n'
    '"A;3";007;"two\nlines, ""so""";-\r\n\r\nB;8;x;2,5\r\n'
)


def write(path: Path, text: str) -> Path:
    path.write_bytes(text.encode())
    return path


def test_a_log_is_begun_where_there_is_none(tmp_path: Path) -> None:
    path = tmp_path / "plates.csv"
    filled = fill_plate_log(path, "p1", VALUES)
    assert set(filled) == {"meter EV", "given", "aperture", "light kind"}
    entry = load_plate_log(path)["p1"]
    assert (entry.meter_ev, entry.f_number, entry.light_kind) == (12.5, 5.6, "indoors")
    assert entry.given_s == pytest.approx(1 / 30)
    assert entry.metered_s is None  # what is not known stays empty


def test_a_spreadsheets_own_dialect_stays(tmp_path: Path) -> None:
    path = write(tmp_path / "plates.csv", OWN)
    fill_plate_log(path, "007", VALUES)
    text = path.read_bytes().decode()
    # Quotes, the separator's own line, the empty row, decimal commas and line ends as they were.
    assert text.startswith('\ufeffsep=;\r\nshelf;"plate id";notes;given;')
    assert '"A;3";007;"two\nlines, ""so""";1/30 s;' in text and "\r\n\r\nB;8;x;2,5\r\n" in text
    assert ";12,5" in text
    entry = load_plate_log(path)["007"]
    assert entry.notes == 'two\nlines, "so"' and dict(entry.more) == {"shelf": "A;3"}
    assert entry.meter_ev == 12.5


def test_a_plate_without_a_row_gets_one_though_the_last_line_has_no_end(tmp_path: Path) -> None:
    path = write(tmp_path / "plates.csv", "id,given\nold,2 s")
    fill_plate_log(path, "new", {"given_s": 4.0})
    assert path.read_bytes() == b"id,given\nold,2 s\nnew,4 s\n"


def test_what_the_person_wrote_is_not_replaced(tmp_path: Path) -> None:
    path = write(tmp_path / "plates.csv", "id,given\np1,2 s\n")
    with pytest.raises(SettingsFileError):
        fill_plate_log(path, "P1", {"meter_ev": 3.0, "given_s": 4.0})
    assert path.read_bytes() == b"id,given\np1,2 s\n"
    assert fill_plate_log(path, "P1", {"given_s": 2.0}) == ()
    assert path.read_bytes() == b"id,given\np1,2 s\n"


def test_a_log_that_cannot_be_read_is_refused_and_left(tmp_path: Path) -> None:
    path = write(tmp_path / "plates.csv", "id,given\np1,soon\n")
    with pytest.raises(BadSettingError):
        fill_plate_log(path, "p1", {"meter_ev": 3.0})
    assert path.read_bytes() == b"id,given\np1,soon\n"


CELL = st.text("ab;,\t\"'\n é1.", max_size=6)


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.lists(CELL, min_size=2, max_size=2), min_size=1, max_size=4),
    st.sampled_from(",;\t"),
    st.sampled_from(["\n", "\r\n"]),
)
def test_every_other_cell_stays(
    tmp_path_factory: pytest.TempPathFactory,
    cells: list[list[str]],
    separator: str,
    end: str,
) -> None:
    path = tmp_path_factory.getbasetemp() / "any.csv"
    rows = [["plate id", "one", "two"], *([f"p{n}", *row] for n, row in enumerate(cells))]
    quoted = [['"' + cell.replace('"', '""') + '"' for cell in row] for row in rows]
    write(path, end.join(separator.join(row) for row in quoted))
    before = read_csv_table(path).rows
    fill_plate_log(path, "p0", {"meter_ev": 7.0})
    after = read_csv_table(path)
    assert after.headings == ("plate id", "one", "two", "meter EV")
    assert [row[1][:3] for row in after.rows] == [row[1] for row in before]
    assert after.rows[0][1][3] == "7"
