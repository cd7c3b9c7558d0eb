"""Lightness and sRGB of a print's hue, and colour profiles written by hand.

There is no single registered file for "gray gamma 2.2", so this makes one from the power law.
Layout: ICC.1:2001-04 (version 2.4), the version every reader takes. All numbers are big-endian.
"""

from __future__ import annotations

import struct
from functools import cache

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


_D50 = (0.9642, 1.0, 0.8249)  # profile connection space illuminant, ICC.1 section 6.1.3
_MADE = (2026, 1, 1, 0, 0, 0)  # fixed, so that the same profile is always the same bytes
_GAMMA = 2.2
# ITU-R BT.709 primaries under D65, adapted to D50 (Bradford): the colorants of IEC 61966-2-1.
_COLORANTS = {
    b"rXYZ": (0.43607, 0.22249, 0.01392),
    b"gXYZ": (0.38515, 0.71687, 0.09708),
    b"bXYZ": (0.14307, 0.06061, 0.71410),
}


@cache
def gray_gamma22_profile() -> bytes:
    """Return an ICC profile for grey pictures coded with a 2.2 power law, white D50.

    The exponent is stored as the format allows, 563/256 = 2.1992.
    """
    return _grey("Gray gamma 2.2", _GAMMA)


@cache
def rgb_gamma22_profile() -> bytes:
    """Return an ICC profile for colour: ITU-R BT.709 primaries, a 2.2 power law, white D50."""
    return _colour("RGB gamma 2.2, BT.709 primaries", _GAMMA)


@cache
def gray_linear_profile() -> bytes:
    """Return an ICC profile for linear grey, white D50."""
    return _grey("Linear transmittance, grey", 1.0)


@cache
def rgb_linear_profile() -> bytes:
    """Return an ICC profile for linear transmittance by a camera's red, green and blue filters.

    Filters have no colorants in the sense of a profile. ITU-R BT.709's are named so that neutral
    silver shows neutral and stain about as it looks; the numbers mean what the filters passed.
    """
    return _colour("Linear transmittance by colour filter, BT.709 for display", 1.0)


def _grey(name: str, gamma: float) -> bytes:
    tags = {
        b"desc": _description(name),
        b"cprt": _text("No copyright"),
        b"wtpt": _xyz(_D50),
        b"kTRC": _power_law(gamma),
    }
    return _profile(b"GRAY", tags)


def _colour(name: str, gamma: float) -> bytes:
    tags = {
        b"desc": _description(name),
        b"cprt": _text("No copyright"),
        b"wtpt": _xyz(_D50),
        **{tag: _xyz(value) for tag, value in _COLORANTS.items()},
        **{tag: _power_law(gamma) for tag in (b"rTRC", b"gTRC", b"bTRC")},
    }
    return _profile(b"RGB ", tags)


def _profile(space: bytes, tags: dict[bytes, bytes]) -> bytes:
    """Return header, tag table and tag data; equal data is stored once."""
    offset = 128 + 4 + 12 * len(tags)
    table, body = struct.pack(">I", len(tags)), b""
    placed: dict[bytes, int] = {}
    for name, data in tags.items():
        if data not in placed:
            placed[data] = offset + len(body)
            body += data + b"\0" * (-len(data) % 4)
        table += struct.pack(">4sII", name, placed[data], len(data))
    header = struct.pack(
        ">I4s I 4s4s4s 6H 4s4s I 4s I Q I 3i 4s 44x",
        offset + len(body),
        b"\0\0\0\0",  # no preferred engine
        0x02400000,  # version 2.4
        b"mntr",
        space,
        b"XYZ ",
        *_MADE,
        b"acsp",
        b"\0\0\0\0",  # no platform
        0,  # flags
        b"\0\0\0\0",  # no manufacturer
        0,  # no model
        0,  # attributes
        0,  # perceptual
        *(_fixed(value) for value in _D50),
        b"\0\0\0\0",  # no creator
    )
    return header + table + body


def _fixed(value: float) -> int:
    """Return a s15Fixed16Number."""
    return round(value * 65536)


def _xyz(value: tuple[float, float, float]) -> bytes:
    return struct.pack(">4s4x3i", b"XYZ ", *(_fixed(part) for part in value))


def _power_law(gamma: float) -> bytes:
    """Return a curveType of one entry, a u8Fixed8Number exponent."""
    return struct.pack(">4s4xIH", b"curv", 1, round(gamma * 256))


def _text(text: str) -> bytes:
    return struct.pack(">4s4x", b"text") + text.encode("ascii") + b"\0"


def _description(text: str) -> bytes:
    """Return a textDescriptionType: ASCII, and empty Unicode and script parts."""
    ascii_text = text.encode("ascii") + b"\0"
    start = struct.pack(">4s4xI", b"desc", len(ascii_text))
    return start + ascii_text + struct.pack(">II HB 67x", 0, 0, 0, 0)
