"""A capture's transmittance made a few rows at a time, as it is asked for.

Sixty million photosites as floats are 240 MB, and writing and fetching them takes longer than the
arithmetic. A band of a few rows stays in the processor's cache from the counts to whatever is
wanted of it: a reduced picture, a positive, a master.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from platebench.core.image import PlateImage

Floats = NDArray[np.float32]
Mask = NDArray[np.bool_]
BAND_ROWS = 24  # with its counts and its light about the second cache's size at 60 megapixels

BandStep = Callable[[Floats, int, int], None]
"""Changes a band of transmittance in place: band, first row, row after the last."""

BandSource = Callable[[int, int], tuple[Floats, Mask | None]]
"""Makes rows ``start`` to ``stop``: an array of its own, (rows, values in a row), and validity."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BandedImage:
    """Transmittance of a whole capture, made band by band.

    Attributes
    ----------
    shape : (int, int)
        Rows and columns.
    channels : int
        Values a site: 1, or 3 for red, green and blue.
    pattern : ndarray of uint8, shape (p, q)
        Colour-filter pattern still interleaved.
    make : callable
        What makes the rows.
    steps : tuple of callables
        What is done to each band after that, in order: glare off, stain off.
    """

    shape: tuple[int, int]
    channels: int
    pattern: NDArray[np.uint8]
    make: BandSource
    steps: tuple[BandStep, ...] = ()

    @property
    def row_shape(self) -> tuple[int, ...]:
        """Shape of one row: (columns,), or (columns, 3)."""
        return (self.shape[1],) if self.channels == 1 else (self.shape[1], self.channels)

    def then(self, step: BandStep) -> BandedImage:
        """Return the same picture with one more step."""
        return replace(self, steps=(*self.steps, step))

    def rows(self, start: int, stop: int) -> PlateImage:
        """Return rows ``start`` to ``stop``.

        ``pattern`` fits the band where ``start`` is a multiple of the pattern's rows.
        """
        first = start - start % len(self.pattern)  # steps know sites by their row in the band
        band, valid = self.make(first, stop)
        for step in self.steps:
            step(band, first, stop)
        return PlateImage(
            pixels=band.reshape(stop - first, *self.row_shape)[start - first :],
            valid=None if valid is None else valid[start - first :],
            pattern=self.pattern,
        )

    def whole(self) -> PlateImage:
        """Return all of it at once: four bytes a value."""
        pixels = np.empty((self.shape[0], *self.row_shape), np.float32)
        valid: Mask | None = None
        for start, stop in bands(self.shape[0]):
            band = self.rows(start, stop)
            pixels[start:stop] = band.pixels
            if band.valid is not None:
                valid = np.ones(self.shape, bool) if valid is None else valid
                valid[start:stop] = band.valid
        return PlateImage(pixels=pixels, valid=valid, pattern=self.pattern)


def bands(height: int, rows: int = BAND_ROWS) -> list[tuple[int, int]]:
    """Return first row and row after the last of each band.

    Examples
    --------
    >>> bands(50, 24)
    [(0, 24), (24, 48), (48, 50)]
    """
    return [(start, min(start + rows, height)) for start in range(0, height, rows)]


def banded(image: PlateImage) -> BandedImage:
    """Return a picture that is held whole as one that is asked for in bands."""
    channels = image.pixels.shape[2] if image.pixels.ndim == 3 else 1

    def make(start: int, stop: int) -> tuple[Floats, Mask | None]:
        band = image.pixels[start:stop].reshape(stop - start, -1).copy()
        return band, None if image.valid is None else image.valid[start:stop]

    return BandedImage(shape=image.shape, channels=channels, pattern=image.pattern, make=make)
