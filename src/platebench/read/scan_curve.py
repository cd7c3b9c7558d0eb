"""Linear light of a scan's codes: gamma, sRGB, or the tone curves of an embedded ICC profile.

References
----------
ICC.1:2022 (profile version 4.4): 7.2 header, 7.3 tag table, 10.6 curveType, 10.18
parametricCurveType, and annex F for monochrome and three-component matrix profiles.
IEC 61966-2-1 (sRGB). CIE 15 for L*.
"""

from __future__ import annotations

import struct
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

CODES = 65536
FULL_SCALE = 65535.0

Curve = NDArray[np.float64]  # (65536,), 0 to 1


class ProfileError(ValueError):
    """A profile whose tone curves cannot be undone. Caught inside the reading stage."""


@dataclass(frozen=True, slots=True, eq=False)
class ScanCurves:
    """Linear light, 0 to 1, of each 16-bit code; one curve, or one each for red, green, blue.

    Attributes
    ----------
    curves : tuple of ndarray of float64, each of shape (65536,)
        Length 1 or 3.
    origin : str
        Where they come from, in plain words.
    """

    curves: tuple[Curve, ...]
    origin: str

    @property
    def common(self) -> Curve | None:
        """The one curve that serves all channels; None if they differ by half a count or more."""
        first = self.curves[len(self.curves) // 2]
        apart = max(float(np.max(np.abs(curve - first))) for curve in self.curves)
        return first if apart < 0.5 / FULL_SCALE else None


def code_values() -> Curve:
    """Return the 65536 codes as shares of full scale."""
    return np.arange(CODES) / FULL_SCALE


def gamma_curve(gamma: float) -> Curve:
    """Return ``code ** gamma``.

    Examples
    --------
    >>> round(float(gamma_curve(2.0)[32768]), 6)
    0.250008
    """
    return np.asarray(code_values() ** gamma, np.float64)


def srgb_curve() -> Curve:
    """Return linear light of sRGB codes (IEC 61966-2-1).

    Examples
    --------
    >>> round(float(srgb_curve()[32768]), 4)  # ((0.5 + 0.055) / 1.055) ** 2.4
    0.214
    """
    code = code_values()
    return np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4)


def curves_from_profile(profile: bytes, channels: int) -> ScanCurves:
    """Return the tone curves of an ICC profile.

    Parameters
    ----------
    profile : bytes
        The embedded profile.
    channels : {1, 3}
        Channels of the picture.

    Raises
    ------
    ProfileError
        If the profile is damaged, is for another kind of picture, or has no tone curves of
        its own (only tables of colours).
    """
    if len(profile) < 132 or profile[36:40] != b"acsp":
        raise ProfileError("is damaged")
    space = profile[16:20]
    if space != b"RGB " and (channels == 3 or space != b"GRAY"):
        name = space.decode("ascii", "replace").strip()
        raise ProfileError(f"is for {name} pictures, not for one of {channels} channels")
    tags = _tag_table(profile)
    names = (b"kTRC",) if space == b"GRAY" else (b"rTRC", b"gTRC", b"bTRC")
    if not all(name in tags for name in names):
        raise ProfileError("has colour tables but no tone curves")
    with np.errstate(all="ignore"):  # a damaged curve overflows, and is refused for it
        curves = tuple(_read_curve(tags[name]) for name in names)
    if space == b"GRAY" and profile[20:24] == b"Lab ":
        curves = tuple(_light_from_lightness(curve) for curve in curves)
    found = ScanCurves(curves, _description(tags))
    if channels == 1 and found.common is None:
        raise ProfileError("is for RGB pictures, and has no one curve for a grey one")
    return found


def _tag_table(profile: bytes) -> dict[bytes, bytes]:
    (count,) = struct.unpack_from(">I", profile, 128)
    tags: dict[bytes, bytes] = {}
    for i in range(min(count, 200)):
        try:
            name, offset, size = struct.unpack_from(">4sII", profile, 132 + 12 * i)
        except struct.error as error:
            raise ProfileError("is damaged") from error
        tags[name] = profile[offset : offset + size]
    return tags


def _read_curve(data: bytes) -> Curve:
    try:
        if data[:4] == b"curv":
            curve = _sampled_curve(data)
        elif data[:4] == b"para":
            curve = _parametric_curve(data)
        else:
            raise ProfileError("has a tone curve of an unknown type")
    except struct.error as error:
        raise ProfileError("has a damaged tone curve") from error
    if not np.isfinite(curve).all() or curve[-1] <= curve[0] or (np.diff(curve) < -1e-6).any():
        raise ProfileError("has a tone curve that does not rise")
    return np.clip(curve, 0.0, 1.0)


def _sampled_curve(data: bytes) -> Curve:
    (count,) = struct.unpack_from(">I", data, 8)
    code = code_values()
    if count == 0:
        return code
    if count == 1:
        (fixed,) = struct.unpack_from(">H", data, 12)  # u8Fixed8Number
        return np.asarray(code ** (fixed / 256), np.float64)
    if len(data) < 12 + 2 * count:
        raise ProfileError("has a damaged tone curve")
    samples = np.frombuffer(data, ">u2", count, 12) / FULL_SCALE
    return np.asarray(np.interp(code, np.linspace(0, 1, count), samples), np.float64)


def _parametric_curve(data: bytes) -> Curve:
    (kind,) = struct.unpack_from(">H", data, 8)
    counts = {0: 1, 1: 3, 2: 4, 3: 5, 4: 7}
    if kind not in counts:
        raise ProfileError("has a tone curve of an unknown type")
    p = [n / 65536 for n in struct.unpack_from(f">{counts[kind]}i", data, 12)]  # s15Fixed16
    x = code_values()
    if kind == 0:
        return np.asarray(x ** p[0], np.float64)
    g, a, b = p[:3]
    power = np.maximum(a * x + b, 0.0) ** g
    if kind in (1, 2):
        if a == 0:
            raise ProfileError("has a damaged tone curve")
        offset = p[3] if kind == 2 else 0.0
        return np.asarray(np.where(x >= -b / a, power, 0.0) + offset, np.float64)
    c, d = p[3], p[4]
    e, f = (p[5], p[6]) if kind == 4 else (0.0, 0.0)
    return np.asarray(np.where(x >= d, power + e, c * x + f), np.float64)


def _light_from_lightness(curve: Curve) -> Curve:
    """Return luminance of L* given as 0 to 1 (CIE 15: inverse of the L* formula)."""
    f = (100 * curve + 16) / 116
    delta = 6 / 29
    return np.where(f > delta, f**3, 3 * delta**2 * (f - 4 / 29))


def _description(tags: dict[bytes, bytes]) -> str:
    """Return the profile's name (textDescriptionType or multiLocalizedUnicodeType)."""
    data = tags.get(b"desc", b"")
    readers: dict[bytes, Callable[[bytes], str]] = {b"desc": _ascii_text, b"mluc": _first_text}
    reader = readers.get(data[:4])
    text = ""
    if reader is not None:
        try:
            text = reader(data)
        except (struct.error, UnicodeDecodeError):
            text = ""
    text = " ".join("".join(c if c.isprintable() else " " for c in text).split())[:60]
    return f'colour profile "{text}"' if text else "embedded colour profile"


def _ascii_text(data: bytes) -> str:
    (count,) = struct.unpack_from(">I", data, 8)
    return data[12 : 12 + count].split(b"\0")[0].decode("latin-1")


def _first_text(data: bytes) -> str:
    size, offset = struct.unpack_from(">II", data, 20)
    return data[offset : offset + size].decode("utf-16-be")
