"""Colours as measured (CIELAB of D50) to red, green and blue of a screen."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from skimage.color import lab2xyz

Doubles = NDArray[np.float64]

# Linear red, green, blue of BT.709 to XYZ of D50, with the Bradford adaptation of icc.py.
_TO_XYZ = ((0.43607, 0.38515, 0.14307), (0.22249, 0.71687, 0.06061), (0.01392, 0.09708, 0.71410))
_FROM_XYZ = np.linalg.inv(np.array(_TO_XYZ))
_LINEAR = (6 / 29) ** 3  # CIE 15: below this share of white, lightness is linear


def lightness_of(luminance: ArrayLike) -> NDArray[np.float64]:
    """Return CIE L* of luminance relative to white (CIE 15).

    Examples
    --------
    >>> lightness_of([1.0, 10**-0.3, 10**-1.0, 10**-2.0]).round(1).tolist()
    [100.0, 76.1, 37.8, 9.0]
    """
    y = np.asarray(luminance, np.float64)
    cube = np.cbrt(np.maximum(y, _LINEAR))
    return np.where(y > _LINEAR, 116 * cube - 16, y * (29 / 3) ** 3)


def luminance_of(lightness: ArrayLike) -> NDArray[np.float64]:
    """Return luminance relative to white of CIE L* (CIE 15, inverse).

    Examples
    --------
    >>> luminance_of([100.0, 50.0, 8.0]).round(4).tolist()
    [1.0, 0.1842, 0.0089]
    """
    value = np.asarray(lightness, np.float64)
    return np.where(value > 8, ((value + 16) / 116) ** 3, value * (3 / 29) ** 3)


def linear_rgb_of_lab(lab: Doubles) -> Doubles:
    """Return linear light of BT.709 primaries, cut to what they can show.

    Parameters
    ----------
    lab : ndarray of float64, shape (n, 3)
        L*, a*, b* relative to D50, 2 degrees.

    Returns
    -------
    ndarray of float64, shape (n, 3)
        0 to 1.
    """
    xyz = lab2xyz(lab[np.newaxis], illuminant="D50", observer="2")[0]
    return np.asarray(np.clip(xyz @ _FROM_XYZ.T, 0.0, 1.0), np.float64)


def srgb_coded(linear: Doubles) -> Doubles:
    """Return sRGB values of linear light, 0 to 1.

    References
    ----------
    IEC 61966-2-1, the transfer function (constants from memory; checked against another library).

    Examples
    --------
    >>> srgb_coded(np.array([0.0, 0.2140411, 1.0])).round(4).tolist()
    [0.0, 0.5, 1.0]
    """
    return np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)
