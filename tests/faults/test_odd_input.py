"""Odd and hostile input: one clear line, the promised exit code, nothing of anybody's replaced."""

from __future__ import annotations

import io
import os
import re
import shutil
import stat
import subprocess
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile
from click.testing import CliRunner
from PIL import Image

from platebench.cli import main
from platebench.cli.options import size_in_bytes
from platebench.core.errors import ExitCode, NoAccessError, WriteError
from platebench.core.files import UNFINISHED, atomic_write, read_at_most
from platebench.exposing.develop_log import Developed, append_to_log, read_log
from platebench.exposing.processing import StepDone
from platebench.session.convert_session import convert_session
from platebench.session.record import read_record
from platebench.session.run_plates import made_or_raise
from platebench.session.share_session import Shared, ShareWishes, share_session

from ..processes import command, environment
from ..refusals import refused
from ..session_files import tree, write_session

LONG = "x" * 300  # longer than any file system in use lets a name be


def shared(*args: Any, **wanted: Any) -> list[Shared]:
    return made_or_raise(share_session(*args, **wanted))


def run(*args: str | Path) -> tuple[int, str]:
    result = CliRunner().invoke(main, [str(arg) for arg in args])
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return result.exit_code, result.stderr


@pytest.fixture(scope="module")
def original(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = write_session(tmp_path_factory.mktemp("original") / "shelf", names=("wide",))
    convert_session(folder, workers=1)
    return folder


@pytest.fixture
def session(original: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(original, tmp_path / "shelf"))


@pytest.mark.parametrize(
    "args",
    [
        ("check", LONG),
        ("convert", LONG),
        ("share", LONG),
        ("master", LONG),
        ("watch", LONG),
        ("review", LONG, "--no-browser"),
        ("measure", LONG, "wide", "--grid", "2x2"),
        ("which-print", LONG),
        ("print-plate", LONG, "wide", "--process", "albumen"),
        ("print-negative", LONG, "wide", "--process", "albumen"),
        ("calibrate", LONG, "--tablet", "tablet.dng"),
        ("develop-log", LONG, "--plate", "1", "--develop", "5m"),
    ],
    ids=lambda args: args[0],
)
def test_a_name_that_is_too_long_is_one_line(args: tuple[str, ...]) -> None:
    code, said = run(*args)
    assert code == ExitCode.INPUT
    assert said.count("\n") == 1 and LONG[-40:] in said


@pytest.mark.parametrize(
    "args",
    [
        ("start", ""),
        ("convert", ""),
        ("convert", "shelf", "--output", ""),
        ("share", "shelf", "--output", " "),
        ("process-chart", ""),
        ("develop-log", "", "--plate", "1", "--develop", "5m"),
        ("calibrate-process", "", "--process", "albumen"),
        ("printing-time", "--strip", "", "--first", "5"),
        ("archive", "shelf", "--output", ""),
        ("verify", ""),
        ("reproduce", "shelf", "--captures", ""),
        ("catalogue", "index", ""),
        ("audit", ""),
    ],
    ids=" ".join,
)
def test_an_empty_name_is_not_the_folder_one_stands_in(
    args: tuple[str, ...], session: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As a script's unset variable leaves it."""
    monkeypatch.chdir(session.parent)
    before = tree(session.parent)
    code, said = run(*args)
    assert code == ExitCode.USAGE and "empty" in said
    assert tree(session.parent) == before


def test_memory_without_bounds_is_taken_as_much_as_there_is() -> None:
    assert size_in_bytes("9" * 400 + "T") > 2**60


@pytest.mark.skipif(os.name != "posix", reason="names are bytes on POSIX")
def test_a_name_that_is_no_text_is_shown_all_the_same(session: Path) -> None:
    folder = session.parent / os.fsdecode(b"shelf-\xff")
    try:
        session.rename(folder)
    except OSError:
        pytest.skip("this disk takes no such name")
    done = subprocess.run(
        command("convert", folder),
        capture_output=True,
        env=environment() | {"PYTHONIOENCODING": "utf-8:strict"},
    )
    assert done.returncode == ExitCode.OK and done.stderr == b""
    assert rb"shelf-\udcff" in done.stdout


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no such device")
def test_output_into_a_file_on_a_full_disk_is_one_line() -> None:
    with Path("/dev/full").open("wb") as full:
        done = subprocess.run(
            command("develop-log", "--checklist"),
            stdout=full,
            stderr=subprocess.PIPE,
            env=environment(),
        )
    assert done.returncode == ExitCode.OUTPUT
    assert done.stderr == (
        b"Error: output was not written: the disk is full; free some space and run again\n"
    )


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no pipes with names")
def test_no_file_takes_the_place_of_a_pipe_or_a_device(tmp_path: Path) -> None:
    pipe = tmp_path / "pipe.csv"
    os.mkfifo(pipe)
    with refused(WriteError, path=pipe), atomic_write(pipe):
        pass
    assert stat.S_ISFIFO(pipe.stat().st_mode) and list(tmp_path.iterdir()) == [pipe]


@pytest.mark.skipif(not Path("/dev/zero").exists(), reason="no such device")
@pytest.mark.parametrize(
    "args",
    [
        ("expose", "--ev", "4", "--f", "16", "--table", "/dev/zero"),
        ("curve", "/dev/zero"),
        ("convert", "ENDLESS"),
        ("measure", "ENDLESS", "wide", "--grid", "2x2"),
    ],
    ids=" ".join,
)
def test_a_file_without_end_is_not_read_to_its_end(args: tuple[str, ...], session: Path) -> None:
    (session / "session.toml").unlink()
    (session / "session.toml").symlink_to("/dev/zero")
    code, said = run(*(str(session) if arg == "ENDLESS" else arg for arg in args))
    assert code in (ExitCode.INPUT, ExitCode.SETTINGS) and said.count("\n") == 1


def test_no_more_is_read_than_was_allowed(tmp_path: Path) -> None:
    path = tmp_path / "table.csv"
    path.write_bytes(b"123")
    assert read_at_most(path, 3) == b"123" and read_at_most(path, 2) is None


@pytest.mark.parametrize("kind", ["jpeg", "png", "webp"])
def test_share_replaces_only_pictures_it_made(session: Path, tmp_path: Path, kind: str) -> None:
    letters = tmp_path / "letters"
    wishes = ShareWishes(kind=kind, long_side=64)  # type: ignore[arg-type]
    made = shared(session, to=letters, wishes=wishes)[0].path
    shared(session, to=letters, wishes=wishes)  # its own: again, without a word
    mine = io.BytesIO()
    Image.new("RGB", (30, 20), (200, 10, 10)).save(mine, kind.upper())
    made.write_bytes(mine.getvalue())
    with refused(WriteError, path=made):
        shared(session, to=letters, wishes=wishes)
    assert made.read_bytes() == mine.getvalue()


def test_png_to_share_says_of_itself_what_jpeg_does(session: Path, tmp_path: Path) -> None:
    for kind in ("png", "jpeg"):
        wishes = ShareWishes(kind=kind, long_side=64)  # type: ignore[arg-type]
        with Image.open(shared(session, to=tmp_path, wishes=wishes)[0].path) as picture:
            assert b"<dc:identifier>wide</dc:identifier>" in picture.info["xmp"]


@pytest.mark.parametrize("place", ["positives", "previews", "plates"])
@pytest.mark.parametrize(
    "args",
    [
        ("share",),
        ("master",),
        ("print-negative", "wide", "--process", "albumen", "--ppi", "100"),
        ("print-plate", "wide", "--process", "albumen"),
    ],
    ids=lambda args: args[0],
)
def test_nothing_else_goes_among_the_results_of_convert(
    session: Path, args: tuple[str, ...], place: str
) -> None:
    """Neither over a positive nor beside it, where it would be taken for a plate."""
    before = tree(session)
    name, *others = args
    code, said = run(name, session, *others, "--output", session / "converted" / place)
    assert code == ExitCode.OUTPUT and str(session / "converted") in said
    assert tree(session) == before


def test_a_master_is_not_written_over_a_positive_from_elsewhere(
    session: Path, tmp_path: Path
) -> None:
    convert_session(session, output=tmp_path / "prints", workers=1)
    before = tree(tmp_path / "prints")
    code, said = run("master", session, "--output", tmp_path / "prints" / "positives")
    assert code == ExitCode.OUTPUT and "wide.tif" in said
    assert tree(tmp_path / "prints") == before


@pytest.mark.parametrize("name", ["developing.csv", "converted/check.json"])
def test_measure_leaves_logs_and_checks_alone(session: Path, name: str) -> None:
    code, said = run("measure", session, "wide", "--grid", "2x2", "--output", session / name)
    assert code == ExitCode.OUTPUT and str(session / name) in said
    assert not (session / name).exists()


@pytest.mark.parametrize(
    ("args", "said"),
    [
        (("--grid", "2x2", "--csv", "--output", "r.json"), "--output ends in .json"),
        (("--grid", "2x2", "--json", "--output", "r.csv"), "--output ends in .csv"),
        (("--wedge", "--grid", "2x2"), "leave out --at and --grid"),
    ],
)
def test_measure_takes_no_two_orders_at_once(
    session: Path, args: tuple[str, ...], said: str
) -> None:
    code, told = run("measure", session, "wide", *args)
    assert code == ExitCode.USAGE and said in told


def test_a_session_that_is_not_there_is_not_one_to_be_converted(tmp_path: Path) -> None:
    code, said = run("which-print", tmp_path / "nowhere")
    assert code == ExitCode.INPUT and str(tmp_path / "nowhere") in said


@pytest.mark.parametrize(
    ("value", "shown"), [("nan", "nan"), ("-inf", "-inf"), ("9" * 30, "a number far too large")]
)
def test_numbers_out_of_this_world_are_shown_as_they_are(
    session: Path, value: str, shown: str
) -> None:
    text = (session / "session.toml").read_text(encoding="utf-8")
    (session / "session.toml").write_text(f"{text}print_stops = {value}\n", encoding="utf-8")
    code, said = run("check", session)
    assert code == ExitCode.SETTINGS
    assert f"plate[1].print_stops is {shown};" in said


def test_slivers_are_no_captures_and_do_not_end_the_check_of_others(session: Path) -> None:
    shapes = [(1, 1), (15, 400), (400, 15), (20, 60_000), (60_000, 20)]
    text = '[[plate]]\nid = "wide"\ncaptures = ["wide.dng"]\n'
    for n, shape in enumerate(shapes):
        tifffile.imwrite(session / f"{n}.tif", np.full(shape, 30_000, np.uint16))
        text += f'[[plate]]\nid = "p{n}"\ncaptures = ["{n}.tif"]\n'
    (session / "session.toml").write_text(text, encoding="utf-8")
    for name in ("check", "convert"):
        code, told = run(name, session, "--jobs", "1")
        assert code == ExitCode.PARTIAL and told.count("\n") == len(shapes)
        for n, (rows, columns) in enumerate(shapes):
            said = f"{n}.tif has {columns} x {rows} pixels, which is no picture of a plate; "
            assert said in told


@pytest.mark.parametrize(
    "args",
    [
        ("printing-time", "--strip", "charts", "--first", "nan"),
        ("printing-time", "--strip", "charts", "--ppi", "nan"),
        ("printing-time", "strip.csv", "--tolerance", "nan"),
        ("printing-time", "strip.csv", "--gamma", "nan"),
        ("process-chart", "charts", "--ppi", "nan"),
        ("watch", "shelf", "--settle", "nan"),
    ],
    ids=" ".join,
)
def test_nan_is_in_no_range(
    args: tuple[str, ...], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    code, said = run(*args)
    assert code == ExitCode.USAGE and "'nan'" in said
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize(
    "args",
    [
        ("printing-time", "strip.csv", "--process", "albumen"),
        ("process-chart", "charts"),
        ("calibrate-process", "scan.tif", "--process", "albumen"),
    ],
    ids=lambda args: args[0],
)
def test_a_slip_in_the_session_s_name_makes_no_folder(
    args: tuple[str, ...], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    rising = (0.0, 0.02, 0.3, 0.8, 1.2, 1.4, 1.45, 1.45, 1.45)
    lines = "".join(f"{2**n},{density}\n" for n, density in enumerate(rising))
    Path("strip.csv").write_text("time_s,density\n" + lines, encoding="utf-8")
    tifffile.imwrite("scan.tif", np.full((90, 80), 30_000, np.uint16))
    code, said = run(*args, "--session", "shlef")
    assert code == ExitCode.INPUT and "shlef" in said
    assert sorted(path.name for path in tmp_path.iterdir()) == ["scan.tif", "strip.csv"]


@pytest.mark.parametrize(
    ("densities", "said"),
    [
        ((0.0, 0.0, 0.01, 0.0, 0.01), "shows no print: 0.01 D at most; expose a strip that goes"),
        ((0.0, 0.5, 1.0, 12.0, 12.0), "holds a density beyond 10; densities are logarithms"),
        ((0.0, 0.5, 1.0, "nan", 1.0), "holds a density beyond 10; densities are logarithms"),
    ],
)
def test_strips_that_say_nothing(tmp_path: Path, densities: tuple[object, ...], said: str) -> None:
    lines = "".join(f"{2**n},{density}\n" for n, density in enumerate(densities))
    (tmp_path / "strip.csv").write_text("time_s,density\n" + lines, encoding="utf-8")
    code, told = run("printing-time", tmp_path / "strip.csv")
    assert code == ExitCode.INPUT and f"strip.csv {said}" in told


STRIP = [
    "time_s,density",
    *(f"{2.0**n},{d}" for n, d in enumerate((0.01, 0.3, 0.9, 1.4, 1.4, 1.4))),
]


@pytest.mark.parametrize("separator", [";", "\t"])
def test_a_strip_as_a_spreadsheet_with_decimal_commas_saves_it(
    tmp_path: Path, separator: str
) -> None:
    told = []
    for lines in (STRIP, [s.replace(",", separator).replace(".", ",") for s in STRIP]):
        (tmp_path / "strip.csv").write_text("\n".join(lines), encoding="utf-8-sig")
        result = CliRunner().invoke(main, ["printing-time", str(tmp_path / "strip.csv"), "--json"])
        assert result.exit_code == ExitCode.OK, result.stderr
        told.append(result.stdout)
    assert told[0] == told[1]


@pytest.mark.parametrize("row", ["15,0,0,1", "15", '15,"1.2'])
def test_rows_that_do_not_fit_their_headings_are_not_read_as_they_come(
    tmp_path: Path, row: str
) -> None:
    """15,0,0,1 is 15.0 and 0.1 between commas, and would pass for 15 and 0."""
    (tmp_path / "strip.csv").write_text("\n".join((STRIP[0], row, *STRIP[5:])), encoding="utf-8")
    code, said = run("printing-time", tmp_path / "strip.csv")
    assert code == ExitCode.INPUT and "time_s,density" in said


def test_a_quote_that_is_not_closed_swallows_no_rows(session: Path) -> None:
    (session / "plates.csv").write_text(
        'plate id,title\nwide,"The mill\ntall,The lake\n', encoding="utf-8"
    )
    code, said = run("convert", session, "--jobs", "1")
    assert code == ExitCode.SETTINGS and "plates.csv" in said


@pytest.mark.parametrize("value", ["NaN", "Infinity", "1e999"])
def test_a_record_with_a_number_that_is_none_is_as_good_as_none(session: Path, value: str) -> None:
    path = session / "converted" / "plates" / "wide.json"
    text = re.sub(r'"d_max": [\d.]+', f'"d_max": {value}', path.read_text(encoding="utf-8"))
    assert value in text
    path.write_text(text, encoding="utf-8")
    assert read_record(path) is None
    assert run("share", session) == (ExitCode.OK, "")


@pytest.mark.big
@pytest.mark.skipif(os.name != "posix", reason="limits set the POSIX way")
@pytest.mark.parametrize("name", ["convert", "master"])
def test_records_outlast_a_run_for_which_there_is_no_room(session: Path, name: str) -> None:
    """What was converted is still known to be, though no record could be written again."""
    import resource

    run("master", session, "--jobs", "1")
    before = tree(session)
    records = [key for key in before if key.endswith("wide.json")]
    assert len(records) == 2
    least = min((session / key).stat().st_size for key in records) // 2
    done = subprocess.run(
        command(name, session, "--force", "--jobs", "1"),
        capture_output=True,
        env=environment(),
        preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (least, least)),
    )
    assert done.returncode == ExitCode.OUTPUT
    after = tree(session)
    assert {key: after.get(key) for key in records} == {key: before[key] for key in records}
    assert not list(session.rglob(f"{UNFINISHED}*"))


def test_a_folder_that_may_not_be_read_is_no_wrong_use(
    session: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What the command says of it has a remedy; click's own refusal has none."""
    monkeypatch.setattr(os, "access", lambda *args, **kwargs: False)
    assert run("which-print", session)[0] == ExitCode.OK


def test_numbers_of_thousands_of_digits_in_readings(tmp_path: Path) -> None:
    (tmp_path / "r.json").write_text('{"steps": [{"step": ' + "9" * 5000 + "}]}", encoding="utf-8")
    code, said = run("curve", tmp_path / "r.json")
    assert code == ExitCode.INPUT and "r.json" in said and said.count("\n") == 1


@pytest.mark.parametrize(
    "text",
    ["[" * 100_000, '{"inks": [0, 1], "number": 1e999, "made_for": "", "step_chart": 1}'],
    ids=["deep", "infinite"],
)
def test_a_chart_s_file_that_is_none(tmp_path: Path, text: str, session: Path) -> None:
    (tmp_path / "chart.json").write_text(text, encoding="utf-8")
    tifffile.imwrite(tmp_path / "scan.tif", np.full((90, 80), 30_000, np.uint16))
    code, said = run(
        *("calibrate-process", tmp_path / "scan.tif", "--process", "albumen"),
        *("--chart", tmp_path / "chart.json", "--session", session),
    )
    assert code == ExitCode.INPUT and "chart.json" in said


@pytest.mark.big
def test_two_plates_developed_at_once_are_both_in_the_log(tmp_path: Path) -> None:
    """Held by the folder's lock: the second reads the log only after the first has written it."""
    from datetime import date
    from threading import Thread

    log = tmp_path / "developing.csv"

    def note(number: int) -> None:
        done = (StepDone(name="develop", time_s=300.0, temperature_c=20.0),)
        append_to_log(log, Developed(plate_id=f"p{number}", day=date(2031, 6, 14), steps=done))

    threads = [Thread(target=note, args=(number,)) for number in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(read_log(log)) == [f"p{number}" for number in range(8)]


def test_the_sentence_names_the_file_the_system_named() -> None:
    assert str(NoAccessError("shelf", "Permission denied")) == (
        "shelf cannot be used (Permission denied); check its name and permissions"
    )
