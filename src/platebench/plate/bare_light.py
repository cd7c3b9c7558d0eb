"""The bare light that shows around a plate: what its densities count from."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from platebench.plate.colours import one_channel
from platebench.plate.finding.find_plate import FoundPlate
from platebench.plate.finding.overview import Overview

_LEAST_AROUND = 0.02  # of the picture
_CLIPPED = 0.2  # of what lies around the plate
_DIMMEST = 0.5  # of a scanner's white; what is darker is no bare light
_CLOSE = 0.005
_WHITE = 0.998
_TILES = 12  # along the long side, in which bare light is compared
_LEAST_TILES = 6


def around_plate(
    small: Overview, found: FoundPlate
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Return transmittance around a plate, clipped places left out, and inside it.

    Other plates in the capture are neither.
    """
    grey, outside = _outside(small, found)
    seen = outside if small.valid is None else outside & small.valid
    return grey[seen], grey[_grown(small, found.corners)]


def _outside(small: Overview, found: FoundPlate) -> tuple[NDArray[np.float32], NDArray[np.bool_]]:
    """Return the picture without colours, and what of it lies outside every plate."""
    covered = [_grown(small, outline) for outline in (found.corners, *found.others)]
    return one_channel(small.pixels, by_green=False), ~np.any(covered, axis=0)


def _grown(small: Overview, corners: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Mark a plate and a little around it."""
    centre = corners.mean(axis=0)
    grown = small.places(centre + (corners - centre) * 1.06)
    inside = np.zeros(small.pixels.shape[:2], np.uint8)
    cv2.fillConvexPoly(inside, np.rint(grown[:, ::-1]).astype(np.int32), 1)
    return inside > 0


def bare_light_level(small: Overview, found: FoundPlate) -> float:
    """Return the median transmittance of the bare light around the plate; 1 if none shows."""
    if not found.found or found.surround != "bright":
        return 1.0
    around, _ = around_plate(small, found)
    if around.size < _LEAST_AROUND * small.pixels.shape[0] * small.pixels.shape[1]:
        return 1.0
    high = float(np.quantile(around, 0.8))
    return float(np.median(around[np.abs(around - high) < 0.2 * high]))


def bare_light_spread(small: Overview, found: FoundPlate) -> float | None:
    """Return by how much the bare light around a plate differs from place to place, relative.

    The standard deviation of medians over tiles. It is what changed across the frame between blank
    and plate: noise averages out. None where too little bare light shows.
    """
    if not found.found or found.surround != "bright":
        return None
    level = bare_light_level(small, found)
    grey, outside = _outside(small, found)
    rows, columns = np.nonzero(outside & (np.abs(grey - level) < 0.2 * level))
    side = -(-max(grey.shape) // _TILES)
    tiles = rows // side * _TILES + columns // side
    least = side * side / 4
    middles = [
        float(np.median(grey[rows[own], columns[own]]))
        for tile, count in zip(*np.unique(tiles, return_counts=True), strict=True)
        if count >= least and (own := tiles == tile).any()
    ]
    return float(np.std(middles)) / level if len(middles) >= _LEAST_TILES else None


def white_of_scan(small: Overview, found: FoundPlate, *, by_hand: bool) -> tuple[float, str]:
    """Return the bare light beside a plate in a scan without a blank, and what was done about it.

    A scanner's white need not be the bare light: automatic exposure moves it, and so does a
    transparency unit whose light has aged.

    Returns
    -------
    (float, str)
        Over the scanner's white; 1 where it does not show. In words, what densities count from.
    """
    beside = "densities count from the scanner's white"
    if by_hand:  # such corners may lie within the glass, and what is beside them be no bare light
        return 1.0, f"{beside}: corners were given by hand"
    if not found.found or found.surround != "bright":
        return 1.0, f"{beside}: no bare light shows beside the plate"
    if _clipped_around(small, found) > _CLIPPED:
        return 1.0, f"{beside}: the bare light beside the plate is clipped, and may be brighter"
    if found.doubts:  # among them that it may be no bare light
        return 1.0, f"{beside}: what lies beside the plate is in doubt"
    level = bare_light_level(small, found)
    if level < _DIMMEST or abs(level - 1) < _CLOSE:
        return 1.0, beside
    return level, f"densities count from the bare light beside the plate, {level:.2f} of white"


def _clipped_around(small: Overview, found: FoundPlate) -> float:
    """Return the share at a scanner's white of what lies around a plate."""
    around, _ = around_plate(small, found)
    return float(np.mean(around > _WHITE)) if around.size else 0.0
