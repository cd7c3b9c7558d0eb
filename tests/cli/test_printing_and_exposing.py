"""The commands which-print, expose and develop-log, as a person calls them."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from platebench.cli import develop_log, expose, which_print
from platebench.core.cautions import CAUTIONS
from platebench.core.errors import MissingProfileError, SessionFolderError, SettingsFileError
from platebench.printing.process_file import load_processes, process_folders
from platebench.session.convert_session import convert_session

from ..session_files import write_session

COMMANDS = {
    "which-print": which_print.command,
    "expose": expose.command,
    "develop-log": develop_log.command,
}


@pytest.fixture(autouse=True)
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Keep the settings of whoever runs the tests out of them."""
    folder = tmp_path / "home"
    monkeypatch.setattr("click.get_app_dir", lambda name: str(folder / name))
    return folder / "platebench"


def run(name: str, *args: str | Path) -> Result:
    return CliRunner().invoke(
        COMMANDS[name], [str(a) for a in args], prog_name=f"platebench {name}"
    )


@pytest.mark.parametrize("name", COMMANDS)
def test_help_explains_every_option_and_shows_examples(name: str) -> None:
    result = run(name, "--help")
    assert (
        result.exit_code == 0 and f"platebench {name} " in result.stdout.partition("Examples:")[2]
    )
    command = COMMANDS[name]
    assert command.help and command.short_help
    for parameter in command.params:
        if parameter.param_type_name == "option":
            assert getattr(parameter, "help", None), parameter.name


# --- which-print


