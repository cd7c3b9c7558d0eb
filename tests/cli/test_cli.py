"""The command line: what is printed where, exit codes by name, help for everything."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from platebench import __version__
from platebench.cli import main
from platebench.cli.options import LEAST_MEMORY, size_in_bytes
from platebench.core.errors import ExitCode
from platebench.synthetic import simulate_blank

from ..processes import environment
from ..session_files import BOX, CAMERA, EXPOSURE_S, put, put_plate, tree, write_session

COMMANDS = [
    *("demo", "start", "check", "convert"),
    *("calibrate", "measure", "curve"),
    *("which-print", "printing-time", "process-chart", "calibrate-process", "print-negative"),
    *("expose", "develop-log"),
    *("archive", "verify", "reproduce", "catalogue", "audit"),
]


def run(*args: str | Path) -> Result:
    return CliRunner().invoke(main, [str(arg) for arg in args], prog_name="platebench")


@pytest.fixture(scope="module")
def original(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_session(tmp_path_factory.mktemp("original") / "shelf 3")


@pytest.fixture
def session(original: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(original, tmp_path / "shelf 3"))


def test_help_lists_the_commands_in_the_order_they_are_used() -> None:
    result = run("--help")
    assert result.exit_code == ExitCode.OK
    places = [result.stdout.index(f"\n  {name} ") for name in COMMANDS]
    assert places == sorted(places)


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_has_help_with_options_explained_and_an_example(name: str) -> None:
    result = run(name, "--help")
    assert result.exit_code == ExitCode.OK
    assert f"platebench {name} " in result.stdout.partition("Examples:")[2]
    command = main.get_command(None, name)  # type: ignore[arg-type]
    assert command is not None and command.help and command.short_help
    for parameter in command.params:
        if parameter.param_type_name == "option":
            assert getattr(parameter, "help", None), f"{name} {parameter.name}"


def test_version() -> None:
    assert run("--version").stdout == f"platebench, version {__version__}\n"


def test_help_loads_nothing_heavy() -> None:
    code = (
        "import sys; from platebench.cli import main\n"
        "try: main(['convert', '--help'])\n"
        "except SystemExit: pass\n"
        "print(sorted({'numpy', 'cv2', 'rawpy', 'scipy'} & set(sys.modules)), file=sys.stderr)"
    )
    before = os.times()
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, encoding="utf-8", env=environment()
    )
    assert done.stderr == "[]\n"
    used = sum(os.times()[2:4]) - sum(before[2:4])  # the processor time of ended children
    assert used < 1.0  # 0.1 s on an idle machine; numpy and OpenCV alone take longer


@pytest.mark.parametrize(
    "args",
    [
        ["develop"],
        ["convert"],
        ["convert", "x", "--nope"],
        ["convert", "x", "--jobs", "0"],
        ["convert", "x", "--memory", "lots"],
        ["convert", "x", "--memory", "3"],
    ],
)
def test_a_wrong_command_line_is_usage(args: list[str]) -> None:
    result = run(*args)
    assert result.exit_code == ExitCode.USAGE
    assert result.stdout == "" and "Error: " in result.stderr


@pytest.mark.parametrize(
    ("text", "size"), [("2G", 2 << 30), ("1.5 GiB", 3 << 29), ("800mb", 800 << 20), ("1T", 1 << 40)]
)
def test_sizes(text: str, size: int) -> None:
    assert size_in_bytes(text) == size > LEAST_MEMORY


def test_start_then_convert_as_a_person_does(session: Path) -> None:
    (session / "session.toml").unlink()
    started = run("start", session, "--jobs", "1")
    assert started.exit_code == ExitCode.OK and started.stderr == ""
    assert started.stdout.startswith("3 plates, 1 blank frame, 1 dark frame\n")
    assert f"platebench convert '{session}'" in started.stdout
    converted = run("convert", session, "--jobs", "1")
    assert converted.exit_code == ExitCode.OK and converted.stderr == ""
    assert converted.stdout.startswith("plates: 3 converted\n")
    assert str(session / "converted" / "proof-sheet.pdf") in converted.stdout
    again = run("convert", session, "--jobs", "1")
    assert again.stdout.startswith("plates: 0 converted, 3 unchanged\n")


def test_start_says_what_it_left_out_and_never_replaces_an_edited_file(session: Path) -> None:
    (session / "bad.dng").touch()
    before = (session / "session.toml").read_bytes()
    result = run("start", session, "--jobs", "1")
    assert result.exit_code == ExitCode.SETTINGS and "session.toml" in result.stderr
    assert (session / "session.toml").read_bytes() == before
    (session / "session.toml").unlink()
    assert "bad.dng" in run("start", session, "--jobs", "1").stdout


def test_start_as_json(session: Path) -> None:
    (session / "session.toml").unlink()
    document = json.loads(run("start", session, "--jobs", "1", "--json").stdout)
    assert document["settings"]["blank"] == ["blank.dng"]
    assert [plate["id"] for plate in document["settings"]["plates"]] == [
        "plate-001",
        "plate-002",
        "plate-003",
    ]
    assert document["session_file"] == str(session / "session.toml")


def test_convert_as_json_is_one_document(session: Path) -> None:
    (session / "tall.dng").write_text("not a picture at all\n", encoding="utf-8")
    result = run("convert", session, "--json", "--jobs", "1")
    document = json.loads(result.stdout)
    assert result.exit_code == document["exit_code"] == ExitCode.PARTIAL
    assert document["exit"] == "PARTIAL"
    assert [plate["status"] for plate in document["plates"]] == ["done", "failed", "done"]
    assert [plate["unchanged"] for plate in document["plates"]] == [False] * 3
    assert document["plates"][1]["error"]["kind"] == "CaptureError"
    assert result.stderr.startswith("Error: tall: ") and result.stderr.count("\n") == 1
    for name in document["files"]:
        assert (Path(document["output"]) / name).is_file()


def test_quiet_says_nothing_but_errors(session: Path) -> None:
    assert run("convert", session, "--quiet", "--jobs", "1").output == ""
    (session / "session.toml").write_text("titel = 1\nlihgt = 2\n", encoding="utf-8")
    result = run("convert", session, "--quiet")
    assert result.exit_code == ExitCode.SETTINGS
    lines = result.stderr.splitlines()
    assert len(lines) == 2 and all(line.startswith("Error: ") for line in lines)
    assert "title?" in lines[0] and "light?" in lines[1]


def test_check_judges_every_capture(session: Path) -> None:
    before = tree(session)
    result = run("check", session, "--jobs", "1", "--json")
    document = json.loads(result.stdout)
    assert [capture["capture"] for capture in document["captures"]] == [
        "blank.dng",
        "dark.dng",
        "dense.dng",
        "tall.dng",
        "wide.dng",
    ]
    roles = [capture["role"] for capture in document["captures"]]
    assert roles == ["blank", "dark", "plate", "plate", "plate"]
    assert all(capture["verdicts"] for capture in document["captures"])
    assert result.exit_code == document["exit_code"]
    kept = {"converted/check.json"}  # for the report
    assert {name: digest for name, digest in tree(session).items() if name not in kept} == before
    shown = run("check", session, "--jobs", "1", "--all").stdout
    for name in ("blank.dng (blank frame)", "dark.dng (dark frame)", "tall.dng (tall)"):
        assert name in shown


def test_check_names_what_cannot_be_read_and_what_to_take_again(session: Path) -> None:
    (session / "tall.dng").write_bytes(b"")
    put_plate(session / "wide.dng", "wide", exposure_s=4.0)
    result = run("check", session, "--jobs", "1")
    assert result.exit_code == ExitCode.PARTIAL
    assert "tall.dng" in result.stderr and "wide.dng" not in result.stderr
    assert "wide.dng (wide): fail" in result.stdout


def test_check_of_a_bracket_needs_one_good_exposure(session: Path) -> None:
    put_plate(session / "long.dng", "wide", exposure_s=4.0)
    path = session / "session.toml"
    path.write_text(
        path.read_text(encoding="utf-8").replace('["wide.dng"]', '["wide.dng", "long.dng"]'),
        encoding="utf-8",
    )
    result = run("check", session, "--jobs", "1")
    assert "long.dng (wide, 2 of " in result.stdout
    assert result.exit_code == ExitCode.OK


def fails_of(session: Path) -> dict[str, list[str]]:
    """Return what a check calls a failure, by capture; its exit code must be PARTIAL."""
    result = run("check", session, "--jobs", "1", "--json")
    assert result.exit_code == ExitCode.PARTIAL, result.output
    for missing in ("no blank frame", "two dark frames"):  # the session has such frames
        assert missing not in result.stdout
    return {
        capture["capture"]: [v["text"] for v in capture["verdicts"] if v["severity"] == "fail"]
        for capture in json.loads(result.stdout)["captures"]
    }


def reason_convert_gives(session: Path) -> str:
    """Return the first error of a conversion, without plate id."""
    result = run("convert", session, "--jobs", "1")
    assert result.exit_code != ExitCode.OK
    first = result.stderr.splitlines()[0].removeprefix("Error: ")
    return first.removeprefix("tall: ").removeprefix("dense: ").removeprefix("wide: ")


def name_in_settings(session: Path, before: str, after: str) -> None:
    path = session / "session.toml"
    assert before in path.read_text(encoding="utf-8")
    path.write_text(path.read_text(encoding="utf-8").replace(before, after), encoding="utf-8")


def test_check_says_once_that_blank_frames_do_not_fit_together(session: Path) -> None:
    other = replace(CAMERA, shape=(302, 400))
    put(session / "second.dng", simulate_blank(BOX, other, exposure_s=EXPOSURE_S, seed=3))
    name_in_settings(session, '["blank.dng"]', '["blank.dng", "second.dng"]')
    fails = fails_of(session)
    assert fails["second.dng"] == [reason_convert_gives(session)]
    assert not any(texts for name, texts in fails.items() if name != "second.dng")


@pytest.mark.parametrize(("exposure_s", "name"), [(1.0, "blank.dng"), (EXPOSURE_S, "dark.dng")])
def test_check_says_of_a_frame_what_convert_stops_at(
    session: Path, exposure_s: float, name: str
) -> None:
    put(session / name, simulate_blank(BOX, CAMERA, exposure_s=exposure_s, seed=3))
    reason = reason_convert_gives(session)
    assert name in reason
    fails = fails_of(session)
    assert fails[name].count(reason) == 1
    assert sum(texts.count(reason) for texts in fails.values()) == 1


def test_check_of_a_missing_blank_says_so_once(session: Path) -> None:
    (session / "blank.dng").unlink()
    result = run("check", session, "--jobs", "1")
    assert result.exit_code == ExitCode.PARTIAL
    assert result.stderr.count("blank.dng") == 1 and result.stderr.count("\n") == 1
    assert "no blank frame" not in result.stdout and "blank.dng" not in result.stdout


def test_check_fails_a_frame_without_a_plate(session: Path) -> None:
    put(session / "tall.dng", simulate_blank(BOX, CAMERA, exposure_s=EXPOSURE_S, seed=4))
    assert reason_convert_gives(session) in fails_of(session)["tall.dng"]


def test_check_fails_captures_that_are_no_bracket(session: Path) -> None:
    name_in_settings(session, '["wide.dng"]', '["wide.dng", "dense.dng"]')
    before = run("check", session, "--jobs", "1", "--json").stdout
    reason = next(
        line.removeprefix("Error: wide: ")
        for line in run("convert", session, "--jobs", "1").stderr.splitlines()
    )
    assert "no bracket" in reason
    assert reason in [
        verdict["text"]
        for capture in json.loads(before)["captures"]
        if (capture["capture"], capture["plate"]) == ("wide.dng", "wide")
        for verdict in capture["verdicts"]
        if (verdict["severity"], verdict["topic"]) == ("fail", "bracket")
    ]
    assert before.count("are no bracket") == 1
    assert run("check", session, "--jobs", "1").exit_code == ExitCode.PARTIAL


def test_demo_refuses_before_it_announces_anything(session: Path) -> None:
    result = run("demo", session)
    assert result.exit_code == ExitCode.OUTPUT
    assert result.stderr.startswith("Error: ") and result.stderr.count("\n") == 1


@pytest.mark.parametrize("name", ["tall.dng", "TALL.tif", "readings"])
def test_measure_writes_only_to_json_or_csv(session: Path, name: str) -> None:
    before = tree(session)
    result = run("measure", session, "tall", "--at", "40,50", "--output", session / name)
    assert result.exit_code == ExitCode.OUTPUT and result.stdout == ""
    assert ".json" in result.stderr and ".csv" in result.stderr
    assert tree(session) == before


def test_measure_and_curve_never_replace_a_capture(session: Path) -> None:
    skipped = '[[plate]]\nid = "s"\ncaptures = ["scans/family.PNG", "scans/a.csv"]\nskip = true\n'
    with (session / "session.toml").open("a", encoding="utf-8") as stream:
        stream.write(skipped)
    (session / "scans").mkdir()
    (session / "scans" / "family.PNG").write_bytes(b"an original")
    (session / "scans" / "a.csv").write_bytes(b"another")
    (session / "link").symlink_to("scans")
    readings = session / "r.csv"
    steps = [f"{n},{3 - n * 0.15:.2f},{0.1 + n * 0.08:.2f}" for n in range(1, 20)]
    readings.write_text("\n".join(["step,tablet_density,density", *steps]) + "\n", encoding="utf-8")
    before = tree(session)
    to = ("--output", session / "link" / "a.csv")
    result = run("measure", session, "tall", "--at", "40,50", *to)
    assert result.exit_code == ExitCode.OUTPUT and "a.csv" in result.stderr
    result = run("curve", readings, "--output", session / "link")
    assert result.exit_code == ExitCode.OUTPUT and result.stderr.count("\n") == 1
    assert str(session / "link") in result.stderr
    assert tree(session) == before
    assert run("curve", readings, "--output", session / "curves").exit_code == ExitCode.OK


def test_check_of_nothing_readable_is_input(tmp_path: Path) -> None:
    (tmp_path / "session.toml").write_text(
        '[[plate]]\nid = "p"\ncaptures = ["none.dng"]\n', encoding="utf-8"
    )
    result = run("check", tmp_path)
    assert result.exit_code == ExitCode.INPUT and result.stdout == ""
    assert "none.dng" in result.stderr


def test_a_session_whose_name_is_not_text_is_told_without_a_traceback(tmp_path: Path) -> None:
    if os.name != "posix" or sys.platform == "darwin":
        pytest.skip("names are text on this system")
    folder = Path(os.fsdecode(os.fsencode(tmp_path / "shelf") + b"\xff"))
    done = subprocess.run(
        [sys.executable, "-m", "platebench", "convert", str(folder), "--json"],
        capture_output=True,
        env=environment(),
    )
    assert done.returncode == ExitCode.INPUT
    assert b"shelf\\udcff" in done.stderr and b"Traceback" not in done.stderr


def test_an_unforeseen_fault_is_a_traceback_and_internal(
    session: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*args: object, **kwargs: object) -> None:
        raise ZeroDivisionError("nobody thought of it")

    monkeypatch.setattr("platebench.session.convert_session.load_session", broken)
    result = run("convert", session)
    assert result.exit_code == ExitCode.INTERNAL
    assert isinstance(result.exception, ZeroDivisionError)


def test_running_out_of_memory_is_one_line(session: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def greedy(*args: object, **kwargs: object) -> None:
        raise MemoryError

    monkeypatch.setattr("platebench.session.convert_session.load_session", greedy)
    result = run("convert", session)
    assert result.exit_code == ExitCode.WORKER_LOST
    assert result.stderr == "Error: not enough memory; close other programs, or use --jobs 1\n"


def test_interrupt_is_one_line_and_its_own_code(
    session: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def pressed(*args: object, **kwargs: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("platebench.session.convert_session.load_session", pressed)
    result = run("convert", session)
    assert result.exit_code == ExitCode.INTERRUPTED
    assert result.stderr == "interrupted; finished files are kept, run again to go on\n"
    for place, args in (
        ("platebench.session.check_session.load_session", ("check", session)),
        ("platebench.synthetic.demo.write_demo_session", ("demo", session / "new", "--quiet")),
    ):
        monkeypatch.setattr(place, pressed)
        assert run(*args).stderr == "interrupted; finished files are kept\n"


def test_a_fault_in_one_plate_keeps_the_others_and_its_traceback(
    session: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import platebench.session.convert_plate

    real = platebench.session.convert_plate.convert_plate

    def sometimes(job, **how):  # type: ignore[no-untyped-def]
        if job.plate_id == "tall":
            raise ZeroDivisionError("nobody thought of it")
        return real(job, **how)

    monkeypatch.setattr("platebench.session.convert_plate.convert_plate", sometimes)
    result = run("convert", session, "--jobs", "1")
    assert result.exit_code == ExitCode.PARTIAL
    assert "ZeroDivisionError: nobody thought of it" in result.stderr
    assert "Traceback" not in result.stderr
    report = json.loads((session / "converted" / "report.json").read_bytes())
    assert "nobody thought of it" in report["plates"][1]["error"]["traceback"]


@pytest.mark.skipif(os.name != "posix", reason="needs a pseudo-terminal")
@pytest.mark.parametrize("terminal_is", [{"NO_COLOR": "1"}, {"TERM": "dumb"}], ids=str)
def test_the_progress_bar_is_for_terminals_only(session: Path, terminal_is: dict[str, str]) -> None:
    import pty

    terminal, end = pty.openpty()
    done = subprocess.run(
        [sys.executable, "-m", "platebench", "convert", str(session), "--jobs", "1", "--force"],
        stdout=subprocess.PIPE,
        stderr=end,
        env=environment() | {"TERM": "xterm"} | terminal_is,
    )
    os.close(end)
    shown = b""
    try:
        while piece := os.read(terminal, 4096):
            shown += piece
    except OSError:  # how Linux tells that nobody holds the other end any more
        pass
    os.close(terminal)
    assert done.returncode == ExitCode.OK
    if "TERM" in terminal_is:  # nothing can be drawn over there
        assert b"plates: 3 to do\r\n" in shown and b"\x1b" not in shown
    else:  # https://no-color.org: no colours; a line may still be drawn over
        assert b"plates" in shown and b"3/3" in shown and b"\x1b[" in shown
        assert not re.search(rb"\x1b\[[0-9;]*m", shown)
    assert b"3/3" not in done.stdout and done.stdout.startswith(b"plates: 3 converted\n")


def test_long_and_short_exposures_of_a_bracket_are_only_noted(session: Path) -> None:
    put_plate(session / "long.dng", "wide", exposure_s=1 / 6)
    path = session / "session.toml"
    path.write_text(
        path.read_text(encoding="utf-8").replace('["wide.dng"]', '["wide.dng", "long.dng"]'),
        encoding="utf-8",
    )
    alone = run("check", session, "--jobs", "1", "--json")
    long = next(c for c in json.loads(alone.stdout)["captures"] if c["capture"] == "long.dng")
    topics = {v["topic"]: v["severity"] for v in long["verdicts"]}
    assert topics["clipping"] == "note"
