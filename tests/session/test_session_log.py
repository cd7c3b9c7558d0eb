"""Plate log and developing log of a session: read as one, carried into everything."""

from __future__ import annotations

import json
from datetime import date
from pathlib import Path

import pytest
from click.testing import CliRunner
from PIL import Image

from platebench.cli import main
from platebench.core.errors import BadSettingsError, SettingsFileError
from platebench.exposing.develop_log import Developed, append_to_log, read_log
from platebench.exposing.processing import StepDone
from platebench.plate_log.read_log import load_plate_log
from platebench.session.convert_session import convert_session
from platebench.session.session_log import load_session_log, write_template

from ..refusals import refused
from ..session_files import write_session

LOG = """plate id;title;date;emulsion;developed for;fixing;temperature C;shelf
tall;Mill & weir;1893~;batch emulsion;5 min;two baths;20;A 3
strange;;;;;;;
"""


def note_steps(folder: Path, plate: str = "tall", *, develop_s: float = 300.0) -> None:
    done = (
        StepDone(name="develop", time_s=develop_s, temperature_c=20.0),
        StepDone(name="fix", time_s=240.0, temperature_c=20.0),
        StepDone(name="wash", time_s=900.0),
    )
    developed = Developed(plate_id=plate, day=date(2026, 3, 2), steps=done, note="developer 1+9")
    append_to_log(folder / "developing.csv", developed)


def test_there_need_not_be_a_log(tmp_path: Path) -> None:
    log = load_session_log(tmp_path)
    assert log.entry("tall") is None
    assert log.remarks(["tall"]) == ()


def test_the_sessions_rights_mark_plates_whose_row_says_nothing(tmp_path: Path) -> None:
    session = write_session(tmp_path / "shelf", names=("tall", "wide"))
    settings = session / "session.toml"
    text = settings.read_text(encoding="utf-8")
    marks = '[rights]\ncreator = "A. Maker"\nusage_terms = "ask first"\n\n[every_plate]'
    settings.write_text(text.replace("[every_plate]", marks, 1), encoding="utf-8")
    (session / "plates.csv").write_text("plate id,creator\ntall,B. Other\n", encoding="utf-8")
    convert_session(session, workers=1)
    said = {}
    for name in ("tall", "wide"):
        with Image.open(session / "converted" / "positives" / f"{name}.tif") as picture:
            said[name] = picture.tag_v2[700]
    assert b"B. Other" in said["tall"] and b"A. Maker" not in said["tall"]
    assert b"A. Maker" in said["wide"]
    assert all(b"ask first" in packet for packet in said.values())


def test_the_steps_noted_in_the_darkroom_fill_in_what_the_log_leaves_empty(tmp_path: Path) -> None:
    (tmp_path / "plates.csv").write_text(LOG, encoding="utf-8")
    note_steps(tmp_path)
    note_steps(tmp_path, "wide", develop_s=360)
    log = load_session_log(tmp_path)
    tall, wide = log.entry("tall"), log.entry("wide")
    assert tall is not None and wide is not None
    assert (tall.develop_s, tall.fixing, tall.washing) == (300.0, "two baths", "15 min")
    assert (wide.develop_s, wide.fixing, wide.temperature_c) == (360.0, "4 min", 20.0)
    assert [(step.name, step.time_s, step.day, step.note) for step in tall.steps] == [
        ("develop", 300.0, "2026-03-02", "developer 1+9"),
        ("fix", 240.0, "2026-03-02", "developer 1+9"),
        ("wash", 900.0, "2026-03-02", "developer 1+9"),
    ]
    assert log.remarks(["tall", "dense"]) == (
        "plates.csv has no row for dense",
        "the plate log names what session.toml does not: strange, wide",
    )


def test_capitals_of_an_id_do_not_matter(tmp_path: Path) -> None:
    (tmp_path / "plates.csv").write_text("plate id,title\nMill-1,Mill\n", encoding="utf-8")
    log = load_session_log(tmp_path)
    found = log.entry("mill-1")
    assert found is not None and found.title == "Mill"
    assert log.entry("mill-2") is None
    assert log.remarks(["MILL-1"]) == ()


def test_where_the_two_logs_differ_a_person_decides(tmp_path: Path) -> None:
    (tmp_path / "plates.csv").write_text(LOG.replace(";20;", ";24;"), encoding="utf-8")
    note_steps(tmp_path, develop_s=360)
    with pytest.raises(BadSettingsError) as caught:
        load_session_log(tmp_path)
    path = tmp_path / "plates.csv"
    assert str(caught.value).splitlines() == [
        f"{path}: developed for of plate tall says 5 min, developing.csv says 6 min; "
        "correct one of them",
        f"{path}: temperature C of plate tall says 24 °C, developing.csv says 20 °C; "
        "correct one of them",
    ]


