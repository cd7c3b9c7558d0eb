"""How far two pictures are apart, in codes of 16 bits."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np

from platebench.outputs.tiff_pixels import read_pixels

_BAND_ROWS = 256


@dataclass(frozen=True, slots=True, kw_only=True)
class PixelDifference:
    """Statistics of the difference, second less first; codes from 0 to 65535.

    Attributes
    ----------
    same_size : bool
        False: the rest is zero, the pictures cannot be laid on each other.
    share : float
        Share of samples that differ, 0 to 1.
    largest : int
        Largest difference, either way.
    mean, rms : float
        Mean, and root of the mean square, over all samples.
    """

    same_size: bool
    share: float = 0.0
    largest: int = 0
    mean: float = 0.0
    rms: float = 0.0

    def __str__(self) -> str:
        if not self.same_size:
            return "the pictures differ in size"
        return (
            f"{self.share:.2%} of the samples differ, by at most {self.largest} of 65535; "
            f"mean {self.mean:+z.2f}, RMS {self.rms:.2f}"
        )

    def to_json(self) -> dict[str, Any]:
        """Return plain values."""
        return asdict(self)


def compare_pixels(first: Path, second: Path) -> PixelDifference | None:
    """Return how two 16-bit TIFFs differ; None if one cannot be read."""
    one, other = read_pixels(first), read_pixels(second)
    if one is None or other is None:
        return None
    if one.shape != other.shape:
        return PixelDifference(same_size=False)
    count = total = largest = 0
    squares = 0.0
    for top in range(0, len(one), _BAND_ROWS):
        band = slice(top, top + _BAND_ROWS)
        difference = other[band].astype(np.int32) - one[band]
        count += int(np.count_nonzero(difference))
        total += int(difference.sum(dtype=np.int64))
        squares += float(np.square(difference, dtype=np.float64).sum())
        largest = max(largest, int(np.abs(difference).max(initial=0)))
    samples = max(one.size, 1)
    return PixelDifference(
        same_size=True,
        share=count / samples,
        largest=largest,
        mean=total / samples,
        rms=float(np.sqrt(squares / samples)),
    )
