"""Step readings and tablets from files: ways to write them, ways to get them wrong."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from platebench.cli import main
from platebench.cli.curve import command
from platebench.core.errors import ReadingsError
from platebench.sensitometry.step_files import NOMINAL, load_readings, load_tablet

from .reference_plate import BARE_LOG_H, DENSITIES, LOG_H, TABLET

DOCS = Path(__file__).parents[2] / "docs"


def table(*rows: str) -> str:
    return "\n".join(rows) + "\n"


def steps_csv(header: str = "step,tablet_density,density", *more: str) -> str:
    pairs = zip(TABLET, DENSITIES, strict=True)
    rows = [f"{n},{t:.2f},{d:.4f}" for n, (t, d) in enumerate(pairs, 1)]
    return table(header, *rows, *more)


def put(folder: Path, text: str | bytes, name: str = "plate.csv") -> Path:
    path = folder / name
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def test_a_csv_of_steps(tmp_path: Path) -> None:
    readings = load_readings(put(tmp_path, steps_csv()), exposure_lxs=10**BARE_LOG_H)
    assert readings.absolute and readings.sigma is None and readings.base_fog is None
    assert readings.log_h == pytest.approx(LOG_H[::-1])
    assert readings.density == pytest.approx(DENSITIES[::-1])


def test_without_an_exposure_it_is_relative_to_the_bare_tablet(tmp_path: Path) -> None:
    readings = load_readings(put(tmp_path, steps_csv()))
    assert not readings.absolute
    assert readings.log_h == pytest.approx(-TABLET[::-1])


@pytest.mark.parametrize(
    "text",
    [
        "\ufefftablet_density,density\n0.05,1.40\n1.55,0.30\n",
        "Tablet density; Density \r\n0,05;1,40\r\n1,55;0,30\r\n",
        "# read on Tuesday\n\ntablet_density\tdensity\n0.05\t1.40\n\n1.55\t0.30\n",
        "density,tablet_density\n1.40,0.05\n0.30,1.55\n",
    ],
    ids=["byte order mark", "decimal commas", "tabs and remarks", "columns turned round"],
)
def test_ways_to_write_a_table(tmp_path: Path, text: str) -> None:
    readings = load_readings(put(tmp_path, text))
    assert readings.log_h == pytest.approx([-1.55, -0.05])
    assert readings.density == pytest.approx([0.30, 1.40])


def test_steps_of_a_named_tablet(tmp_path: Path) -> None:
    path = put(tmp_path, "step,density\n3,1.20\n11,0.40\n")
    readings = load_readings(path, tablet=load_tablet("21"))
    assert readings.log_h == pytest.approx([-(0.05 + 10 * 0.15), -(0.05 + 2 * 0.15)])
    readings = load_readings(path, tablet=load_tablet("31"))
    assert readings.log_h == pytest.approx([-(0.05 + 10 * 0.10), -(0.05 + 2 * 0.10)])


def test_nominal_tablets_are_half_and_third_stops_from_0_05_to_3_05() -> None:
    for name, step in (("21", 0.15), ("31", 0.10)):
        assert len(NOMINAL[name]) == int(name)
        assert NOMINAL[name][0] == 0.05 and NOMINAL[name][-1] == 3.05
        assert np.diff(NOMINAL[name]) == pytest.approx(step)
        assert load_tablet(name).nominal


def test_a_calibrated_tablet_brings_its_densities_and_errors(tmp_path: Path) -> None:
    tablet = load_tablet(
        str(put(tmp_path, "step,density,sigma\n1,0.07,0.01\n2,1.11,0.02\n", "t.csv"))
    )
    assert not tablet.nominal
    path = put(tmp_path, "step,density\n1,1.5\n2,0.4\n")
    readings = load_readings(path, tablet=tablet)
    assert readings.log_h == pytest.approx([-1.11, -0.07])
    assert readings.log_h_sigma == pytest.approx([0.02, 0.01])


def test_a_row_called_fog_is_base_plus_fog(tmp_path: Path) -> None:
    text = table(
        "step,tablet_density,density,sigma",
        "fog,,0.11,0.01",
        "1,0,1.5,0.01",
        "fog,,0.13,0.01",
        "2,1,0.6,0.01",
    )
    readings = load_readings(put(tmp_path, text))
    assert readings.base_fog == pytest.approx(0.12)
    assert readings.base_fog_sigma == pytest.approx(0.01 / math.sqrt(2))
    assert readings.log_h.size == 2
    assert load_readings(put(tmp_path, text), base_fog=0.2).base_fog == 0.2


def test_json_of_a_tablet_reading(tmp_path: Path) -> None:
    steps = [
        {"step": 1, "density": 1.4, "density_sigma": 0.01, "calibration_sigma": 0.03, "red": None},
        {"step": 2, "density": 0.5, "sigma": 0.02, "calibration_sigma": 0.01},
    ]
    for step, tablet_density in zip(steps, (0.05, 1.05), strict=True):
        step["tablet_density"] = tablet_density
    document = {"calibrated": False, "base_fog": 0.1, "base_fog_sigma": 0.004, "steps": steps}
    path = put(tmp_path, json.dumps(document), "plate.json")
    readings = load_readings(path, exposure_lxs=100.0)
    assert readings.log_h == pytest.approx([0.95, 1.95])
    assert readings.sigma == pytest.approx([0.02, 0.01])
    assert readings.common_sigma == pytest.approx([0.01, 0.03])
    assert (readings.base_fog, readings.base_fog_sigma) == (0.1, 0.004)
    assert "calibration" in readings.notes[0]


def test_exposures_may_be_given_themselves(tmp_path: Path) -> None:
    path = put(tmp_path, "log_h_lxs,density\n-1,0.2\n1,1.4\n")
    readings = load_readings(path)
    assert readings.absolute and readings.log_h == pytest.approx([-1, 1])
    path = put(tmp_path, "log_h,density\n-3,0.2\n-1,1.4\n")
    assert not load_readings(path).absolute
    assert load_readings(path, exposure_lxs=10.0).log_h == pytest.approx([-2, 0])


# What is documented, made to happen. Each is the text of plate.csv, or what else is called.
HEAD = "tablet_density,density\n"
Wrong = str | bytes | Callable[[Path], list[str]]


def json_text(document: object) -> Callable[[Path], list[str]]:
    return lambda folder: [str(put(folder, json.dumps(document), "plate.json"))]


def with_options(*options: str, text: str = "") -> Callable[[Path], list[str]]:
    return lambda folder: [str(put(folder, text or steps_csv())), *options]


def with_tablet(text: str) -> Callable[[Path], list[str]]:
    def make(folder: Path) -> list[str]:
        plate = put(folder, "step,density\n1,1.4\n2,0.3\n")
        return [str(plate), "--tablet", str(put(folder, text, "tablet.csv"))]

    return make


def two_plates(*options: str, first: str = "", second: str = "") -> Callable[[Path], list[str]]:
    def make(folder: Path) -> list[str]:
        one = put(folder, first or steps_csv(), "a.csv")
        return [str(one), str(put(folder, second or steps_csv(), "b.csv")), *options]

    return make


WRONG: dict[str, Wrong] = {
    "no such file": lambda folder: [str(folder / "plate.csv")],
    "a folder, or no permission": lambda folder: [str(folder)],
    "not text": b"\xff\xfe\x00step",
    "over 1 MB": "#" * (1 << 20) + "##",
    "nothing in it": "\n# no steps yet\n",
    "a column not known": "tablet,density\n0.05,1\n",
    "a decimal comma between commas": HEAD + "0,05,1,4\n",
    "a cell without end": HEAD + "0.05," + "1" * 200_000,
    "no number": HEAD + "0.05,dense\n1.55,0.3\n",
    "a figure left out": HEAD + "0.05,1.4\n1.55,\n",
    "no tablet": "step,density\n1,1.4\n2,0.3\n",
    "a step the tablet lacks": with_options("--tablet", "21", text="step,density\n1,1.4\n22,0.3\n"),
    "no such tablet": with_options("--tablet", "41"),
    "a tablet without densities": with_tablet("step,tablet_density\n1,0.05\n2,\n"),
    "a tablet's step twice": with_tablet("step,tablet_density\n1,0.05\n1,0.20\n"),
    "exposures given twice": with_options("--exposure", "9", text="log_h_lxs,density\n0,1\n1,2\n"),
    "JSON damaged": lambda folder: [str(put(folder, '{"steps": [', "plate.json"))],
    "JSON of something else": json_text({"plates": []}),
    "not a number in JSON": json_text({"steps": [{"tablet_density": "0.05", "density": 1.0}]}),
    "base plus fog in JSON": json_text({"steps": [], "base_fog": True}),
    "no step": HEAD,
    "one step": HEAD + "0.05,1.4\n",
    "infinite or not a number": HEAD + "0.05,nan\n1.55,0.3\n",
    "a slip of the pen": HEAD + "0.05,140\n1.55,0.3\n",
    "sigma below 0": "tablet_density,density,sigma\n0.05,1.4,-0.1\n1.55,0.3,0.1\n",
    "the tablet the wrong way round": HEAD + "0.05,0.2\n0.20,0.5\n0.35,0.9\n0.50,1.4\n",
    "falls that no step or two explain": HEAD + "0.05,1.2\n0.20,1.4\n0.35,1.1\n0.50,0.8\n",
    "densities without order": HEAD
    + "0.05,1.2\n0.20,0.4\n0.35,1.1\n0.50,0.3\n0.65,1.3\n0.80,0.2\n0.95,0.9\n1.10,1.4\n",
    "a step to set aside that no file has": with_options("--set-aside", "40"),
    "no picture of the tablet": HEAD + "0.05,0.14\n0.20,0.13\n0.35,0.12\n",
    "base plus fog from elsewhere": with_options("--base-fog", "0.6"),
    "one plate's exposure known, another's not": two_plates(second="log_h_lxs,density\n0,1\n1,2\n"),
    "counts of `--exposure`, `--base-fog`": two_plates("--base-fog", "0.1,0.1,0.1"),
    "count of `--times`": two_plates("--times", "5"),
    "gammas asked for, all `--times` alike": two_plates("--times", "5,5", "--gamma", "0.9"),
    "gammas asked for without times": two_plates("--gamma", "0.9"),
}


def documented() -> dict[str, str]:
    section = (
        (DOCS / "errors.md").read_text(encoding="utf-8").partition("`ReadingsError` (10, INPUT)")[2]
    )
    rows = re.findall(r"^\| (.+?) \| `(.+)` \|$", section.partition("\n## ")[0], re.MULTILINE)
    return dict(rows)


def test_all_that_is_documented_is_tested_and_the_other_way_round() -> None:
    assert set(documented()) == set(WRONG)


@pytest.mark.parametrize("case", WRONG)
def test_bad_input_is_one_clear_error_and_nothing_is_written(case: str, tmp_path: Path) -> None:
    inputs = tmp_path / "in"
    inputs.mkdir()
    wrong = WRONG[case]
    arguments = wrong(inputs) if callable(wrong) else [str(put(inputs, wrong))]
    output = tmp_path / "out"
    result = CliRunner().invoke(main, ["curve", *arguments, "--output", str(output)])
    assert result.exit_code == ReadingsError.exit_code, result.output
    pattern = ".+?".join(re.escape(part) for part in documented()[case].split("…"))
    assert re.fullmatch(f"Error: {pattern}\n", result.stderr), result.stderr
    assert not output.exists()
    assert result.stdout == ""


@pytest.mark.parametrize(
    "options",
    [("--exposure", "-3"), ("--exposure", "abs"), ("--times", "3,,6"), ("--base-fog", "nan")],
)
def test_bad_options_are_usage_errors(options: tuple[str, str], tmp_path: Path) -> None:
    result = CliRunner().invoke(command, [str(put(tmp_path, steps_csv())), *options])
    assert result.exit_code == 2
    assert "is no positive number" in result.output


def test_a_spoiled_file_never_gives_a_traceback(tmp_path: Path) -> None:
    for seed in range(40):
        rng = np.random.default_rng(seed)
        content = bytearray(steps_csv().encode())
        for _ in range(int(rng.integers(1, 30))):
            content[int(rng.integers(len(content)))] = int(rng.integers(256))
        try:
            load_readings(put(tmp_path, bytes(content)))
        except ReadingsError as error:
            assert len(str(error).splitlines()) == 1, seed
