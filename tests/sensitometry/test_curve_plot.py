"""What ``platebench curve`` draws, the same bytes every time."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from platebench.sensitometry import figures_of, pair_readings, speeds_of
from platebench.sensitometry.curve_plot import draw_curve, draw_family
from platebench.sensitometry.plate_curve import PlateCurve
from platebench.sensitometry.plot_paper import png_of

from ..processes import needs_accents
from .reference_plate import DENSITIES, LOG_H
from .test_curve_command import family, run, tree, write


def test_the_same_readings_give_the_same_bytes(tmp_path: Path) -> None:
    paths = family(tmp_path)
    for name in ("one", "two"):
        run(*paths, "--times", "4,8", "--output", tmp_path / name, "--quiet")
    assert tree(tmp_path / "one") == tree(tmp_path / "two")


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
