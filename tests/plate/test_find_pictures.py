"""Gaps between pictures on a plate, drawn with known places: found where plain, else none."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from platebench.plate.finding.find_pictures import find_pictures

SCANS = Path(__file__).parents[3] / "shared" / "data" / "plates"
Floats = NDArray[np.float32]
FOG = 0.12  # D


def scene(rng: np.random.Generator, rows: int, columns: int) -> Floats:
    """Return densities of a picture: slow shapes, fine ones and grain, D 0.5 to 2."""
    total = np.zeros((rows, columns), np.float32)
    for cell, weight in ((3, 0.35), (9, 0.2), (40, 0.15)):
        coarse = rng.normal(0, weight, (cell, cell)).astype(np.float32)
        total += cv2.resize(coarse, (columns, rows), interpolation=cv2.INTER_CUBIC)
    grain = rng.normal(0, 0.04, (rows, columns)).astype(np.float32)
    return np.clip(1.1 + total, 0.5, 2.2) + grain


def plate_of(
    rng: np.random.Generator, rows: int, columns: int, *, gap: int = 9, rebate: int = 12
) -> tuple[Floats, list[tuple[float, float, float, float]]]:
    """Return transmittance of a plate with a grid of pictures, and their true boxes."""
    height, width = 240, 300
    shape = (
        2 * rebate + rows * height + (rows - 1) * gap,
        2 * rebate + columns * width + (columns - 1) * gap,
    )
    density = np.full(shape, FOG, np.float32) + rng.normal(0, 0.01, shape).astype(np.float32)
    boxes = []
    for row in range(rows):
        for column in range(columns):
            top, left = rebate + row * (height + gap), rebate + column * (width + gap)
            density[top : top + height, left : left + width] = scene(rng, height, width)
            boxes.append((left / shape[1], top / shape[0], width / shape[1], height / shape[0]))
    return np.asarray(10**-density, np.float32), boxes


@pytest.mark.parametrize(("rows", "columns"), [(3, 1), (1, 2), (2, 1), (2, 3), (4, 1)])
def test_plain_gaps_are_found(rows: int, columns: int) -> None:
    rng = np.random.default_rng(100 * rows + columns)
    plate, boxes = plate_of(rng, rows, columns)
    found = find_pictures(plate)
    assert len(found.boxes) == len(boxes)
    assert np.array(found.boxes) == pytest.approx(np.array(boxes), abs=0.01)


@pytest.mark.parametrize("seed", range(5))
def test_one_picture_stays_one(seed: int) -> None:
    plate, _ = plate_of(np.random.default_rng(seed), 1, 1)
    assert find_pictures(plate).boxes == ()


def test_pictures_of_unequal_size_are_not_plain() -> None:
    plate, _ = plate_of(np.random.default_rng(9), 3, 1)
    cut = plate[: -plate.shape[0] // 5]
    assert find_pictures(cut).boxes == ()


def test_a_line_that_picture_crosses_is_none() -> None:
    plate, _ = plate_of(np.random.default_rng(10), 2, 1)
    middle = plate.shape[0] // 2
    plate[middle - 8 : middle + 8, 60:140] = 10**-1.0
    assert find_pictures(plate).boxes == ()


def test_without_light_or_picture_there_is_none() -> None:
    for value in (0.0, 1.0):
        assert find_pictures(np.full((300, 200), value, np.float32)).boxes == ()
    assert find_pictures(np.full((3, 5), 0.5, np.float32)).boxes == ()


@pytest.mark.skipif(not SCANS.is_dir(), reason="no real scans beside the checkout")
@pytest.mark.parametrize("name", ["img1021", "img282"])
def test_three_exposures_of_a_real_plate_part_at_its_thirds(name: str) -> None:
    """Public-domain scans shown as positives, cut here to the plate by eye."""
    codes = cv2.imread(str(SCANS / f"{name}.jpg"), cv2.IMREAD_GRAYSCALE)
    assert codes is not None
    light = ((codes[14:-14, 14:-14] / 255.0) ** 2.2).astype(np.float32)
    found = find_pictures(light, positive=True)
    places = [gap.place for gap in found.gaps]
    assert places == pytest.approx([1 / 3, 2 / 3], abs=0.02)
