"""Developing: the common practice as given, limits of one's own, the log and the checklist."""

from __future__ import annotations

import csv
from datetime import date
from pathlib import Path

import pytest

from platebench.core.cautions import FIRST
from platebench.core.errors import BadSettingError, BadSettingsError, SettingsFileError, WriteError
from platebench.exposing.develop_log import HEADER, Developed, append_to_log, warnings_of
from platebench.exposing.processing import (
    STEPS,
    StepDone,
    check_step,
    checklist,
    load_limits,
    steps_from,
)

from ..refusals import refused

OWN = """\
[develop]
time_s = 360
temperature_c = 18
shortest_s = 240
longest_s = 480
coolest_c = 17
warmest_c = 21

[wash]
shortest_s = 1200
"""


def put(folder: Path, text: str) -> Path:
    path = folder / "developing.toml"
    path.write_text(text, encoding="utf-8")
    return path


def done(name: str, time_s: float, temperature_c: float | None = None) -> StepDone:
    return StepDone(name=name, time_s=time_s, temperature_c=temperature_c)


def test_the_common_practice() -> None:
    # As the task gives it: about 20 C throughout; develop 5 min by inspection under red light,
    # agitate first 30 s, then 5 s each 30 s; water 1 min; fix about 5 min or until clear; wash
    # 10 min at least; dry 12 h at least.
    assert [(s.name, s.time_s, s.at_least) for s in STEPS] == [
        ("develop", 300, False),
        ("rinse", 60, False),
        ("fix", 300, False),
        ("wash", 600, True),
        ("dry", 43200, True),
    ]
    assert [s.temperature_c for s in STEPS] == [20, 20, 20, 20, None]
    for part in ("inspection", "red light", "first 30 s", "5 s in each 30 s"):
        assert part in STEPS[0].how
    assert "clear" in STEPS[2].how
    assert all("source" in s.mark for s in STEPS)


def test_practice_warns_only_of_what_it_calls_the_least() -> None:
    assert check_step(done("develop", 900, 27)) == ()
    assert check_step(done("wash", 600)) == () and check_step(done("dry", 43200)) == ()
    (wash,) = check_step(done("wash", 599))
    assert "10 min" in wash and "source" in wash
    assert "12 h" in check_step(done("dry", 3600))[0]


@pytest.mark.parametrize(
    ("step", "parts"),
    [
        (done("develop", 240, 17), ()),
        (done("develop", 480, 21), ()),
        (done("develop", 239, 20), ("3 min 59 s is shorter than 4 min",)),
        (done("develop", 481, 20), ("8 min 1 s is longer than 8 min",)),
        (done("develop", 300, 16.9), ("16.9 °C is cooler than 17 °C",)),
        (done("develop", 300, 21.5), ("21.5 °C is warmer than 21 °C",)),
        (done("develop", 300), ("no temperature was noted",)),
        (done("develop", 60, 30), ("shorter", "warmer")),
        (done("wash", 900), ("15 min is shorter than 20 min",)),
        (done("fix", 1), ()),
    ],
)
def test_limits_of_ones_own(tmp_path: Path, step: StepDone, parts: tuple[str, ...]) -> None:
    warnings = check_step(step, load_limits(put(tmp_path, OWN)))
    assert len(warnings) == len(parts)
    for warning, part in zip(warnings, parts, strict=True):
        assert part in warning and "developing.toml" in warning


def test_values_of_ones_own_are_marked_and_the_rest_stays(tmp_path: Path) -> None:
    develop, rinse, *_, dry = load_limits(put(tmp_path, OWN))
    assert (develop.time_s, develop.temperature_c, develop.mark) == (360, 18, "your own")
    assert rinse == STEPS[1] and dry == STEPS[-1]


def test_steps_from_the_first_file_there_is(tmp_path: Path) -> None:
    assert steps_from([tmp_path / "none.toml"]) == STEPS
    assert steps_from([tmp_path / "none.toml", put(tmp_path, OWN)])[0].time_s == 360


