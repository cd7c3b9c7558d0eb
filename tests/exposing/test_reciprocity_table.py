"""Tables of reciprocity from CSV files."""

from __future__ import annotations

from pathlib import Path

import pytest

from platebench.core.errors import BadSettingError, SettingsFileError
from platebench.exposing.reciprocity import load_reciprocity_table

from ..refusals import refused


def put(folder: Path, text: str) -> Path:
    path = folder / "batch.csv"
    path.write_text(text, "utf-8")
    return path


def test_a_table_is_read(tmp_path: Path) -> None:
    text = "\ufeff# batch 7\r\nMetered_s, given_s\r\n\r\n1,1\r\n 10 , 14.5\r\n"
    table = load_reciprocity_table(put(tmp_path, text))
    assert table.metered == (1.0, 10.0) and table.given == (1.0, 14.5)
    assert "batch.csv" in table.words


@pytest.mark.parametrize(
    ("text", "line", "part"),
    [
        ("", "line 1", "metered_s,given_s"),
        ("1,1\n2,3\n", "line 1", "metered_s,given_s"),
        ("given_s,metered_s\n1,1\n", "line 1", "metered_s,given_s"),
        ("metered_s,given_s\n", "line 1", ""),
        ("metered_s,given_s\n1,1\n", "line 2", "two rows"),
        ("metered_s,given_s\n1,1\n1,5,2\n", "line 3", ""),
        ("metered_s,given_s\n1,1\nlong,longer\n", "line 3", ""),
        ("metered_s,given_s\n1,1\n\n# no\n10,9\n", "line 5", "columns"),
        ("metered_s,given_s\n1,1\n10,20\n9,30\n", "line 4", "sort"),
        ("metered_s,given_s\n1,1\n10,20\n11,19\n", "line 4", "shorter"),
        ("metered_s,given_s\n-1,1\n10,20\n", "line 2", " 0"),
        ("metered_s,given_s\n1,1\n10,inf\n", "line 3", " 0"),
        ("metered_s,given_s\n1,1\nnan,20\n", "line 3", " 0"),
    ],
)
def test_bad_tables_name_the_line(tmp_path: Path, text: str, line: str, part: str) -> None:
    path = put(tmp_path, text)
    with pytest.raises(BadSettingError) as caught:
        load_reciprocity_table(path)
    assert (caught.value.path, caught.value.key) == (path, line) and part in str(caught.value)


def test_files_that_are_no_text(tmp_path: Path) -> None:
    with refused(SettingsFileError, path=tmp_path / "none.csv", cause=FileNotFoundError):
        load_reciprocity_table(tmp_path / "none.csv")
    with refused(SettingsFileError, path=tmp_path, cause=OSError):
        load_reciprocity_table(tmp_path)
    (tmp_path / "x.csv").write_bytes(b"\xff\xfe\x00")
    with refused(SettingsFileError, "UTF-8", path=tmp_path / "x.csv"):
        load_reciprocity_table(tmp_path / "x.csv")
    (tmp_path / "big.csv").write_bytes(b"#" * (5 << 20))
    with refused(SettingsFileError, path=tmp_path / "big.csv"):
        load_reciprocity_table(tmp_path / "big.csv")
