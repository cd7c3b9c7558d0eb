"""JPEG previews: small, grey, for screens and catalogues."""

from __future__ import annotations

from io import BytesIO
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from platebench.core.files import atomic_write
from platebench.write.colour import gray_gamma22_profile
from platebench.write.exif import CaptureFacts, exif_for_pillow

_LARGE = 1000  # pixels on the short side, where an odd last row is nothing to see
_DENSITY_LIMIT = 65535  # JFIF keeps pixels per inch in 16 bits


def write_preview(
    path: Path,
    pixels: NDArray[np.uint16] | NDArray[np.uint8],
    *,
    long_side: int = 2000,
    ppi: float | None = None,
    quality: int = 90,
    xmp: bytes = b"",
    exif: CaptureFacts | None = None,
) -> None:
    """Write a reduced copy of a positive as an 8-bit grey JPEG.

    Parameters
    ----------
    path : Path
        Replaced if it exists.
    pixels : ndarray of uint16 or uint8, shape (M, N)
        Gray gamma 2.2 code values.
    long_side : int
        Longest side of the preview, pixels. A smaller picture is not enlarged.
    ppi : float or None
        Pixels per inch of ``pixels``; the preview gets its own, to the nearest whole number.
    quality : int
        JPEG quality, 1 to 95.
    xmp : bytes
        XMP packet; empty for none.
    exif : CaptureFacts, optional
        What Exif says of the capture.

    Raises
    ------
    WriteError
        If it could not be written.
    """
    small = reduced(pixels, long_side)
    tags: dict[str, object] = {"xmp": xmp} if xmp else {}
    if ppi is not None:
        own = min(max(round(ppi * small.shape[0] / pixels.shape[0]), 1), _DENSITY_LIMIT)
        tags["dpi"] = (own, own)
    if exif is not None:
        tags["exif"] = exif_for_pillow(exif)
    with atomic_write(path) as stream:
        Image.fromarray(small).save(
            stream, "JPEG", quality=quality, icc_profile=gray_gamma22_profile(), **tags
        )


def smaller_preview(path: Path, side: int, *, quality: int = 82) -> bytes:
    """Return a preview as a smaller JPEG, its longest side at most ``side`` pixels.

    The file is decoded at a fraction of its size to begin with.

    Raises
    ------
    OSError
        If it cannot be read.
    """
    with Image.open(path) as picture:
        picture.draft("L", (side, side))
        picture.thumbnail((side, side))
        stream = BytesIO()
        picture.save(stream, "JPEG", quality=quality)
    return stream.getvalue()


def reduced(pixels: NDArray[np.uint16] | NDArray[np.uint8], long_side: int) -> NDArray[np.uint8]:
    """Return a picture as 8 bits, its longest side at most ``long_side`` pixels.

    Each new pixel is the mean of the code values it covers. Large pictures are halved first,
    which is many times faster; that may leave out an odd last row.
    """
    rows, columns = pixels.shape
    share = min(1.0, long_side / max(rows, columns))
    size = (max(1, round(rows * share)), max(1, round(columns * share)))
    small: NDArray[Any] = pixels
    while max(rows, columns) >= 4 * long_side and min(rows, columns) >= _LARGE:
        small = _resized(small[: rows // 2 * 2, : columns // 2 * 2], (rows // 2, columns // 2))
        rows, columns = small.shape
    if size != small.shape:
        small = _resized(small, size)
    if small.dtype == np.uint8:
        return small
    return ((small.astype(np.uint32) + 128) // 257).astype(np.uint8)


def _resized(pixels: NDArray[Any], shape: tuple[int, int]) -> NDArray[Any]:
    resized: NDArray[Any] = cv2.resize(pixels, shape[::-1], interpolation=cv2.INTER_AREA)
    return resized.reshape(shape)
