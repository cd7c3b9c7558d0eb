"""A finished print beside its aim: time, light and contrast, on invented prints scanned askew."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import tifffile

from platebench.core.errors import ChartError
from platebench.printing.check_print import _compared, _Curve, check_print, load_negative
from platebench.printing.process import response_of
from platebench.synthetic.printing_process import PrintingProcess

from .printed_charts import known_by, print_picture

# A curve of another family than the fit's, exposed until it is just black.
PAPER = PrintingProcess(d_max=1.5, scale=1.3, toe=4.0, shoulder=6.0, exposure=1.85)


@pytest.mark.parametrize(
    ("scene", "stops", "fall", "turned"),
    [
        ("still life", 0.2, 0.15, 1),
        pytest.param("landscape", -0.2, 0.15, 0, marks=pytest.mark.big),
        pytest.param("cup", 0.0, 0.0, 2, marks=pytest.mark.big),
    ],
)
def test_time_and_light_of_a_print(
    tmp_path: Path, scene: str, stops: float, fall: float, turned: int
) -> None:
    scan, film = print_picture(
        tmp_path, PAPER, scene=scene, stops=stops, fall=fall, turned=turned, seed=3
    )
    found = check_print(scan, load_negative(film), known_by(PAPER)).numbers
    # A quarter of the size of what was done to the print, which nothing else in it shares.
    assert found.stops == pytest.approx(stops, abs=0.05)
    assert found.fall == pytest.approx(fall, abs=0.0375)
    assert not fall or found.darker_side == "right"
    assert found.contrast == pytest.approx(1, abs=0.06)


def test_a_weaker_black_is_no_shorter_exposure(tmp_path: Path) -> None:
    weak = replace(PAPER, d_max=1.35)
    scan, film = print_picture(tmp_path, weak, seed=4)
    found = check_print(scan, load_negative(film), known_by(PAPER)).numbers
    assert found.black - found.black_aim == pytest.approx(1.35 - 1.5, abs=0.04)
    assert abs(found.stops) < 0.1


def test_what_is_no_print_of_the_negative(tmp_path: Path) -> None:
    scan, film = print_picture(tmp_path, PAPER)
    known, process = load_negative(film), known_by(PAPER)
    flipped = tmp_path / "flipped.tif"
    tifffile.imwrite(flipped, np.ascontiguousarray(tifffile.imread(scan)[:, ::-1]))
    with pytest.raises(ChartError) as caught:
        check_print(flipped, known, process)
    assert caught.value.path == flipped and "reversed" in caught.value.what
    other = tmp_path / "other.tif"
    noise = np.random.default_rng(1).integers(0, 65535, (700, 900), np.uint16)
    tifffile.imwrite(other, noise)
    with pytest.raises(ChartError) as caught:
        check_print(other, known, process)
    assert caught.value.path == other and "reversed" not in caught.value.what
    with pytest.raises(ChartError):
        load_negative(scan)


def test_one_large_area_whose_tone_is_off_does_not_pass_for_exposure() -> None:
    """Three quarters of a print are one tone that the step chart has 0.015 D wrong."""
    known = known_by(PAPER)
    response = response_of(known)
    curve = _Curve(known, response.d_max)
    tones = np.repeat(np.linspace(0.0, response.d_max, 24), 40)[:, None] * np.ones(1200)
    aim = np.concatenate((tones, np.full((2880, 1200), 0.8)))
    stops = 0.2
    printed = curve.density_at(curve.exposure_of(aim) + stops * np.log10(2))
    printed[len(tones) :] += 0.015
    grain = np.random.default_rng(4).normal(0, 0.01, printed.shape)
    found = _compared(printed + grain, aim, known, response, ()).numbers
    assert found.stops == pytest.approx(stops, abs=0.05)
