"""The pixels of a TIFF file apart from everything else in it: their place, digest and values.

The digest is SHA-256 over the samples, row by row, 16 bits each, low byte first: anyone who can
decode the file can check it, whatever became of its tags.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import tifffile
from numpy.typing import NDArray

from platebench.memory import available_bytes

LARGEST_DECODED = 8 * 2**30  # bytes; a 30x40 cm plate at 4000 ppi has 6 GB of grey
_CHUNK = 1 << 22


@dataclass(frozen=True, slots=True, kw_only=True)
class PixelPlace:
    """Where the samples of an uncompressed picture lie in its file.

    Attributes
    ----------
    start, stop : int
        First byte, and one past the last.
    shape : tuple of int
        (M, N) or (M, N, 3).
    """

    start: int
    stop: int
    shape: tuple[int, ...]


def pixel_place(path: Path) -> PixelPlace | None:
    """Return where a TIFF's 16-bit samples lie; None if they are packed, or it is no such file."""
    try:
        with tifffile.TiffFile(path) as tif:
            page: Any = tif.pages[0]
            if page.dtype != np.uint16 or not page.is_contiguous or tif.byteorder != "<":
                return None
            start = int(page.dataoffsets[0])
            stop = start + 2 * int(np.prod(page.shape, dtype=np.int64))
            if stop > path.stat().st_size:
                return None
            return PixelPlace(start=start, stop=stop, shape=tuple(map(int, page.shape)))
    except Exception:  # on damaged files it raises almost anything
        return None


def read_pixels(path: Path) -> NDArray[np.uint16] | None:
    """Return the first picture of a TIFF file; None if it is not of 16 bits or cannot be read."""
    try:
        with tifffile.TiffFile(path) as tif:
            page: Any = tif.pages[0]
            most = min(LARGEST_DECODED, available_bytes() // 2)  # a file may claim any size
            if page.dtype != np.uint16 or 2 * np.prod(page.shape, dtype=float) > most:
                return None
            return np.asarray(page.asarray(), np.uint16)
    except Exception:
        return None


def pixel_digest(path: Path) -> tuple[str, tuple[int, ...]] | None:
    """Return the digest and the shape of a TIFF's pixels; None if they cannot be read."""
    place = pixel_place(path)
    if place is None:
        pixels = read_pixels(path)
        if pixels is None:
            return None
        samples = np.ascontiguousarray(pixels, "<u2")
        return hashlib.sha256(samples.data).hexdigest(), pixels.shape
    digest, left = hashlib.sha256(), place.stop - place.start
    with path.open("rb") as stream:
        stream.seek(place.start)
        while left and (chunk := stream.read(min(_CHUNK, left))):
            digest.update(chunk)
            left -= len(chunk)
    return None if left else (digest.hexdigest(), place.shape)
