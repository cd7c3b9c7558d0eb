"""The bare light that shows around a plate: what its densities count from."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from platebench.plate.bands import BandStep
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
_SPANNED = 0.5  # of the frame, by the bare light that shows a drift
_DRIFT_SURE, _DRIFT_LEAST = 4.0, 0.005  # standard errors; change across the frame, glare's is less
_DRIFT_MOST = 0.2  # more is no lamp that warms up: the box or the camera has moved


@dataclass(frozen=True, slots=True, kw_only=True)
class LightDrift:
    """How the light has changed across the frame since the blank: a plane in its logarithm.

    Attributes
    ----------
    across, down : float
        Logarithm of the light at the right edge of the frame over that at the left, and at the
        lower over the upper.
    sigma : float
        Standard error of either.
    """

    across: float
    down: float
    sigma: float

    @property
    def in_words(self) -> str:
        """Which way it has drifted, with figures."""
        said = [
            f"{100 * math.expm1(abs(change)):.1f} % more at the {more} than at the {less}"
            for change, more, less in (
                (self.across, *(("right", "left") if self.across > 0 else ("left", "right"))),
                (self.down, *(("bottom", "top") if self.down > 0 else ("top", "bottom"))),
            )
            if abs(change) > self.sigma
        ]
        return " and ".join(said)


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
    _, middles = _bare_tiles(small, found)
    if len(middles) < _LEAST_TILES:
        return None
    return float(np.std(middles) / np.median(middles))


def bare_light_drift(small: Overview, found: FoundPlate) -> LightDrift | None:
    """Return how the bare light around a plate has drifted across the frame since the blank.

    None where too little shows, where the change is within its error, or too large to be a drift.
    """
    places, middles = _bare_tiles(small, found)
    if len(middles) < _LEAST_TILES or np.ptp(places, axis=0).min() < _SPANNED:
        return None
    (_, down, across), sigma = plane_of(places, np.log(middles))
    change = max(abs(down), abs(across))
    if not max(_DRIFT_LEAST, _DRIFT_SURE * sigma) < change < _DRIFT_MOST:
        return None
    return LightDrift(across=across, down=down, sigma=sigma)


def drift_step(drift: LightDrift, shape: tuple[int, int], channels: int) -> BandStep:
    """Return a function that divides a band of rows by a drift of the light."""
    down, across = (
        np.exp(-change * ((np.arange(n) + 0.5) / n - 0.5)).astype(np.float32)
        for change, n in zip((drift.down, drift.across), shape, strict=True)
    )
    across = np.repeat(across, channels)

    def take_off(band: NDArray[np.float32], start: int, stop: int) -> None:
        band *= across
        band *= down[start:stop, None]

    return take_off


def plane_of(
    places: NDArray[np.float64], values: NDArray[np.float64], alone: float = 1.0
) -> tuple[tuple[float, float, float], float]:
    """Fit a plane without outliers (Tukey's biweight); its middle, its slopes and their error.

    Parameters
    ----------
    places : ndarray of float64, shape (n, 2)
        (row, column).
    values : ndarray of float64, shape (n,)
    alone : float
        Share of the values that err each by itself.
    """
    terms = np.column_stack([np.ones(len(places)), places])
    weights = np.ones(len(values))
    for _ in range(5):
        root = np.sqrt(weights)[:, None]
        fit = np.linalg.lstsq(terms * root, values * root[:, 0], rcond=None)[0]
        off = values - terms @ fit
        scale = 1.4826 * float(np.median(np.abs(off))) + 1e-9
        weights = np.clip(1 - (off / (4.685 * scale)) ** 2, 0, None) ** 2
    spread = np.linalg.pinv((terms * weights[:, None]).T @ terms)
    sigma = scale * float(np.sqrt(max(spread[1, 1], spread[2, 2], 0.0) / alone))
    middle, down, across = (float(value) for value in fit)
    return (middle, down, across), sigma


def _bare_tiles(
    small: Overview, found: FoundPlate
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return where tiles of bare light around a plate lie, from the frame's middle, and medians.

    Places are shares of the frame's height and width; none where no bare light lies around.
    """
    if not found.found or found.surround != "bright":
        return np.zeros((0, 2)), np.zeros(0)
    level = bare_light_level(small, found)
    grey, outside = _outside(small, found)
    rows, columns = np.nonzero(outside & (np.abs(grey - level) < 0.2 * level))
    side = -(-max(grey.shape) // _TILES)
    tiles = rows // side * _TILES + columns // side
    least = side * side / 4
    places, middles = [], []
    for tile, count in zip(*np.unique(tiles, return_counts=True), strict=True):
        if count >= least:
            own = tiles == tile
            places.append((rows[own].mean(), columns[own].mean()))
            middles.append(float(np.median(grey[rows[own], columns[own]])))
    shares = (np.array(places).reshape(-1, 2) + 0.5) / grey.shape - 0.5
    return shares, np.array(middles, np.float64)


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
