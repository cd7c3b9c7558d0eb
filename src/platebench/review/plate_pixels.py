"""A plate's capture held ready to be looked at: 16-bit codes at full size and at half sizes.

One copy of the capture serves every picture of it: as captured, as a positive in any tone, as a
map of density. What a person changes (corners, turns, tone) changes how it is read, not what is
held, so a new picture takes milliseconds.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from platebench.convert import measure_view, true_transmittance
from platebench.densitometry.calibration import Calibration
from platebench.densitometry.spot import light_sigma
from platebench.look import PlateView, look_at_plate
from platebench.plate_job import PlateJob
from platebench.stages.colours import one_channel
from platebench.stages.density import (
    MAX_DENSITY,
    code_from_transmittance,
    transmittance_of_codes,
)
from platebench.stages.find_plate import FoundPlate
from platebench.stages.measure import PlateDensities

BAND_ROWS = 256
SMALLEST_LEVEL = 400  # long side, pixels, below which no further level is kept

Codes = NDArray[np.uint16]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PlatePixels:
    """One capture in memory.

    Attributes
    ----------
    levels : tuple of ndarray of uint16
        Square-root codes of transmittance (``stages/density.py``): the capture, then half the
        size each time.
    found : FoundPlate
        Where the plate lies, by the finder or by hand.
    density : ndarray of float32, shape (65536,)
        Density of each code, with the change of the light and the calibration taken into account.
    densities : PlateDensities
        Base plus fog, range and histogram.
    calibration : Calibration or None
        What ``density`` went through.
    light_sigma : float
        How well the bare light is known at a place, D.
    blue_share : float
        Density that blue light sees more, as a share; 0 for neutral silver.
    doubts : tuple of str
        What a person should look at.
    """

    levels: tuple[Codes, ...]
    found: FoundPlate
    density: NDArray[np.float32]
    densities: PlateDensities
    calibration: Calibration | None
    light_sigma: float
    blue_share: float
    doubts: tuple[str, ...]

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns of the capture."""
        rows, columns = self.levels[0].shape
        return rows, columns

    @property
    def nbytes(self) -> int:
        """Memory taken."""
        return sum(level.nbytes for level in self.levels)


def load_pixels(job: PlateJob) -> PlatePixels:
    """Read, flatten and measure a plate, as conversion does, and keep its codes.

    Raises
    ------
    PlateError
        As :func:`platebench.look.look_at_plate`.
    """
    view = look_at_plate(job)
    densities = measure_view(view)
    true = true_transmittance(transmittance_of_codes(), view.level, view.calibration)
    density = -np.log10(np.maximum(true, 10.0**-MAX_DENSITY))
    return PlatePixels(
        levels=half_sizes(_codes(view)),
        found=view.found,
        density=density.astype(np.float32),
        densities=densities,
        calibration=view.calibration,
        light_sigma=light_sigma(view.light),
        blue_share=view.stain.blue_share if view.stain is not None and view.stain.found else 0.0,
        doubts=view.doubts,
    )


def _codes(view: PlateView) -> Codes:
    """Return the whole capture as codes, band by band."""
    pixels = view.image.pixels
    rows, columns = view.image.shape
    codes = np.empty((rows, columns), np.uint16)
    for top in range(0, rows, BAND_ROWS):
        band = pixels[top : top + BAND_ROWS]
        grey = one_channel(band, by_green=view.by_green)
        codes[top : top + BAND_ROWS] = code_from_transmittance(grey)
    return codes


def half_sizes(codes: Codes) -> tuple[Codes, ...]:
    """Return codes and their half sizes down to ``SMALLEST_LEVEL``.

    Means are of codes, not of transmittance: over the four pixels of a block the two differ by
    less than a step shows on a screen, but where black meets white.
    """
    levels = [codes]
    while max(levels[-1].shape) > SMALLEST_LEVEL:
        rows, columns = ((n + 1) // 2 for n in levels[-1].shape)
        smaller = cv2.resize(levels[-1], (columns, rows), interpolation=cv2.INTER_AREA)
        levels.append(np.asarray(smaller, np.uint16))
    return tuple(levels)
