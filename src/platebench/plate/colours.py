"""Red, green and blue from a filter mosaic, for plates that are truly coloured.

Colour is taken to change slowly, brightness at every site: each channel is its own low-passed
picture times the detail that the site itself shows. Works for any filter pattern.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from platebench.core.image import MONO_PATTERN, PlateImage

_FAINTEST = np.float32(1e-4)  # transmittance; keeps the ratio of two dark values finite


def separate_colours(image: PlateImage) -> PlateImage:
    """Return red, green and blue transmittance at every site.

    Parameters
    ----------
    image : PlateImage
        Transmittance, shape (M, N) with a filter pattern of three colours; other pictures are
        returned as they are.

    Returns
    -------
    PlateImage
        Shape (M, N, 3), no pattern.
    """
    if image.pixels.ndim == 3 or image.pattern.size == 1:
        return image
    height, width = image.shape
    p, q = image.pattern.shape
    sigma = 0.6 * max(p, q)
    lit = np.maximum(image.pixels, _FAINTEST)
    lows = []
    detail = np.empty_like(lit)
    for colour in range(3):
        mask = np.tile(image.pattern == colour, (-(-height // p), -(-width // q)))
        weight = mask[:height, :width].astype(np.float32)
        low = _blur(lit * weight, sigma) / np.maximum(_blur(weight, sigma), 1e-6)
        np.divide(lit, low, out=detail, where=weight > 0)
        lows.append(low)
    pixels = np.stack([low * detail for low in lows], axis=-1).astype(np.float32, copy=False)
    return PlateImage(pixels=pixels, valid=image.valid, pattern=MONO_PATTERN)


def one_channel(pixels: NDArray[np.float32], *, by_green: bool) -> NDArray[np.float32]:
    """Return one value a pixel.

    Parameters
    ----------
    pixels : ndarray of float32, shape (M, N) or (M, N, 3)
        Transmittance; what has one channel is returned as it is.
    by_green : bool
        Of three channels take green; else all three count alike, which is right for neutral
        silver only.

    Returns
    -------
    ndarray of float32, shape (M, N)
    """
    if pixels.ndim == 2:
        return pixels
    return np.asarray(pixels[..., 1] if by_green else pixels.mean(axis=2), np.float32)


def _blur(plane: NDArray[np.float32], sigma: float) -> NDArray[np.float32]:
    return np.asarray(cv2.GaussianBlur(plane, (0, 0), sigma, borderType=cv2.BORDER_REFLECT_101))
