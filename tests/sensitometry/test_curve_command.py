"""``platebench curve``: what it prints, what it draws, the same bytes every time."""

from __future__ import annotations

import hashlib
import json
import xml.etree.ElementTree as ET
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner, Result
from PIL import Image

from platebench.cli.curve import command
from platebench.core.errors import ReadingsError
from platebench.sensitometry import figures_of, pair_readings, speeds_of
from platebench.sensitometry.curve_plot import draw_curve, draw_family
from platebench.sensitometry.plate_curve import PlateCurve
from platebench.sensitometry.plot_paper import png_of

from ..processes import needs_accents
from ..refusals import refused
from .reference_plate import BARE_LOG_H, DENSITIES, LOG_H, TABLET

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
    assert "ISO 6's other conditions were not tested" in " ".join(result.stdout.split())
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
    assert "the exposure is relative" in result.stdout
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
    assert "gamma infinity 1.60, velocity constant k 0.200 " in result.stdout
    assert "plate 8 against plate 4: " in result.stdout
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
    assert "for gamma 1.00 develop 4.9 min\n" in result.stdout
    assert "for gamma 1.40 develop 10.4 min, beyond the times tried" in result.stdout
    assert "gamma 1.70 is not reached: gamma infinity is 1.60" in result.stdout
    kept = json.loads((tmp_path / "curves" / "curves.json").read_text(encoding="utf-8"))
    minutes = [entry["minutes"] for entry in kept["development"]["minutes_for"]]
    assert minutes[:2] == pytest.approx([4.904, 10.397], rel=0.01) and minutes[2] is None


def test_a_wanted_gamma_needs_times(tmp_path: Path) -> None:
    with refused(ReadingsError, settings=("times",)):
        run(*family(tmp_path), "--gamma", "1")


def test_gammas_that_follow_no_law_are_told_not_fitted(tmp_path: Path) -> None:
    result = run(*family(tmp_path), "--times", "8,4")
    assert "gamma infinity stays unknown" in result.stdout
    assert not (tmp_path / "curves" / "time-gamma.png").exists()


def test_the_same_readings_give_the_same_bytes(tmp_path: Path) -> None:
    paths = family(tmp_path)
    for name in ("one", "two"):
        run(*paths, "--times", "4,8", "--output", tmp_path / name, "--quiet")
    assert tree(tmp_path / "one") == tree(tmp_path / "two")


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


@pytest.mark.parametrize(
    "name", ["$x^2$", pytest.param("plate 乾板", marks=needs_accents), "a" * 90, "50 % <b>"]
)
def test_any_name_can_be_drawn(name: str, tmp_path: Path) -> None:
    run(write(tmp_path / f"{name}.csv"), "--quiet")
    ET.parse(tmp_path / "curves" / f"{name}-curve.svg")


def plate(name: str = "S2", d: object = DENSITIES, **more: Any) -> PlateCurve:
    readings = pair_readings(name, LOG_H, d, absolute=True, base_fog=0.10, **more)  # type: ignore[arg-type]
    figures = figures_of(readings)
    return PlateCurve(name=name, figures=figures, speeds=speeds_of(figures))


@pytest.mark.parametrize("contrast", [0.4, 1.0, 2.4])
def test_a_log_unit_is_as_long_as_a_unit_of_density(contrast: float) -> None:
    for sheet in (
        draw_curve(plate(d=0.10 + contrast * (DENSITIES - 0.10))),
        draw_family([plate(), plate("other", 0.10 + contrast * (DENSITIES - 0.10))]),
    ):
        (axes,) = sheet.axes
        origin, right, up = axes.transData.transform([(0, 0), (1, 0), (0, 1)])
        assert right[0] - origin[0] == pytest.approx(up[1] - origin[1], rel=1e-6)


def test_the_drawing_holds_what_sensitometry_books_draw() -> None:
    drawn = plate()
    (axes,) = draw_curve(drawn).axes
    said = {text.get_text() for text in axes.texts}
    assert {"m", "n", "i", "i₀", "base plus fog 0.10", "S2"} <= said
    assert any(text.startswith("\N{GREEK SMALL LETTER GAMMA} = 0.68") for text in said)
    assert "log H" in axes.get_xlabel() and "density" in axes.get_ylabel()
    places = [tuple(np.ravel(line.get_xydata())) for line in axes.lines]
    # Speed point and inertia, where the reference plate has them.
    assert any(p == pytest.approx((-0.39794, 0.20), abs=0.003) for p in places if len(p) == 2)
    assert any(p == pytest.approx((-0.41922, 0.10), abs=0.003) for p in places if len(p) == 2)
    assert any(p == pytest.approx((-0.56603, 0.0), abs=0.003) for p in places if len(p) == 2)


def test_letters_stay_on_the_paper() -> None:
    for sheet in (draw_curve(plate()), draw_family([plate("a" * 40), plate("b", DENSITIES * 1.4)])):
        sheet.canvas.draw()
        paper = sheet.bbox
        for text in sheet.axes[0].texts:
            box = text.get_window_extent()
            assert box.x0 >= paper.x0 and box.x1 <= paper.x1 and box.y1 <= paper.y1, text


def test_the_curve_is_drawn_in_ink_where_its_densities_are(tmp_path: Path) -> None:
    sheet = draw_curve(plate())
    (axes,) = sheet.axes
    path = tmp_path / "s2.png"
    path.write_bytes(png_of(sheet))
    pixels = np.asarray(Image.open(path).convert("L"))
    # Between two steps, so that no ring hides it: D of the formula at log H 1.775.
    at = axes.transData.transform([(1.775, 1.5695)])[0] * 200 / sheet.dpi
    row, col = pixels.shape[0] - 1 - round(at[1]), round(at[0])
    assert pixels[row - 3 : row + 4, col].min() < 80
    assert pixels[row - 40, col - 40] > 200
