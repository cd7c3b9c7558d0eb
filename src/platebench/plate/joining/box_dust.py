"""Dust on the light box: it stays in the frame while the plate moves, so one tile alone shows it.

Where a tile is darker than another that shows the same place of the plate, by more than noise and
misfit explain, it counts for next to nothing. What one tile alone sees stays as it is.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float32]
Mask = NDArray[np.uint8]

LEAST_DENSITY = 0.03  # D by which a speck is denser than what another tile shows there
MISFIT = 1.0  # pixels by which tiles may lie apart: as much of a slope of density is no speck
OVER_NOISE = 6.0  # standard deviations of a mean of 3 x 3 pixels, grain and detail taken for noise
SMALLEST = 5  # pixels of a speck that is counted; smaller ones are left out all the same
RIM = 2  # pixels around a speck that count to it: it is out of focus
HALO = 16  # rows and columns that tell of their neighbours
LEFT = np.float32(1e-3)  # of a tile's weight where dust lies
_DARKEST = np.float32(1e-4)  # transmittance


def dust_in(layers: list[tuple[slice, Floats, Floats]], shape: tuple[int, int]) -> list[Mask]:
    """Return, for each tile, where it shows dust that another tile does not: 1, else 0.

    Parameters
    ----------
    layers : list of (columns, light, weight)
        What each tile shows of a band of ``shape``: its columns, light in one colour, and weights,
        0 where it shows nothing.
    """
    densities = []
    thinnest = np.full(shape, np.inf, np.float32)
    seen = np.zeros(shape, np.uint8)
    for columns, light, weight in layers:
        density = cv2.blur(-np.log10(np.maximum(light, _DARKEST)), (3, 3))
        shown = weight > 0
        seen[:, columns] += shown
        known = np.where(shown, density, np.float32(np.inf))
        np.minimum(thinnest[:, columns], known, out=thinnest[:, columns])
        densities.append(density)
    masks = []
    for (columns, light, weight), density in zip(layers, densities, strict=True):
        twice = (weight > 0) & (seen[:, columns] > 1)
        if not twice.any():
            masks.append(np.zeros(density.shape, np.uint8))
            continue
        least = np.where(twice, thinnest[:, columns], density)
        kernel = np.ones((3, 3), np.uint8)
        slope = cv2.morphologyEx(least, cv2.MORPH_GRADIENT, kernel) / 2
        rough = -np.log10(np.maximum(light, _DARKEST)) - density
        noise = np.sqrt(cv2.blur(rough * rough, (2 * HALO - 1, 2 * HALO - 1))) / 3
        limit = np.maximum(LEAST_DENSITY + MISFIT * slope, OVER_NOISE * noise)
        masks.append(((density - least > limit) & twice).astype(np.uint8))
    return masks


def specks_in(mask: Mask, rows: tuple[int, int]) -> int:
    """Return how many specks have their middle in some rows."""
    _, _, stats, middles = cv2.connectedComponentsWithStats(mask, connectivity=8)
    inside = (middles[1:, 1] >= rows[0] - 0.5) & (middles[1:, 1] < rows[1] - 0.5)
    return int(np.sum(inside & (stats[1:, cv2.CC_STAT_AREA] >= SMALLEST)))


def without_dust(weight: Floats, mask: Mask) -> Floats:
    """Return a tile's weights, next to nothing where it shows dust."""
    around = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * RIM + 1, 2 * RIM + 1))
    soft = cv2.blur(cv2.dilate(mask, around).astype(np.float32), (3, 3))
    return np.asarray(weight * (1 - (1 - LEFT) * soft), np.float32)
