"""A 16-bit picture at another number of pixels, band by band, without aliasing."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from PIL import Image

_REACH = 3  # of the Lanczos kernel, in pixels of the coarser of the two grids
_FULL = 65535.0
_BAND = 64  # rows at a time: no float copy of the whole picture


def resampled_rows(
    picture: NDArray[np.uint16], shape: tuple[int, int], top: int, bottom: int
) -> NDArray[np.uint16]:
    """Return rows ``top`` to ``bottom`` of a picture resampled to ``shape``.

    Lanczos of three lobes (Pillow), widened where the picture gets smaller, so that what the new
    grid cannot hold is taken out and not aliased. Bands join without a seam: each is cut from
    the same grid.

    Parameters
    ----------
    picture : ndarray of uint16, shape (M, N)
        Code values; interpolated as they are, in the gamma they are coded with.
    shape : (int, int)
        Rows and columns of the whole result.
    top, bottom : int
        Rows wanted, half-open.

    Returns
    -------
    ndarray of uint16, shape (bottom - top, shape[1])
    """
    if picture.shape == shape:
        return np.ascontiguousarray(picture[top:bottom])
    down = picture.shape[0] / shape[0]
    reach = math.ceil(_REACH * max(down, 1.0)) + 1
    low = max(0, math.floor(top * down) - reach)
    high = min(picture.shape[0], math.ceil(bottom * down) + reach)
    part = Image.fromarray(picture[low:high].astype(np.float32))
    box = (0.0, top * down - low, float(picture.shape[1]), min(bottom * down - low, high - low))
    band = part.resize((shape[1], bottom - top), Image.Resampling.LANCZOS, box=box)
    codes = np.asarray(band)
    return np.asarray(np.rint(np.clip(codes, 0.0, _FULL)), np.uint16)


def at_most(picture: NDArray[np.uint16], long_side: int) -> NDArray[np.uint16]:
    """Return a picture reduced until its long side is ``long_side``; a smaller one as it is."""
    rows, columns = picture.shape
    scale = min(1.0, long_side / max(rows, columns))
    shape = max(1, round(rows * scale)), max(1, round(columns * scale))
    spans = ((top, min(top + _BAND, shape[0])) for top in range(0, shape[0], _BAND))
    return np.concatenate([resampled_rows(picture, shape, *span) for span in spans])
