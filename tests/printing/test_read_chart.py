"""Scans of printed charts: read whichever way they lie, refused in one line otherwise."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
import tifffile
from numpy.typing import NDArray

from platebench.printing.chart_sheet import draw_chart
from platebench.printing.read_chart import ChartReading, read_chart
from platebench.printing.step_chart import corrected_chart, patch_box, plain_chart, white_box
from platebench.synthetic.printing_process import (
    NO_FAULTS,
    PrintFaults,
    PrintingProcess,
    ScanModel,
    simulate_print,
    simulate_scan,
)

from ..session_files import put_plate
from .printed_charts import PPI, covered, print_strip, refused, save

PROCESS = PrintingProcess()
CHART = plain_chart(51)
CLEAN = replace(PrintFaults(), specks=0, exposure_drift=0, depth_drift=0)
Density = NDArray[np.float64]


@pytest.fixture(scope="module")
def printed() -> Density:
    """An uneven print without specks."""
    sheet = draw_chart(CHART, PPI)
    mask = covered(sheet, white_box())
    return simulate_print(sheet.codes(), PPI, PROCESS, seed=4, faults=CLEAN, covered=mask)


def read(density: Density, folder: Path, **how: float | bool) -> ChartReading:
    scan = simulate_scan(density, PPI, ScanModel(**how), seed=4)  # type: ignore[arg-type]
    return read_chart(save(folder / "print.tif", scan))


@pytest.fixture(scope="module")
def as_scanned(printed: Density, tmp_path_factory: pytest.TempPathFactory) -> ChartReading:
    """What that print reads on an ordinary scan."""
    return read(printed, tmp_path_factory.mktemp("ordinary"))


@pytest.fixture(scope="module")
def straight(printed: Density, tmp_path_factory: pytest.TempPathFactory) -> ChartReading:
    """What it reads lying straight, without noise of the scanner."""
    folder = tmp_path_factory.mktemp("straight")
    return read(printed, folder, turn_deg=0.0, askew=0.0, noise=0.0)


def test_levels_are_those_of_the_noise_free_process(as_scanned: ChartReading) -> None:
    found = as_scanned
    truth = PROCESS.print_density(found.printed.ink)
    # Noise of a patch 0.02 D at most, four patches a level, unevenness taken off.
    assert np.abs(np.array(found.printed.density) - truth).max() < 0.03
    assert found.evened.noise < 0.02 and found.evened.damaged == ()


@pytest.mark.parametrize(
    "how",
    [
        {"turn_deg": 90.0},
        {"turn_deg": 180.0},
        {"turn_deg": -27.0},
        {"askew": 0.03},
        {"bits": 8},
        {"noise": 0.006, "paper": 0.75},
    ],
    ids=str,
)
def test_however_it_lies_it_reads_the_same(
    how: dict[str, float], printed: Density, straight: ChartReading, tmp_path: Path
) -> None:
    other = read(printed, tmp_path, **how)
    away = np.array(other.printed.density) - np.array(straight.printed.density)
    assert np.abs(away).max() < 0.01


def test_unevenness_is_found_and_told(as_scanned: ChartReading, tmp_path: Path) -> None:
    even = simulate_print(draw_chart(CHART, PPI).codes(), PPI, PROCESS, seed=4, faults=NO_FAULTS)
    assert read(even, tmp_path).evened.evenness < 0.01
    assert as_scanned.evened.evenness > 0.03


def test_colours_are_read_as_luminance(printed: Density, tmp_path: Path) -> None:
    grey = read(printed, tmp_path, turn_deg=0.0)
    codes = tifffile.imread(save_tiff(printed, tmp_path))
    # A blue print: luminance of IEC 61966-2-1 must be what the grey scan held.
    light = (codes / 65535.0) ** 2.2
    weights = np.array([0.2126, 0.7152, 0.0722])
    tint = np.array([0.9, 1.0, (1 - 0.2126 * 0.9 - 0.7152) / 0.0722])
    assert weights @ tint == pytest.approx(1)
    rgb = np.rint(65535 * (light[..., None] * tint / 1.4) ** (1 / 2.2)).astype(np.uint16)
    path = tmp_path / "blue.tif"
    tifffile.imwrite(path, rgb, photometric="rgb")
    found = read_chart(path)
    away = np.array(found.printed.density) - np.array(grey.printed.density)
    assert np.abs(away).max() < 0.005


def save_tiff(density: Density, folder: Path) -> Path:
    path = folder / "print.tif"
    tifffile.imwrite(path, simulate_scan(density, PPI, ScanModel(turn_deg=0.0), seed=4))
    return path


def test_damaged_patches_are_left_out_and_named(printed: Density, tmp_path: Path) -> None:
    spoiled = printed.copy()
    for (row, column), level in {(2, 6): 0.0, (11, 0): 1.6, (15, 12): 0.5}.items():
        box = patch_box(row, column)
        across, down = (box.left + box.right) / 2, (box.top + box.bottom) / 2
        at = (round(across / 25.4 * PPI), round(down / 25.4 * PPI))
        cv2.circle(spoiled, at, round(3.2 / 25.4 * PPI), level, -1)
    found = read(spoiled, tmp_path)
    assert set(found.evened.damaged) == {"C7", "L1", "P13"}
    assert any("C7, L1, P13" in note for note in found.notes)
    truth = PROCESS.print_density(found.printed.ink)
    assert np.abs(np.array(found.printed.density) - truth).max() < 0.03


def test_a_hair_across_a_patch_does_not_count(
    printed: Density, as_scanned: ChartReading, tmp_path: Path
) -> None:
    hairy = printed.copy()
    cv2.line(hairy, (200, 300), (500, 420), 1.6, 2)
    away = np.array(read(hairy, tmp_path).printed.density)
    away -= np.array(as_scanned.printed.density)
    assert np.abs(away).max() < 0.01


def test_three_corner_squares_are_enough(printed: Density, tmp_path: Path) -> None:
    torn = printed.copy()
    torn[:90, :90] = 0.7
    found = read(torn, tmp_path)
    assert any("corner" in note for note in found.notes)
    truth = PROCESS.print_density(found.printed.ink)
    assert np.abs(np.array(found.printed.density) - truth).max() < 0.03


def test_ink_that_does_not_hold_back_shows_beside_tape(tmp_path: Path) -> None:
    weak = replace(PROCESS, exposure=PROCESS.exposure + 0.6)
    sheet = draw_chart(CHART, PPI)
    mask = covered(sheet, white_box())
    density = simulate_print(sheet.codes(), PPI, weak, seed=4, faults=CLEAN, covered=mask)
    found = read(density, tmp_path)
    assert found.printed.density[-1] == pytest.approx(float(weak.print_density(1)), abs=0.02)
    assert any("hold back" in note for note in found.notes)


def test_size_against_the_scans_own_resolution(printed: Density, tmp_path: Path) -> None:
    codes = simulate_scan(printed, PPI, ScanModel(askew=0.0), seed=4)
    small = cv2.resize(codes, None, fx=0.96, fy=0.96, interpolation=cv2.INTER_AREA)
    notes = read_chart(save(tmp_path / "fitted.tif", small)).notes
    assert any("96.0 %" in note for note in notes)


# --- What cannot be read


def test_no_chart(tmp_path: Path) -> None:
    blank = np.full((900, 700), 0.3)
    assert "no step chart" in refused(lambda: read(blank, tmp_path))


def test_half_a_chart(printed: Density, tmp_path: Path) -> None:
    said = refused(lambda: read(printed[: len(printed) // 2], tmp_path))
    assert "2 of the four" in said


def test_a_sheet_that_leaves_the_scan(printed: Density, tmp_path: Path) -> None:
    codes = simulate_scan(printed, PPI, ScanModel(turn_deg=0.0, askew=0.0), seed=4)
    cut = codes[: len(codes) - round((8 + 16) / 25.4 * PPI)]
    torn = np.array(cut)
    said = refused(lambda: read_chart(save(tmp_path / "cut.tif", torn)))
    assert "of the four" in said


def test_reversed_prints_and_scans(printed: Density, tmp_path: Path) -> None:
    assert "reversed" in refused(lambda: read(printed, tmp_path, mirrored=True))
    wrong = simulate_print(
        draw_chart(CHART, PPI).codes(), PPI, PROCESS, seed=4, faults=CLEAN, ink_side_on_paper=False
    )
    assert "ink side" in refused(lambda: read(wrong, tmp_path))


def test_clipped_scans(printed: Density, tmp_path: Path) -> None:
    assert "white" in refused(lambda: read(printed, tmp_path, paper=1.1))
    codes = simulate_scan(printed, PPI, seed=4).astype(np.float64)
    crushed = np.clip((codes - 16_000) * 1.2, 0, 65535).astype(np.uint16)
    said = refused(lambda: read_chart(save(tmp_path / "crushed.tif", crushed)))
    assert "black" in said


def test_an_inverted_film_and_one_hardly_exposed(tmp_path: Path) -> None:
    sheet = draw_chart(CHART, PPI)
    density = simulate_print(sheet.codes(), PPI, PROCESS, seed=4, faults=CLEAN)
    rows = slice(round(18 * sheet.scale), round(153 * sheet.scale))
    columns = slice(round(10 * sheet.scale), round(108 * sheet.scale))
    inverted, thin = density.copy(), density.copy()
    inverted[rows, columns] = density[rows, columns].max() - density[rows, columns]
    assert "lighter" in refused(lambda: read(inverted, tmp_path))
    thin[rows, columns] *= 0.1
    assert "0.1" in refused(lambda: read(thin, tmp_path))


def test_a_blotched_print(printed: Density, tmp_path: Path) -> None:
    blotched = printed.copy()
    rng = np.random.default_rng(8)
    for box in (patch_box(r, c) for r in range(18) for c in range(13)):
        if rng.random() < 0.4:
            top, left = round(box.top / 25.4 * PPI), round(box.left / 25.4 * PPI)
            blotched[top : top + 44, left : left + 44] += rng.uniform(-0.6, 0.6)
    assert "damaged" in refused(lambda: read(blotched, tmp_path))


def test_another_chart_than_the_one_named(
    printed: Density, as_scanned: ChartReading, tmp_path: Path
) -> None:
    response_chart = replace(corrected_chart_of(as_scanned), made_for="own")
    path = save(tmp_path / "print.tif", simulate_scan(printed, PPI, seed=4))
    assert "chart" in refused(lambda: read_chart(path, response_chart))


def test_a_second_pass_without_its_chart(as_scanned: ChartReading, tmp_path: Path) -> None:
    chart = corrected_chart_of(as_scanned)
    sheet = draw_chart(chart, PPI)
    density = simulate_print(sheet.codes(), PPI, PROCESS, seed=4, faults=CLEAN)
    assert "--chart FILE" in refused(lambda: read(density, tmp_path))


def corrected_chart_of(reading: ChartReading):  # type: ignore[no-untyped-def]
    from platebench.printing.fit_response import fit_response

    return corrected_chart(fit_response([reading.printed]).response, "own", 51)


def test_a_test_strip(tmp_path: Path) -> None:
    path = print_strip(tmp_path / "strip.tif", -1.0, PROCESS)
    assert "printing-time" in refused(lambda: read_chart(path))


def test_a_camera_raw(tmp_path: Path) -> None:
    put_plate(tmp_path / "print.dng", "wide")
    assert "camera raw" in refused(lambda: read_chart(tmp_path / "print.dng"))
