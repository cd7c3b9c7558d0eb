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

from platebench.core.image import CaptureKind
from platebench.measure.density_errors import DensityErrors, errors_of_view
from platebench.plate.bands import bands
from platebench.plate.colours import one_channel
from platebench.plate.densities import (
    MAX_DENSITY,
    PlateDensities,
    code_from_transmittance,
    transmittance_of_codes,
)
from platebench.plate.finding.find_plate import FoundPlate
from platebench.plate.job import PlateJob
from platebench.plate.look import PlateView, look_at_plate
from platebench.session.convert_plate import measure_view, true_transmittance

BAND_ROWS = 256  # a multiple of every pattern's rows
CLIPPED = 65535  # code of a site that clipped; no light codes as high
_EIGHT_BITS = 256
SMALLEST_LEVEL = 400  # long side, pixels, below which no further level is kept

Codes = NDArray[np.uint16]
Doubles = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BlueLight:
    """How blue light sees a stained plate: the stain put back on.

    Attributes
    ----------
    share : float
        Extra density per unit of green density.
    gains : ndarray of float32, shape (rows, columns)
        Over the capture: what blue light was multiplied with to take the stain's offset off.
    """

    share: float
    gains: NDArray[np.float32]

    def through(self, light: Doubles, place: tuple[float, float]) -> Doubles:
        """Return the transmittance to blue light, of that to green light.

        Parameters
        ----------
        light : ndarray of float64
            Transmittance.
        place : (row, column)
            Middle of the area, as shares of the capture's sides.
        """
        rows, columns = self.gains.shape
        at = [
            float(np.clip(s * n - 0.5, 0, n - 1))
            for s, n in zip(place, (rows, columns), strict=True)
        ]
        gain = cv2.remap(
            self.gains,
            np.array([[at[1]]], np.float32),
            np.array([[at[0]]], np.float32),
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REPLICATE,
        )
        return np.asarray(light ** (1 + self.share) / float(gain[0, 0]))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PlatePixels:
    """One capture in memory.

    Attributes
    ----------
    levels : tuple of ndarray of uint16
        Square-root codes of transmittance (``plate/densities.py``): the capture, then half the
        size each time.
    found : FoundPlate
        Where the plate lies, by the finder or by hand.
    density : ndarray of float32, shape (65536,)
        Density of each code, with the change of the light and the calibration taken into account.
    densities : PlateDensities or None
        Base plus fog, range and histogram. None of a scan that shows a positive: ``density`` then
        only orders its tones.
    calibrated : bool
        Whether ``density`` went through a calibration.
    errors : DensityErrors
        How well a density is known.
    level : float
        Bare light on the scale of the codes.
    counted : ndarray of uint16, shape (n,), or None
        The codes there are in a grey scan of 8 bits; None where they are many.
    blue : BlueLight or None
        How blue light sees the plate; None for neutral silver.
    doubts : tuple of str
        What a person should look at.
    """

    levels: tuple[Codes, ...]
    found: FoundPlate
    density: NDArray[np.float32]
    densities: PlateDensities | None
    calibrated: bool
    errors: DensityErrors
    level: float
    counted: Codes | None
    blue: BlueLight | None
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
        As :func:`platebench.plate.look.look_at_plate`.
    """
    view = look_at_plate(job)
    densities = measure_view(view)
    true = true_transmittance(transmittance_of_codes(), view.level, view.calibration)
    density = -np.log10(np.maximum(true, 10.0**-MAX_DENSITY))
    stain, blue = view.stain, None
    if stain is not None and stain.found:
        blue = BlueLight(share=stain.blue_share, gains=stain.blue_gains)
    codes = _codes(view)
    return PlatePixels(
        levels=half_sizes(codes),
        found=view.found,
        density=density.astype(np.float32),
        densities=densities,
        calibrated=view.calibration is not None,
        errors=errors_of_view(view),
        level=view.level,
        counted=_few(codes) if view.info.kind is CaptureKind.SCAN else None,
        blue=blue,
        doubts=view.doubts if densities is None else (*view.doubts, *_impossible(densities)),
    )


def _impossible(densities: PlateDensities) -> tuple[str, ...]:
    return (densities.impossible,) if densities.impossible else ()


def _codes(view: PlateView) -> Codes:
    """Return the whole capture as codes, band by band, ``CLIPPED`` where a site clipped."""
    rows, columns = view.picture.shape
    codes = np.empty((rows, columns), np.uint16)
    for top, bottom in bands(rows, BAND_ROWS):
        band = view.picture.rows(top, bottom)
        part = codes[top:bottom]
        part[...] = code_from_transmittance(one_channel(band.pixels, by_green=view.by_green))
        if band.valid is not None:
            part[~band.valid] = CLIPPED
    return codes


def _few(codes: Codes) -> Codes | None:
    """Return the codes there are, if they are no more than 8 bits can tell."""
    values = np.unique(codes[::3, ::2])
    values = values[values != CLIPPED]
    return values if 2 <= len(values) <= _EIGHT_BITS else None


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
