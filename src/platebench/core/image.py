"""The values that travel down the pipeline: sensor counts, then transmittance, a type for each.

Densities and the positive's codes are plain arrays, which the functions that take them name.

Shapes are row first: ``(M, N)`` for one value a photosite, ``(M, N, 3)`` for red, green, blue.
Coordinates are ``(row, column)`` with the centre of the first pixel at ``(0, 0)``.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray

MONO_PATTERN: NDArray[np.uint8] = np.ones((1, 1), np.uint8)
MONO_PATTERN.flags.writeable = False


UsedBits = Literal[8, 10, 12, 14, 16]


class CaptureKind(StrEnum):
    """How a capture was made."""

    RAW = "raw"  # a camera's own counts
    SCAN = "scan"  # a picture file with a gamma or a profile


@dataclass(frozen=True, slots=True, kw_only=True)
class CaptureInfo:
    """What a file says of itself; None where it says nothing.

    Attributes
    ----------
    taken : datetime or None
        Capture time as the camera's clock gave it (no time zone).
    orientation : int
        The file's orientation tag, 1 to 8 (1 = as stored). Recorded for raws, applied for scans.
    ppi : float or None
        Resolution tag of a scan, pixels per inch.
    block_step : float or None
        Of a scan packed with loss: to how many codes of 8 bits the mean of a block of 8 x 8 pixels
        was rounded.
    assumed_gamma : float or None
        The session's, of a scan that says nothing of its coding; None where the file says.
    shows_positive : bool
        A scan whose program inverted the plate, as the session says: its light is that of a
        positive, no transmittance.
    least_bits : int or None
        Of a scan of 16 bits that does not say how many are used: the fewest (8, 10, 12, 14 or 16)
        that hold all its values.
    no_date : str or None
        What stands in the file in place of a date, where it is none.
    notes : tuple of str
        What the reader assumed or did, in plain words, for the report.
    """

    path: Path
    kind: CaptureKind
    camera: str | None = None
    taken: datetime | None = None
    exposure_s: float | None = None
    f_number: float | None = None
    iso: float | None = None
    focal_length_mm: float | None = None
    orientation: int = 1
    ppi: float | None = None
    block_step: float | None = None
    assumed_gamma: float | None = None
    shows_positive: bool = False
    least_bits: UsedBits | None = None
    no_date: str | None = None
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SensorFrame:
    """Counts of one capture, with all it takes to turn them into light.

    Light at a site is ``curve[count] - black`` (``count - black`` where ``curve`` is None).

    Attributes
    ----------
    counts : ndarray of uint16, shape (M, N) or (M, N, 3)
        Visible area only. (M, N): a mosaic or one grey channel. Read-only.
    pattern : ndarray of uint8, shape (p, q)
        Colour of each site, repeating from the top left: 0 red, 1 green, 2 blue.
        ``MONO_PATTERN`` for grey and for (M, N, 3).
    black : ndarray of float32, shape (p, q), or (3,) for (M, N, 3)
        Level without light, in the units of ``curve`` (counts where there is none).
    white : float
        Counts at or above this are clipped.
    curve : ndarray of float32, shape (65536,), or None
        Linear light of each count; for scans, the gamma or profile undone.
    """

    counts: NDArray[np.uint16]
    pattern: NDArray[np.uint8]
    black: NDArray[np.float32]
    white: float
    info: CaptureInfo
    curve: NDArray[np.float32] | None = None

    def __post_init__(self) -> None:
        if self.counts.dtype != np.uint16:
            raise TypeError(f"counts must be uint16, got {self.counts.dtype}")
        expected = (3,) if self.counts.ndim == 3 else self.pattern.shape
        if self.black.shape != expected:
            raise ValueError(f"black has shape {self.black.shape}, expected {expected}")
        if self.curve is not None and self.curve.shape != (65536,):
            raise ValueError(f"curve has shape {self.curve.shape}, expected (65536,)")
        self.counts.flags.writeable = False

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        return self.counts.shape[0], self.counts.shape[1]

    @property
    def channels(self) -> int:
        """Values a site: 1, or 3 for red, green and blue."""
        return 3 if self.counts.ndim == 3 else 1

    @property
    def full_scale(self) -> float:
        """Light of a site at clipping, black off, in the units of ``curve``."""
        top = self.white if self.curve is None else float(self.curve[min(int(self.white), 65535)])
        return top - float(self.black.mean())


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PlateImage:
    """Transmittance: linear light, 1.0 = the bare light box at the same place.

    Attributes
    ----------
    pixels : ndarray of float32, shape (M, N) or (M, N, 3)
        Read-only; the image takes ownership of what it is given.
    valid : ndarray of bool, shape (M, N), or None
        False where the sensor clipped or there was no light to divide by. None: all valid.
    pattern : ndarray of uint8, shape (p, q)
        Colour-filter pattern still interleaved in ``pixels``; ``MONO_PATTERN`` if there is none.
    """

    pixels: NDArray[np.float32]
    valid: NDArray[np.bool_] | None = None
    pattern: NDArray[np.uint8] = field(default_factory=lambda: MONO_PATTERN)

    def __post_init__(self) -> None:
        if self.pixels.dtype != np.float32:
            raise TypeError(f"pixels must be float32, got {self.pixels.dtype}")
        self.pixels.flags.writeable = False
        if self.valid is not None:
            if self.valid.shape != self.pixels.shape[:2]:
                raise ValueError(f"valid {self.valid.shape} != pixels {self.pixels.shape[:2]}")
            self.valid.flags.writeable = False

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        return self.pixels.shape[0], self.pixels.shape[1]
