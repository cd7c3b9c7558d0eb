"""``platebench curve``: what it prints and writes."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result

from platebench.cli.curve import command
from platebench.core.errors import ReadingsError

from ..refusals import refused
from .reference_plate import BARE_LOG_H, DENSITIES, TABLET

pytestmark = pytest.mark.usefixtures("undrawn")

EXPOSURE = str(10**BARE_LOG_H)


def run(*args: str | Path) -> Result:
    result = CliRunner().invoke(command, [str(arg) for arg in args], catch_exceptions=False)
    assert result.exit_code == 0, result.output
    return result


def write(path: Path, d: object = DENSITIES, sigma: float | None = None) -> Path:
    lines = ["step,tablet_density,density" + (",sigma" if sigma else "")]
    lines += ["fog,,0.10" + (f",{sigma}" if sigma else "")]
    for n, (t, value) in enumerate(zip(TABLET, np.asarray(d), strict=True), 1):
        lines.append(f"{n},{t:.2f},{value:.4f}" + (f",{sigma}" if sigma else ""))
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def tree(folder: Path) -> dict[str, str]:
    return {p.name: hashlib.sha256(p.read_bytes()).hexdigest() for p in sorted(folder.iterdir())}


def family(folder: Path) -> list[Path]:
    # Net densities grow as the law of development says: gamma infinity 1.6, k 0.2 (worked there).
    times = {4: 0.88107, 8: 1.27697}
    return [
        write(folder / f"plate {t}.csv", 0.10 + (DENSITIES - 0.10) * gamma / 0.68118)
        for t, gamma in times.items()
    ]


def test_one_plate(tmp_path: Path) -> None:
    result = run(write(tmp_path / "s2.csv", sigma=0.004), "--exposure", EXPOSURE)
    rows = {line[:30].strip(): line[30:].split() for line in result.stdout.splitlines()}
    assert rows["gamma"][0] == "0.681" and rows["gamma"][1].startswith("+-0.00")
    assert rows["contrast index"][0] == "0.633"
    assert rows["speed at m"][0] == "2/4\N{DEGREE SIGN}"
    assert [name for name in rows if name.startswith("inertia to ")] == [
        "inertia to base plus fog, lx s",
        "inertia to D = 0, lx s",
    ]
    assert "ISO 6" in result.stdout
    written = ["curves.json", "s2-curve.png", "s2-curve.svg"]
    assert sorted(tree(tmp_path / "curves")) == written
    for name in written:
        assert str(tmp_path / "curves" / name) in result.stdout


def test_json_says_what_the_file_says(tmp_path: Path) -> None:
    path = write(tmp_path / "s2.csv", sigma=0.004)
    said = json.loads(run(path, "--exposure", EXPOSURE, "--json").stdout)
    kept = json.loads((tmp_path / "curves" / "curves.json").read_text(encoding="utf-8"))
    assert said.pop("files") and said == kept
    (plate,) = kept["plates"]
    assert plate["log_h_is"] == "lux seconds"
    assert plate["figures"]["gamma"]["value"] == pytest.approx(0.68118, rel=0.01)
    assert 0 < plate["figures"]["gamma"]["sigma"] < 0.01
    assert plate["figures"]["speed_point"]["value"] == pytest.approx(-0.39794, abs=0.01)
    speeds = plate["speeds"]
    assert speeds["point"]["kind"] == "arithmetic speed" and speeds["point"]["standard"] == 2
    to_fog, to_zero = speeds["inertia_to_base_plus_fog"], speeds["inertia_to_zero_density"]
    assert to_fog["hurter_driffield"]["value"] == pytest.approx(89.27, rel=0.02)
    assert to_zero["hurter_driffield"]["value"] == pytest.approx(125.2, rel=0.02)
    assert len(plate["steps"]) == 21


def test_a_relative_exposure_is_told_and_gives_no_iso_nor_hd_speed(tmp_path: Path) -> None:
    result = run(write(tmp_path / "s2.csv"))
    assert "H&D" not in result.stdout.replace("H&D speeds do not convert", "")
    assert "\N{DEGREE SIGN}" not in result.stdout
    (plate,) = json.loads((tmp_path / "curves" / "curves.json").read_text(encoding="utf-8"))[
        "plates"
    ]
    assert plate["speeds"]["point"]["kind"] == "relative speed"
    assert plate["speeds"]["inertia_to_zero_density"] is None


def test_too_contrasty_for_iso_6_is_an_exposure_index(tmp_path: Path) -> None:
    path = write(tmp_path / "hard.csv", 0.10 + 1.4 * (DENSITIES - 0.10))
    result = run(path, "--exposure", EXPOSURE)
    assert "EI " in result.stdout and "\N{DEGREE SIGN}" not in result.stdout
    assert "0.80 +-0.05" in result.stdout


def test_a_nominal_tablet_is_a_warning(tmp_path: Path) -> None:
    path = write(tmp_path / "s2.csv")
    assert "densities are nominal" in run(path, "--tablet", "21").stdout
    assert "densities are nominal" not in run(path).stdout


def test_a_family_gives_the_law_of_development(tmp_path: Path) -> None:
    result = run(*family(tmp_path), "--times", "4,8", "--exposure", EXPOSURE)
    assert "k 0.200 " in result.stdout
    assert "plate 8 against" in result.stdout
    assert "gamma x 1.45" in result.stdout  # 1.27697 / 0.88107
    names = {"family", "time-gamma", "plate 4-curve", "plate 8-curve"}
    drawn = {f"{name}{suffix}" for name in names for suffix in (".png", ".svg")}
    assert set(tree(tmp_path / "curves")) == drawn | {"curves.json"}
    kept = json.loads((tmp_path / "curves" / "curves.json").read_text(encoding="utf-8"))
    assert kept["development"]["gamma_infinity"]["value"] == pytest.approx(1.6, rel=0.01)
    assert [plate["minutes"] for plate in kept["plates"]] == [4, 8]


def test_time_for_a_gamma_that_is_wanted(tmp_path: Path) -> None:
    paths = family(tmp_path)
    result = run(*paths, "--times", "4,8", "--gamma", "1,1.4,1.7")
    # t = -ln(1 - gamma / 1.6) / 0.2, by hand: -ln(0.375) / 0.2 = 4.904; -ln(0.125) / 0.2 = 10.397.
    assert " 4.9 min\n" in result.stdout
    assert " 10.4 min, beyond " in result.stdout
    assert "gamma 1.70 " in result.stdout
    kept = json.loads((tmp_path / "curves" / "curves.json").read_text(encoding="utf-8"))
    minutes = [entry["minutes"] for entry in kept["development"]["minutes_for"]]
    assert minutes[:2] == pytest.approx([4.904, 10.397], rel=0.01) and minutes[2] is None


def test_a_wanted_gamma_needs_times(tmp_path: Path) -> None:
    with refused(ReadingsError, settings=("times",)):
        run(*family(tmp_path), "--gamma", "1")


def test_gammas_that_follow_no_law_are_told_not_fitted(tmp_path: Path) -> None:
    result = run(*family(tmp_path), "--times", "8,4")
    assert "unknown" in result.stdout
    assert not (tmp_path / "curves" / "time-gamma.png").exists()


def test_quiet_is_quiet(tmp_path: Path) -> None:
    assert run(write(tmp_path / "s2.csv"), "--quiet").output == ""


def test_readings_are_left_as_they_are(tmp_path: Path) -> None:
    path = write(tmp_path / "s2.csv")
    before = path.read_bytes()
    run(path, "--quiet")
    assert path.read_bytes() == before


def test_plates_of_the_same_name_keep_apart(tmp_path: Path) -> None:
    for folder in ("a", "b"):
        (tmp_path / folder).mkdir()
    paths = [write(tmp_path / "a" / "p.csv"), write(tmp_path / "b" / "P.csv")]
    run(*paths, "--output", tmp_path / "out", "--quiet")
    assert {"p-curve.png", "P (2)-curve.png", "family.png"} <= set(tree(tmp_path / "out"))