@pytest.fixture(scope="module")
def session(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = write_session(tmp_path_factory.mktemp("session") / "shelf")
    convert_session(folder, workers=1)
    return folder


def test_many_plates_are_told_a_line_each_and_one_in_full(session: Path, tmp_path: Path) -> None:
    told = run("which-print", session).stdout
    document = json.loads(run("which-print", session, "--json").stdout)
    lines = told.splitlines()
    assert lines[0].split()[:2] == ["plate", "range"] and "in blue" not in lines[0]
    assert lines[4] == "" and len(lines) < 20
    for line, plate in zip(lines[1:4], document["plates"], strict=True):
        words = line.split()
        assert words[:2] == [plate["plate"], f"{plate['density_range']:.2f}"]
        named = [part.split(" (")[0] for part in " ".join(words[2:]).split(", ")]
        assert named == plate["suits"] != []
    flat = " ".join(told.split())
    assert "safety data sheet" in flat
    assert f"which-print {session} dense, or --detail" in flat
    for asked in (("dense",), ("--detail",)):
        assert "Suits as it is" in run("which-print", session, *asked).stdout
    # a doubt, and a range nothing takes up: 3.5 is longer than carbon's 2.5
    for path in (session / "converted" / "plates").glob("*.json"):
        record = json.loads(path.read_text(encoding="utf-8"))
        record["result"]["densities"]["density_range"] = 3.5
        record["result"]["doubtful"] = path.stem == "tall"
        if path.stem == "wide":
            record["result"]["stain"] = None  # as of a scan in grey
        (tmp_path / "plates").mkdir(exist_ok=True)
        (tmp_path / "plates" / path.name).write_text(json.dumps(record), encoding="utf-8")
    told = run("which-print", session, "--output", tmp_path).stdout
    assert "\ntall?" in told and "dense?" not in told and "?: " in told
    assert "wide: blue " in told
    assert told.count(": carbon, 1.00 ") == 3


def test_advice_for_a_converted_session(session: Path) -> None:
    result = run("which-print", session, "--detail")
    assert result.exit_code == 0, result.exception
    for plate in ("dense", "tall", "wide"):
        assert f"\n{plate}: density range " in f"\n{result.stdout}"
    assert result.stdout.count("Compared: visual (green) density") == 3
    assert "Suits as it is" in result.stdout and "Needs a print negative" in result.stdout
    flat = " ".join(result.stdout.split())
    assert "from memory" in flat
    for part in ("safety data sheet", "HCN", "chromium(VI)", "Silver nitrate", "nearest ISO R"):
        assert part in flat


def test_advice_as_json_follows_the_record(session: Path) -> None:
    document = json.loads(run("which-print", session, "dense", "--json").stdout)
    (plate,) = document["plates"]
    record = json.loads(
        (session / "converted" / "plates" / "dense.json").read_text(encoding="utf-8")
    )["result"]
    assert plate["plate"] == "dense"
    assert plate["density_range"] == record["densities"]["density_range"]
    for one in plate["advice"]:
        assert one["density_used"] == "visual" and one["density_note"]
        scale = one["exposure_scale"]
        assert one["overflow"] == pytest.approx(
            plate["density_range"] - scale["typical"]["value"], abs=2e-3
        )
        assert all(number["status"] for number in scale.values())
    assert any("safety data sheet" in text for text in document["cautions"])


def test_own_profiles_win_beside_the_session_then_in_the_settings(
    session: Path, home: Path
) -> None:
    def typical() -> tuple[float, str]:
        said = json.loads(run("which-print", session, "--process", "carbon", "--json").stdout)
        (one,) = said["plates"][0]["advice"]
        return one["exposure_scale"]["typical"]["value"], one["marks"]

    text = '[exposure_scale]\ntypical = {}\nlow = 1\nhigh = 2\nstatus = "tested"\n'
    assert typical()[0] == 1.0  # of its 1.0 to 2.5 the nearest to the plate
    (home / "process").mkdir(parents=True)
    (home / "process" / "carbon.toml").write_text(text.format(1.31), encoding="utf-8")
    assert typical() == (1.31, "your own test")
    (session / "process").mkdir()
    own = session / "process" / "carbon.toml"
    own.write_text(text.format(1.47), encoding="utf-8")
    assert typical() == (1.47, "your own test")
    own.unlink()
    own.parent.rmdir()


def test_bad_input_to_which_print(session: Path, tmp_path: Path) -> None:
    assert isinstance(run("which-print", tmp_path).exception, SessionFolderError)
    assert isinstance(run("which-print", session, "nope").exception, SessionFolderError)
    unknown = run("which-print", session, "--process", "daguerreotype")
    assert isinstance(unknown.exception, MissingProfileError)
    assert "carbon" in unknown.exception.known and unknown.stdout == ""
    assert unknown.exception.name == "daguerreotype"
    for name, meant in (
        ("cyanotype", "cyanotype-citrate or cyanotype-oxalate"),
        ("Albumin", "albumen"),
        ("salt", "salted-paper"),
    ):
        error = run("which-print", session, "--process", name).exception
        assert f"; did you mean {meant}? the profiles there are: albumen, " in str(error)


def cautions_of(told: str) -> set[str]:
    """Return the hazards that are cautioned against, in small letters."""
    said = "\n" + told.partition("\nCautions\n")[2]
    return {h for h in CAUTIONS if f"\n  {h[0].upper()}{h[1:]}: " in said}


def test_of_one_plate_the_answer_comes_first(session: Path) -> None:
    result = run("which-print", session, "dense")
    (plate,) = json.loads(run("which-print", session, "dense", "--json").stdout)["plates"]
    lines = result.stdout.splitlines()
    assert lines[0].startswith("dense: density range") and lines[1] == "  Suits as it is"
    suits = [one for one in plate["advice"] if one["verdict"] == "suits"]
    assert 0 < len(suits) < len(plate["advice"])
    # the name to type, then the spoken one
    rows = [line for line in lines[2:] if line.startswith("    ") and line[4] != " "]
    for line, one in zip(rows, suits, strict=False):
        assert line.split()[0] == one["process"] and one["title"] in line
    profiles = load_processes(process_folders(None, None))
    needed = {p.name: set(p.hazards) for p in profiles}
    settable = [one for one in plate["advice"] if one["verdict"] == "adjustable"]
    wanted = set().union(*(needed[one["process"]] for one in (*suits, *settable)))
    assert cautions_of(result.stdout) == wanted
    assert len(lines) < 80 and "Where the scales come from:" not in result.stdout
    last = " ".join(result.stdout.partition("With --detail")[2].split())
    every = set().union(*needed.values())  # not those of plates alone, such as intensifiers
    for hazard in every - wanted:
        assert hazard in last
    assert cautions_of(run("which-print", session, "dense", "--detail").stdout) == every
    # what is asked for by name is cautioned against, whether it suits or not
    for process in ("carbon", "platinum", "silver-gelatin"):
        told = run("which-print", session, "dense", "--process", process).stdout
        assert cautions_of(told) == needed[process]


def test_where_nothing_suits_the_nearest_keeps_its_cautions(session: Path, tmp_path: Path) -> None:
    record = json.loads(
        (session / "converted" / "plates" / "dense.json").read_text(encoding="utf-8")
    )
    record["result"]["densities"]["density_range"] = 3.5
    (tmp_path / "plates").mkdir()
    (tmp_path / "plates" / "dense.json").write_text(json.dumps(record), encoding="utf-8")
    told = run("which-print", session, "--output", tmp_path, "dense").stdout
    assert "Suits as it is" not in told and "\n    carbon " in told
    assert cautions_of(told) == {"glass", "dichromate", "ultraviolet"}  # as its profile lists


def test_a_stained_plate_is_compared_by_blue_and_told_once(session: Path, tmp_path: Path) -> None:
    record = json.loads(
        (session / "converted" / "plates" / "dense.json").read_text(encoding="utf-8")
    )
    measured = record["result"]["densities"]
    measured["blue_range"] = blue = round(1.2 * measured["density_range"], 3)
    (tmp_path / "plates").mkdir()
    (tmp_path / "plates" / "dense.json").write_text(json.dumps(record), encoding="utf-8")
    told = run("which-print", session, "--output", tmp_path).stdout
    assert f" {blue:.2f}\n" in told
    assert told.count("Compared: ") == 1
    document = json.loads(run("which-print", session, "--output", tmp_path, "--json").stdout)
    for one in document["plates"][0]["advice"]:
        assert one["density_used"] == "blue" and one["density_range"] == blue


# --- expose


def test_an_exposure_is_told_with_its_reasons() -> None:
    result = run("expose", "--ev", "7", "--f", "f/16")
    assert result.exit_code == 0
    # EV 7, f/16: 2 s at ISO 100, 100 s at ISO 2; between one and two minutes: 100 * 100 / 60 s.
    assert result.stdout.startswith("give f/16  2 min 45 s, for 1 min 40 s without reciprocity")
    said = " ".join(result.stdout.split())
    assert "common practice" in said


@pytest.mark.parametrize(
    ("args", "given_s"),
    [
        (["--ev", "7", "--f", "16", "--no-reciprocity"], 100),
        (["--meter-f", "16", "--meter-time", "2"], 100 * 100 / 60),
        (["--meter-f", "16", "--meter-time", "2", "--meter-iso", "200"], 400),  # 200 s metered
        (["--meter-f", "8", "--meter-time", "1/2", "--f", "16", "--rating", "4"], 50),
        (["--ev", "8", "--f", "16", "--p", "0.80", "--stops", "-2.3219280948873623"], 17.78),
        (["--ev", "8", "--f", "16", "--p", "0.86", "--plus-one"], 95.73),  # 51 ** (1 / 0.86) - 1
        (["--ev", "8", "--f", "16", "--added", "0.169", "--stops", "1"], 393.7),
        (["--ev", "14", "--f", "16", "--extension", "300", "--focal", "150"], 3.125),
        (["--ev", "14", "--f", "16", "--extension", "12in", "--focal", "15.24 cm"], 3.125),
        (["--ev", "14", "--f", "16", "--extension", '12"', "--focal", "152.4"], 3.125),
    ],
)
def test_exposures(args: list[str], given_s: float) -> None:
    # Worked by hand: t = N^2 / 2^EV * 100 / rating * (v / f)^2 * 2^stops, then the rule named.
    document = json.loads(run("expose", *args, "--json").stdout)
    assert document["exposure"]["given_s"] == pytest.approx(given_s, rel=5e-4)
    assert document["note"] and all(reason["mark"] for reason in document["reasons"])


def test_a_table_of_ones_own(tmp_path: Path) -> None:
    table = tmp_path / "batch.csv"
    table.write_text("metered_s,given_s\n10,10\n100,333\n", encoding="utf-8")
    result = run("expose", "--ev", "7", "--f", "16", "--table", table, "--json")
    assert json.loads(result.stdout)["exposure"]["given_s"] == pytest.approx(333)
    too_long = run("expose", "--ev", "6", "--f", "16", "--table", table)
    assert too_long.exit_code == 2 and "100" in too_long.stderr
    missing = run("expose", "--ev", "6", "--f", "16", "--table", tmp_path / "none.csv")
    assert isinstance(missing.exception, SettingsFileError)


@pytest.mark.parametrize(
    ("args", "part"),
    [
        ([], "--f"),
        (["--f", "16"], "reading"),
        (["--meter-f", "16"], "reading"),
        (["--ev", "9"], "--f"),
        (["--ev", "9", "--meter-f", "8", "--meter-time", "1"], "give one"),
        (["--ev", "nan", "--f", "8"], "from -20 to 30"),
        (["--ev", "9", "--f", "0"], "from 0.5 to 1000"),
        (["--ev", "9", "--f", "8", "--rating", "fast"], "from 0.001"),
        (["--ev", "9", "--f", "8", "--light", "moon"], "general"),
        (["--ev", "9", "--f", "8", "--p", "0.2"], "from 0.5 to 1"),
        (["--ev", "9", "--f", "8", "--p", "0.8", "--added", "0.1"], "--added"),
        (["--ev", "9", "--f", "8", "--plus-one"], "--plus-one"),
        (["--ev", "9", "--f", "8", "--extension", "200"], "focal length"),
        (["--ev", "9", "--f", "8", "--extension", "far", "--focal", "150"], "8.25 in"),
        (["--ev", "9", "--f", "8", "--extension", "90", "--focal", "150"], "focal length"),
        (["--ev", "-18", "--f", "64"], "week"),
        (["--meter-f", "8", "--meter-time", "soon"], "'soon'"),
    ],
)
def test_exposures_that_cannot_be(args: list[str], part: str) -> None:
    result = run("expose", *args)
    assert result.exit_code == 2 and result.stdout == ""
    assert part in " ".join(result.stderr.split())


def test_every_light_named_by_the_rules_can_be_chosen() -> None:
    from platebench.exposing.exposure import LIGHTS

    assert tuple(LIGHTS) == expose._LIGHTS


# --- develop-log


def test_a_plate_is_noted_and_warned_of(tmp_path: Path) -> None:
    log = tmp_path / "log.csv"
    args = ["--plate", "12", "--develop", "5m@20.5C", "--wash", "5m", "--day", "2026-03-01"]
    result = run("develop-log", log, *args)
    assert result.exit_code == 0
    assert result.stderr.startswith("Warning: plate 12: wash: 5 min is shorter than 10 min")
    assert "5 min at 20.5 °C" in result.stdout and "safety data sheet" in result.stdout
    assert "2026-03-01,12,develop,300,20.5,," in log.read_text(encoding="utf-8")


def test_a_plate_noted_as_json(tmp_path: Path) -> None:
    (tmp_path / "own.toml").write_text("[fix]\nwarmest_c = 22\n", encoding="utf-8")
    args = ["--plate", "7", "--fix", "4m@24", "--limits", tmp_path / "own.toml"]
    document = json.loads(run("develop-log", *args, "--json").stdout)
    assert document["steps"] == [{"step": "fix", "time_s": 240.0, "temperature_c": 24.0}]
    (warning,) = document["warnings"]
    assert all(part in warning for part in ("fix", "24 °C", "22 °C", "own.toml"))
    assert document["log"] is None and document["cautions"]


def test_limits_in_the_settings_folder_count(home: Path) -> None:
    home.mkdir(parents=True)
    (home / "developing.toml").write_text("[fix]\nwarmest_c = 22\n", encoding="utf-8")
    assert "22 °C" in run("develop-log", "--plate", "7", "--fix", "4m@24").stderr


def test_the_checklist_is_printed() -> None:
    result = run("develop-log", "--checklist", "--plate", "12")
    assert result.exit_code == 0
    assert "[ ] DEVELOP  5 min " in result.stdout and "[ ] Glass" in result.stdout
    steps = json.loads(run("develop-log", "--checklist", "--json").stdout)["steps"]
    assert [step["time_s"] for step in steps] == [300, 60, 300, 600, 43200]


@pytest.mark.parametrize(
    ("args", "part"),
    [
        ([], "--plate"),
        (["--plate", "1"], "step"),
        (["--develop", "5m"], "--plate"),
        (["--plate", "1", "--develop", "long"], "'long'"),
        (["--plate", "1", "--develop", "5m@hot"], "from -5 to 60"),
        (["--plate", "1", "--develop", "5m@99"], "from -5 to 60"),
        (["--plate", "1\n2", "--develop", "5m"], "control"),
        (["--plate", "1", "--develop", "5m", "--day", "soon"], "soon"),
    ],
)
def test_notes_that_cannot_be(args: list[str], part: str) -> None:
    result = run("develop-log", *args)
    assert result.exit_code == 2 and result.stdout == ""
    assert part in " ".join(result.stderr.split())


def test_quiet_says_warnings_only() -> None:
    result = run("develop-log", "--plate", "1", "--wash", "1m", "--quiet")
    assert result.stdout == "" and result.stderr.startswith("Warning: ")
    assert run("expose", "--ev", "9", "--f", "8", "--quiet").stdout == ""
