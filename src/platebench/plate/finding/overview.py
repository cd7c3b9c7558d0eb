"""A capture looked over: reduced to what finding, judging and measuring a plate need.

One pass over the bands gives area means over square blocks, and means by kind of site on a coarse
grid. Nothing that is decided about a plate needs more; full resolution is for what is written.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from platebench.core.image import MONO_PATTERN, PlateImage
from platebench.plate.bands import BAND_ROWS, BandedImage, bands
from platebench.plate.finding.find_plate import FoundPlate, find_plate
from platebench.plate.finding.find_plates import find_plates
from platebench.plate.finding.surround import WORKING_SIDE
from platebench.plate.smooth_field import class_means, grid_shape, site_classes

Floats = NDArray[np.float32]
Doubles = NDArray[np.float64]
Mask = NDArray[np.bool_]

_SAMPLED_ROWS = 24  # one period of the pattern out of so many rows is enough for cell means
_ALL_ROWS_BELOW = 1600  # rows of a frame of which all are used


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Overview:
    """Transmittance of a capture, reduced.

    Attributes
    ----------
    pixels : ndarray of float32, shape (m, n) or (m, n, 3)
        Area means; up to a block's rest of the capture's last rows and columns is left out.
    valid : ndarray of bool, shape (m, n), or None
        False where any photosite under a pixel clipped.
    scale : (float, float)
        Pixels here for a pixel of the capture, down and across.
    shape : (int, int)
        Rows and columns of the capture.
    pattern : ndarray of uint8, shape (p, q)
        Colour-filter pattern of the capture.
    cells : ndarray of float32, shape (kinds, rows, columns)
        Means by kind of site on the grid of ``grid_shape(shape)``.
    """

    pixels: Floats
    valid: Mask | None
    scale: tuple[float, float]
    shape: tuple[int, int]
    pattern: NDArray[np.uint8]
    cells: Floats

    @property
    def image(self) -> PlateImage:
        """The reduced picture; where it is not reduced at all, its pattern is still in it."""
        whole = self.scale == (1.0, 1.0)
        return PlateImage(
            pixels=self.pixels,
            valid=self.valid,
            pattern=self.pattern if whole else MONO_PATTERN,
        )

    def places(self, points: Doubles) -> Doubles:
        """Return where points of the capture, ``(row, column)``, lie here."""
        return np.asarray((points + 0.5) * self.scale - 0.5)

    def places_in_capture(self, points: Doubles) -> Doubles:
        """Return where points of this picture lie in the capture."""
        return np.asarray((points + 0.5) / self.scale - 0.5)

    def at_most(self, long_side: int) -> Overview:
        """Return this reduced further, to at most so many pixels along the long side."""
        rows, columns = self.pixels.shape[:2]
        factor = max(rows, columns) / long_side
        if factor <= 1:
            return self
        small = _area_mean(self.pixels, (round(rows / factor), round(columns / factor)))
        down, across = small.shape[0] / rows, small.shape[1] / columns
        return replace(
            self,
            pixels=small,
            valid=None if self.valid is None else _all_under(self.valid, small.shape),
            scale=(self.scale[0] * down, self.scale[1] * across),
        )


def overview_of(picture: BandedImage, long_side: int = WORKING_SIDE) -> Overview:
    """Look over a picture once, band by band.

    Parameters
    ----------
    picture : BandedImage
        Transmittance.
    long_side : int
        About how many pixels the result's long side shall have.
    """
    height, width = picture.shape
    block = max(1, min(round(max(height, width) / long_side), height, width))
    rows, columns = height // block, width // block
    p = len(picture.pattern)
    every = p if height < _ALL_ROWS_BELOW else math.lcm(_SAMPLED_ROWS, p)
    unit = math.lcm(block, every)
    means: list[Floats] = []
    samples = np.empty((-(-height // every) * p, *picture.row_shape), np.float32)
    valid: Mask | None = None
    for start, stop in bands(height, unit * max(1, BAND_ROWS // unit)):
        band = picture.rows(start, stop)
        whole = (stop - start) // block
        means.append(_block_means(band.pixels, block, columns))
        for at in range(0, stop - start - p + 1, every):
            taken = (start + at) // every * p
            samples[taken : taken + p] = band.pixels[at : at + p]
        if band.valid is not None and whole:
            valid = np.ones((rows, columns), bool) if valid is None else valid
            cut = band.valid[: whole * block, : columns * block]
            first = start // block
            valid[first : first + whole] = _all_under(cut, (whole, columns))
    return Overview(
        pixels=np.concatenate(means),
        valid=valid,
        scale=(1 / block, 1 / block),
        shape=picture.shape,
        pattern=picture.pattern,
        cells=class_means(
            samples[: (height - p) // every * p + p],
            site_classes(picture.pattern),
            grid_shape(picture.shape),
            sampled=(every, height),
        ),
    )


def find_in_overview(overview: Overview, *, light_known: bool = True) -> FoundPlate:
    """Find the plate; its corners are places in the capture. See :func:`find_plate`."""
    found = find_plate(overview.image, light_known=light_known)
    return replace(found, corners=overview.places_in_capture(found.corners))


def find_all_in_overview(overview: Overview, *, light_known: bool = True) -> tuple[FoundPlate, ...]:
    """Find every plate, at least one outline; corners are places in the capture."""
    image = overview.image
    found = find_plates(image, light_known=light_known) or (
        find_plate(image, light_known=light_known),
    )
    return tuple(
        replace(plate, corners=overview.places_in_capture(plate.corners)) for plate in found
    )


def _block_means(band: Floats, block: int, columns: int) -> Floats:
    """Return means over the blocks that a band holds whole."""
    if block == 1:
        return band.copy()
    rows = len(band) // block
    if rows == 0:
        return np.empty((0, columns, *band.shape[2:]), np.float32)
    cut = band[: rows * block, : columns * block]
    # Rows first: adding whole rows is several times faster than OpenCV's area mean over blocks.
    down = np.add.reduce(cut.reshape(rows, block, *cut.shape[1:]), axis=1)
    return _area_mean(down, (rows, columns)) / np.float32(block)


def _area_mean(pixels: Floats, shape: tuple[int, int]) -> Floats:
    """Return area means, ``shape`` rows and columns of them; OpenCV drops an axis of one."""
    small = cv2.resize(pixels, shape[::-1], interpolation=cv2.INTER_AREA)
    return np.asarray(small, np.float32).reshape(*shape, *pixels.shape[2:])


def _all_under(valid: Mask, shape: tuple[int, ...]) -> Mask:
    """Return validity for a reduced picture: a pixel is good where all under it are."""
    share = cv2.resize(
        valid.view(np.uint8) * np.uint8(255), shape[1::-1], interpolation=cv2.INTER_AREA
    )
    return np.asarray(share == 255, bool).reshape(shape[:2])
