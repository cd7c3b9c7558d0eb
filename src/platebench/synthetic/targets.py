"""Measuring plates: a step tablet, a slanted edge, a star.

A target is called with places on the plate and the width of a photosite there, all in
millimetres, and returns the density of the mean transmittance over each photosite's square.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from platebench.synthetic.plate import PlateModel
from platebench.synthetic.shapes import half_plane_coverage

Plane = NDArray[np.float32]
_POINTS = 6  # a star is averaged over 6 x 6 points a photosite

TABLET_21 = tuple(round(0.05 + 0.15 * step, 2) for step in range(21))
"""21 steps of half a stop, 0.05 to 3.05: the common photographic step tablet."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StepTablet:
    """Patches of even density, row after row.

    Attributes
    ----------
    densities : tuple of float
        As many as the grid has places.
    grid : (int, int)
        Rows and columns of patches.
    size_mm : (float, float)
        Height and width of the whole tablet, in the plate's middle.
    surround : float
        Density around it.
    """

    densities: tuple[float, ...] = TABLET_21
    grid: tuple[int, int] = (3, 7)
    size_mm: tuple[float, float] = (60.0, 105.0)
    surround: float = 0.05

    def __call__(self, y: Plane, x: Plane, pitch_mm: float) -> Plane:
        """Return density; see the module."""
        rows, cols = self.grid
        height, width = self.size_mm
        through = np.full(y.shape, 10**-self.surround, np.float64)
        for index, density in enumerate(self.densities):
            row, col = divmod(index, cols)
            top, left = height * (row / rows - 0.5), width * (col / cols - 0.5)
            cover = _between(y, top, top + height / rows, pitch_mm)
            cover = cover * _between(x, left, left + width / cols, pitch_mm)
            through += cover * (10**-density - 10**-self.surround)
        return np.asarray(-np.log10(through), np.float32)

    def centres_mm(self) -> NDArray[np.float64]:
        """Return the middle of each patch, ``(y, x)`` from the plate's middle, in order."""
        rows, cols = self.grid
        at = np.array([divmod(i, cols) for i in range(len(self.densities))], np.float64)
        return np.asarray(((at + 0.5) / (rows, cols) - 0.5) * self.size_mm, np.float64)


@dataclass(frozen=True, slots=True, kw_only=True)
class SlantedEdge:
    """Two even halves that meet in a straight line through the plate's middle.

    Attributes
    ----------
    angle_deg : float
        Turn of the line from upright, clockwise. About 5 degrees serve ISO 12233's method.
    left, right : float
        Densities; the defaults are 4:1 in light, as ISO 12233:2014 asks.
    """

    angle_deg: float = 5.0
    left: float = 0.10
    right: float = 0.70206

    def __call__(self, y: Plane, x: Plane, pitch_mm: float) -> Plane:
        """Return density; see the module. The coverage of each square is exact."""
        angle = np.deg2rad(self.angle_deg)
        normal = (float(np.sin(angle)), float(np.cos(angle)))
        away = (y.astype(np.float64) * normal[0] + x * normal[1]) / pitch_mm
        share = half_plane_coverage(away, normal)
        through = 10**-self.left + share * (10**-self.right - 10**-self.left)
        return np.asarray(-np.log10(through), np.float32)


@dataclass(frozen=True, slots=True, kw_only=True)
class Star:
    """A sine star: transmittance swings along each circle, finer towards the middle.

    At ``r`` mm from the middle one cycle is ``2 pi r / spokes`` mm long.

    Attributes
    ----------
    spokes : int
        Cycles round the circle.
    radius_mm : float
        The star ends here.
    thin, dense : float
        Densities at the crest and the trough.
    """

    spokes: int = 72
    radius_mm: float = 35.0
    thin: float = 0.10
    dense: float = 1.30

    def __call__(self, y: Plane, x: Plane, pitch_mm: float) -> Plane:
        """Return density; see the module."""
        crest, trough = 10**-self.thin, 10**-self.dense
        middle, swing = np.float32((crest + trough) / 2), np.float32((crest - trough) / 2)
        total = np.zeros(y.shape, np.float32)
        steps = ((np.arange(_POINTS) + 0.5) / _POINTS - 0.5) * pitch_mm
        for dy in steps.astype(np.float32):
            for dx in steps.astype(np.float32):
                wave = np.cos(np.float32(self.spokes) * np.arctan2(y + dy, x + dx))
                inside = np.hypot(y + dy, x + dx) < self.radius_mm
                total += middle + swing * np.where(inside, wave, np.float32(0))
        return np.asarray(-np.log10(total / np.float32(_POINTS**2)), np.float32)


def tablet_plate(plate: PlateModel | None = None) -> PlateModel:
    """Return a plate that is a 21-step tablet, without grain."""
    return replace(plate or PlateModel(), target=StepTablet(), grain_um=0.0)


def edge_plate(plate: PlateModel | None = None, *, angle_deg: float = 5.0) -> PlateModel:
    """Return a plate that is a slanted edge, without grain."""
    return replace(plate or PlateModel(), target=SlantedEdge(angle_deg=angle_deg), grain_um=0.0)


def star_plate(plate: PlateModel | None = None, *, spokes: int = 72) -> PlateModel:
    """Return a plate that is a star, without grain."""
    return replace(plate or PlateModel(), target=Star(spokes=spokes), grain_um=0.0)


def _between(at: Plane, low: float, high: float, pitch_mm: float) -> NDArray[np.float64]:
    """Return the share of each photosite between two limits, along one axis."""
    below_high = np.clip((high - at) / pitch_mm + 0.5, 0, 1)
    below_low = np.clip((low - at) / pitch_mm + 0.5, 0, 1)
    return np.asarray(below_high - below_low, np.float64)
