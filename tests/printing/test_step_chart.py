"""The chart itself: what is where, and that nothing can pass for something else."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest

from platebench.core.errors import ChartError
from platebench.core.files import hash_file
from platebench.printing.chart_sheet import MARKERS, draw_chart, write_chart
from platebench.printing.process import PrintResponse
from platebench.printing.process_file import load_process, process_folders
from platebench.printing.step_chart import (
    COLUMNS,
    HEIGHT,
    LEVELS,
    ROWS,
    WIDTH,
    chart_to_json,
    corrected_chart,
    load_chart,
    patch_box,
    plain_chart,
    white_box,
)

from ..refusals import refused

S_CURVE = PrintResponse(ink=(0, 0.3, 0.6, 0.8, 1), density=(1.4, 1.35, 0.7, 0.1, 0.0))


@pytest.mark.parametrize("levels", LEVELS)
def test_every_level_is_there_more_than_once_and_opposite_itself(levels: int) -> None:
    order = plain_chart(levels).order
    counts = np.bincount(order.ravel())
    assert order.shape == (ROWS, COLUMNS) and len(counts) == levels
    assert counts.min() >= (2 if levels == 101 else 4)
    assert counts[0] >= 10 and counts[-1] >= 10  # black and white carry the scale
    assert (order == order[::-1, ::-1]).all()


@pytest.mark.parametrize("levels", LEVELS)
def test_a_slope_over_the_sheet_cancels_in_every_level(levels: int) -> None:
    order = plain_chart(levels).order.ravel()
    y, x = np.mgrid[-1 : 1 : ROWS * 1j, -1 : 1 : COLUMNS * 1j]
    slope = (0.3 * x + 0.5 * y).ravel()
    means = np.bincount(order, slope) / np.bincount(order)
    assert np.abs(means).max() < 1e-12


@pytest.mark.parametrize("levels", LEVELS)
def test_levels_are_scattered(levels: int) -> None:
    # A bowl over the sheet does not cancel; it must not look like tone. For random orders the
    # correlation has a standard deviation of 1 / sqrt(patches / 2) = 0.09.
    order = plain_chart(levels).order.ravel()
    y, x = np.mgrid[-1 : 1 : ROWS * 1j, -1 : 1 : COLUMNS * 1j]
    for bowl in (x * x, y * y, x * y):
        assert abs(np.corrcoef(order, bowl.ravel())[0, 1]) < 0.27


def test_first_pass_inks_are_finest_where_dots_close() -> None:
    inks = np.array(plain_chart(101).inks)
    steps = np.diff(inks)
    assert inks[0] == 0 and inks[-1] == 1 and (steps > 0).all()
    assert steps[0] < 0.02 and steps[-1] < 0.001


def test_second_pass_steps_print_about_equally_far_apart() -> None:
    chart = corrected_chart(S_CURVE, "own", 101)
    printed = S_CURVE.density_of(chart.inks)
    falls = -np.diff(printed)
    assert falls.max() < 1.5 * 1.4 / 100
    assert chart.number >= 10 and chart.made_for == "own"


def test_two_corrections_make_two_charts() -> None:
    other = PrintResponse(ink=(0, 1), density=(1.4, 0.0))
    assert corrected_chart(S_CURVE, "own").number != corrected_chart(other, "own").number


def test_what_is_written_beside_the_picture_is_read_back(tmp_path: Path) -> None:
    chart, files = write_chart(tmp_path, None, levels=51, ppi=100)
    assert [path.name for path in files] == [
        f"step-chart-51-0.{end}" for end in ("tif", "pdf", "json")
    ]
    assert load_chart(files[2]) == chart == plain_chart(51)


def test_files_are_the_same_every_time(tmp_path: Path) -> None:
    first = write_chart(tmp_path / "a", None, levels=101, ppi=100)[1]
    again = write_chart(tmp_path / "b", None, levels=101, ppi=100)[1]
    assert [hash_file(path) for path in first] == [hash_file(path) for path in again]


@pytest.mark.parametrize(
    "text", ["", "{}", '{"step_chart": 1, "number": 1, "inks": [0, 1]}', "[1]"]
)
def test_other_files_are_refused(text: str, tmp_path: Path) -> None:
    (tmp_path / "x.json").write_text(text, encoding="utf-8")
    with refused(ChartError, path=tmp_path / "x.json"):
        load_chart(tmp_path / "x.json")


def test_a_chart_of_unsteady_inks_is_refused(tmp_path: Path) -> None:
    facts = chart_to_json(plain_chart(51))
    facts["inks"][7] = facts["inks"][6]
    (tmp_path / "x.json").write_text(str(facts).replace("'", '"'), encoding="utf-8")
    with refused(ChartError, path=tmp_path / "x.json"):
        load_chart(tmp_path / "x.json")


def test_no_correction_no_second_chart(tmp_path: Path) -> None:
    process = load_process("platinum", process_folders(None, None))
    with refused(ChartError, "platinum"):
        write_chart(tmp_path, process, levels=101, ppi=100)
    assert not list(tmp_path.iterdir())


def test_the_film_is_the_mirror_image_of_the_print() -> None:
    sheet = draw_chart(plain_chart(101), 100)
    codes = sheet.codes()
    assert codes.shape == (round(HEIGHT / 25.4 * 100), round(WIDTH / 25.4 * 100))
    assert np.abs((65535 - codes[:, ::-1]) / 65535 - sheet.ink).max() < 1e-4
    # What reads right on the print is recognised there, and not on the film.
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(MARKERS))
    right, reversed_ = (np.uint8(255 * ink) for ink in (sheet.ink, sheet.ink[:, ::-1]))
    assert sorted(np.ravel(detector.detectMarkers(right)[1])) == [4, 5, 6, 7]
    assert detector.detectMarkers(np.ascontiguousarray(reversed_))[1] is None


def test_patches_hold_their_inks_and_the_strip_is_full_ink() -> None:
    chart = plain_chart(51)
    sheet = draw_chart(chart, 200)
    for row, column in ((0, 0), (7, 3), (17, 12)):
        box = patch_box(row, column)
        y, x = round((box.top + 3.75) * sheet.scale), round((box.left + 3.75) * sheet.scale)
        assert sheet.ink[y, x] == pytest.approx(chart.patch_inks[row, column], abs=1e-6)
    box = white_box()
    y, x = round((box.top + 4) * sheet.scale), round((box.left + 20) * sheet.scale)
    assert sheet.ink[y, x] == 1