@pytest.mark.parametrize(
    ("text", "key", "shown"),
    [
        ("[devlop]\ntime_s = 3", "devlop", " develop?"),
        ("[develop]\ntime = 3", "develop.time", ""),
        ("[develop]\ntime_s = '5m'", "develop.time_s", "text"),
        ("[develop]\nlongest_s = -1", "develop.longest_s", "-1"),
        ("[develop]\nwarmest_c = 90", "develop.warmest_c", "-5 to 60"),
        ("[fix]\nshortest_s = 9\nlongest_s = 8", "fix.longest_s", "8"),
        ("[fix]\ncoolest_c = 9\nwarmest_c = 8", "fix.warmest_c", "8"),
        ("develop = 5", "develop", "[develop]"),
    ],
)
def test_nonsense_is_refused_by_name(tmp_path: Path, text: str, key: str, shown: str) -> None:
    with pytest.raises((BadSettingError, BadSettingsError)) as caught:
        load_limits(put(tmp_path, text))
    problems = getattr(caught.value, "problems", (caught.value,))
    assert [one.key for one in problems] == [key] and shown in str(problems[0])


def test_a_limits_file_that_is_not_there(tmp_path: Path) -> None:
    with refused(SettingsFileError, path=tmp_path / "none.toml"):
        load_limits(tmp_path / "none.toml")


PLATE = Developed(
    plate_id="no. 12, left",
    day=date(2026, 3, 1),
    steps=(done("develop", 300, 20), done("wash", 300)),
    note='1 + 9, "old"',
)


def test_a_log_is_begun_and_gone_on_with(tmp_path: Path) -> None:
    log = tmp_path / "log.csv"
    append_to_log(log, PLATE)
    first = log.read_bytes()
    append_to_log(log, Developed(plate_id="13", day=date(2026, 3, 2), steps=(done("dry", 5e4),)))
    assert log.read_bytes().startswith(first)
    with log.open(newline="", encoding="utf-8") as stream:
        rows = list(csv.reader(stream))
    assert rows[0] == list(HEADER)
    assert rows[1] == ["2026-03-01", "no. 12, left", "develop", "300", "20", '1 + 9, "old"', ""]
    assert rows[2][2:5] == ["wash", "300", ""] and "10 min" in rows[2][6]
    assert rows[3][:5] == ["2026-03-02", "13", "dry", "50000", ""]


def test_a_log_edited_in_a_spreadsheet_goes_on(tmp_path: Path) -> None:
    log = tmp_path / "log.csv"
    before = b"\xef\xbb\xbf" + ",".join(HEADER).encode() + b"\r\n2026-01-01,1,dry,50000,,,"
    log.write_bytes(before)
    append_to_log(log, PLATE)
    assert log.read_bytes().startswith(before + b"\n2026-03-01,")


@pytest.mark.parametrize("content", [b"\n", b"plate,density\n1,2\n", b"\xff\xd8\xff\xe0JFIF"])
def test_another_file_is_left_alone(tmp_path: Path, content: bytes) -> None:
    log = tmp_path / "other.csv"
    log.write_bytes(content)
    with refused(SettingsFileError, path=log):
        append_to_log(log, PLATE)
    assert log.read_bytes() == content


def test_a_log_that_cannot_be_written(tmp_path: Path) -> None:
    with refused(SettingsFileError, path=tmp_path, cause=OSError):
        append_to_log(tmp_path, PLATE)
    with pytest.raises(WriteError):
        append_to_log(tmp_path / "none" / "log.csv", PLATE)
    assert list(tmp_path.iterdir()) == []


def test_warnings_of_a_plate_come_in_order() -> None:
    warnings = warnings_of(
        Developed(plate_id="1", day=date(2026, 3, 1), steps=(done("wash", 1), done("dry", 1)))
    )
    assert [text.partition(":")[0] for text in warnings] == ["wash", "dry"]


def test_the_checklist_has_every_step_and_every_caution() -> None:
    text = checklist(plate_id="shelf-3 no. 12")
    flat = " ".join(text.split())
    assert "shelf-3 no. 12" in text and max(map(len, text.splitlines())) <= 72
    for step in STEPS:
        assert step.name.upper() in text and step.aim() in flat and step.how in flat
    assert "\n[ ] Glass" in text and "\n[ ] Developer" in text and "\n[ ] Fixer" in text
    assert FIRST in flat.replace("] ", "]") or " ".join(FIRST.split()) in flat
    assert "panchromatic" in flat
    assert text.index("Glass") < text.index("DEVELOP  ")  # before the work, not after