def test_a_log_of_developing_that_a_spreadsheet_saved_again(tmp_path: Path) -> None:
    note_steps(tmp_path)
    path = tmp_path / "developing.csv"
    path.write_text(
        "\ufeff" + path.read_text(encoding="utf-8").replace(",", ";").replace("300", "300,5"),
        encoding="utf-8",
    )
    assert read_log(path)["tall"][0].time_s == 300.5
    path.write_text("date,plate,step,time_s,temperature_c\n,,stop,long,warm\n", encoding="utf-8")
    with pytest.raises(BadSettingsError) as caught:
        read_log(path)
    places = [line.removeprefix(f"{path}: row 2, ")[:14] for line in str(caught.value).splitlines()]
    assert places == ["plate (column ", "step (column C", "time_s (column", "temperature_c "]
    path.write_text("plate,title\n1,Mill\n", encoding="utf-8")
    with refused(SettingsFileError, path=path):
        read_log(path)


def test_a_template_is_written_once_and_never_over_somebody_s_own(tmp_path: Path) -> None:
    path = tmp_path / "plates.csv"
    assert write_template(tmp_path, ["a", "b, c"]) == path
    assert write_template(tmp_path, ["a", "b, c", "d"]) == path  # nobody has filled it in
    own = path.read_bytes().replace(b"\r\nd,,", b"\r\nd,Mill,")
    path.write_bytes(own)
    assert write_template(tmp_path, ["a"]) is None
    assert path.read_bytes() == own
    path.unlink()
    (tmp_path / "elsewhere.csv").write_bytes(b"")
    path.symlink_to(tmp_path / "elsewhere.csv")
    assert write_template(tmp_path, ["a"]) is None


def test_the_log_goes_into_record_report_and_picture(tmp_path: Path) -> None:
    session = write_session(tmp_path / "shelf", names=("tall",))
    (session / "plates.csv").write_text(LOG, encoding="utf-8")
    made = convert_session(session, workers=1)
    output = session / "converted"
    record = json.loads((output / "plates" / "tall.json").read_text(encoding="utf-8"))["result"]
    report = json.loads((output / "report.json").read_text(encoding="utf-8"))
    assert record["log"]["title"] == "Mill & weir"
    assert record["log"]["more"] == {"shelf": "A 3"}
    assert report["plates"][0]["result"]["log"]["date"] == "1893~"
    (remark,) = report["plate_log"]
    assert made.log_remarks == (remark,) and "strange" in remark
    with Image.open(output / "positives" / "tall.tif") as image:
        packet = image.tag_v2[700].decode()
    assert "Mill &amp; weir" in packet and "shelf = A 3" in packet
    # Nothing changed: nothing is made. A new title makes the plate anew.
    assert convert_session(session, workers=1).results[0].skipped
    (session / "plates.csv").write_text(LOG.replace("weir", "bridge"), encoding="utf-8")
    assert not convert_session(session, workers=1).results[0].skipped


def test_start_writes_the_log_and_leaves_yours_as_it_is(tmp_path: Path) -> None:
    session = write_session(tmp_path / "shelf", names=("tall",))
    (session / "session.toml").unlink()
    assert CliRunner().invoke(main, ["start", str(session), "--jobs", "1"]).exit_code == 0
    path = session / "plates.csv"
    (plate_id,) = load_plate_log(path)
    assert f'id = "{plate_id}"' in (session / "session.toml").read_text(encoding="utf-8")
    own = path.read_bytes().replace(f"{plate_id},".encode(), f"{plate_id},Mill".encode(), 1)
    path.write_bytes(own)
    again = CliRunner().invoke(main, ["start", str(session), "--jobs", "1"])
    assert again.exit_code == 0
    assert "plates.csv" in again.output
    assert path.read_bytes() == own


def test_develop_log_writes_into_a_session_s_folder(tmp_path: Path) -> None:
    noted = ["develop-log", str(tmp_path), "--plate", "7", "--develop", "5m@20", "--fix", "4m"]
    assert CliRunner().invoke(main, noted).exit_code == 0
    entry = load_session_log(tmp_path).entry("7")
    assert entry is not None
    assert (entry.develop_s, entry.temperature_c, entry.fixing) == (300.0, 20.0, "4 min")
