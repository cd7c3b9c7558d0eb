"""A plate's scale: pixels per millimetre, where it is from, and its error.

A caliper size of one side gives the scale of that plate; where the camera's height was fixed, that
of the session. With neither, the scale is that of the nominal format, and so is the size: glass is
cut up to 1 % under it.

Errors are standard errors. They add: the caliper, the corners, what the plate's shape in the
capture leaves open (a camera that leans, or glass cut out of square, look alike), and between
plates the thickness of their glass and the lens.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from platebench.core.formats import CUT_UNDER, MM_PER_INCH, format_named
from platebench.core.settings import PlateSettings
from platebench.plate.plate_format import plate_format

Source = Literal["caliper", "session", "nominal"]
Pair = tuple[float, float]

# One standard error of a side by its corners, as a share of the capture's long side: found (scenes
# of bench/edges.py, seeds 90000 to 90029), or set by hand (no source).
CORNERS, BY_HAND = 0.00035, 0.0006
# Shares of a length, one standard error.
OFF_MIDDLE = 0.1  # of the difference of opposite sides: a caliper not quite across the middle
SPREAD = 0.25  # plate over the distance to the camera; the nearer, the more a lean shows
# Glass of 1 to 3 mm (values from memory) 400 mm below the camera: how far scales of two plates
# differ by it. A lens that draws the frame's rim at another scale than its middle: no source.
GLASS, LENS = 0.0013, 0.001
APART = 3.0  # standard errors: more is a contradiction


@dataclass(frozen=True, slots=True)
class Sides:
    """A plate's sides in its capture, means of opposite ones.

    Attributes
    ----------
    across, down : float
        Pixels.
    uneven : (float, float)
        By what share opposite sides differ, those across and those down.
    corners : float
        Error of a side by its corners, share of the shorter.
    """

    across: float
    down: float
    uneven: Pair
    corners: float

    @property
    def long_first(self) -> tuple[float, float]:
        """The longer and the shorter."""
        return max(self.across, self.down), min(self.across, self.down)

    @property
    def leaning(self) -> float:
        """Error of one side against the other, share: a plate that leans is seen foreshortened."""
        return float(sum((share / SPREAD) ** 2 / 2 for share in self.uneven))

    @property
    def error(self) -> float:
        """Error of a length taken off the capture at a known scale, share."""
        return math.hypot(self.corners, OFF_MIDDLE * max(self.uneven), self.leaning)


def sides_of(corners: ArrayLike, error_px: float = 0.0) -> Sides:
    """Return the sides of four corners: top left, top right, bottom right, bottom left.

    Examples
    --------
    >>> sides = sides_of([[0, 0], [0, 5000], [4000, 5040], [4000, -40]])
    >>> sides.across, round(sides.down), [round(share, 4) for share in sides.uneven]
    (5040.0, 4000, [0.0159, 0.0])
    """
    quad = np.asarray(corners, np.float64)
    top, right, bottom, left = (float(n) for n in np.hypot(*(np.roll(quad, -1, 0) - quad).T))
    across, down = (top + bottom) / 2, (left + right) / 2
    uneven = abs(top - bottom) / across, abs(left - right) / down
    return Sides(across, down, uneven, error_px / min(across, down))


@dataclass(frozen=True, slots=True, kw_only=True)
class PlateScale:
    """The scale of one plate in its capture.

    Attributes
    ----------
    pixels_per_mm : float
    error : float or None
        Standard error as a share; None of a nominal format, where it is no error but a range.
    source : {"caliper", "session", "nominal"}
    reference : str
        What it is from, in words: the caliper size, the plate of the session, the format.
    glass_mm, glass_sigma_mm : (float, float)
        The plate's size across and down in the capture, and its standard errors; of a nominal
        format the errors are None.
    doubt : str
        What contradicts it, in words; empty where nothing does.
    """

    pixels_per_mm: float
    error: float | None
    source: Source
    reference: str
    glass_mm: Pair
    glass_sigma_mm: Pair | None = None
    doubt: str = ""

    @property
    def ppi(self) -> float:
        """Pixels per inch."""
        return self.pixels_per_mm * MM_PER_INCH

    @property
    def glass_said(self) -> str:
        """The plate across and down in its capture, with errors and where they are from."""
        if self.glass_sigma_mm is None:
            return f"nominal format {self.reference}; glass is cut up to {CUT_UNDER:.0%} under it"
        pairs = zip(self.glass_mm, self.glass_sigma_mm, strict=True)
        sides = " x ".join(f"{mm:.1f} ± {max(sigma, 0.1):.1f}" for mm, sigma in pairs)
        return f"{sides} mm ({self.reference})"


def scale_of(
    corners: ArrayLike, settings: PlateSettings, frame: tuple[int, int]
) -> PlateScale | None:
    """Return the scale of a plate whose corners are known; None where nothing tells it.

    The plate's own caliper size comes before the session's scale, and that before the format.

    Parameters
    ----------
    corners : array_like, shape (4, 2)
        Top left, top right, bottom right, bottom left, ``(row, column)``, pixels.
    settings : PlateSettings
    frame : (int, int)
        Rows and columns of the capture.

    Examples
    --------
    >>> plate = [[0, 0], [0, 4780], [3580, 4780], [3580, 0]]
    >>> measured = PlateSettings(id="a", captures=(), format="9x12 cm", long_mm=119.5)
    >>> scale = scale_of(plate, measured, (4000, 6000))
    >>> scale.pixels_per_mm, scale.glass_mm, [round(mm, 2) for mm in scale.glass_sigma_mm]
    (40.0, (119.5, 89.5), [0.1, 0.11])
    """
    share = CORNERS if settings.corners is None else BY_HAND
    sides = sides_of(corners, share * max(frame))
    if settings.long_mm or settings.short_mm:
        return _by_caliper(sides, settings, frame)
    if settings.scale and _holds_for(settings, frame):
        per_mm, error = _session_scale(settings)
        return _scaled(sides, per_mm, error, "session", settings.scale_from, settings)
    fit = plate_format(corners, settings.format)
    if fit.ppi is None:
        return None
    per_mm = fit.ppi / MM_PER_INCH
    return PlateScale(
        pixels_per_mm=per_mm,
        error=None,
        source="nominal",
        reference=fit.name or "",
        glass_mm=(sides.across / per_mm, sides.down / per_mm),
    )


def doubt_of_scale(
    scale: PlateScale | None, settings: PlateSettings, frame: tuple[int, int]
) -> str:
    """Return what contradicts a scale, or why the session's was not used; "" where nothing does."""
    measured = scale is not None and scale.source != "nominal"
    if not measured and settings.scale and not _holds_for(settings, frame):
        rows, columns = settings.scale[2:]
        return (
            f"the session's scale holds for captures of {rows:.0f} x {columns:.0f} pixels; this "
            f"one has {frame[0]} x {frame[1]}, so it was not used"
        )
    return "" if scale is None else scale.doubt


def _holds_for(settings: PlateSettings, frame: tuple[int, int]) -> bool:
    """Tell whether the session's scale is of captures like this; joined tiles have any size."""
    known = settings.scale[2:]
    return not known or settings.join == "tiles" or sorted(known) == sorted(frame)


def _session_scale(settings: PlateSettings) -> Pair:
    """Return pixels per mm of the session for any one plate, and their relative error."""
    per_mm, sigma = settings.scale[:2]
    return per_mm, math.hypot(sigma / per_mm, GLASS, LENS)


def _by_caliper(sides: Sides, settings: PlateSettings, frame: tuple[int, int]) -> PlateScale:
    """Return the scale that one caliper size gives, or both."""
    measured = [
        (pixels / mm, math.hypot(settings.caliper_error_mm / mm, sides.error), mm)
        for pixels, mm in zip(sides.long_first, (settings.long_mm, settings.short_mm), strict=True)
        if mm
    ]
    per_mm, error, apart = weighted_mean([(value, share) for value, share, _ in measured])
    said = f"{' x '.join(f'{mm:g}' for _, _, mm in measured)} mm by caliper"
    doubt = ""
    if apart > APART:
        first, second = (value for value, _, _ in measured)
        doubt = (
            f"its two caliper sizes give scales {abs(first / second - 1):.1%} apart, more than "
            "their errors explain; measure again, or correct the corners"
        )
    elif settings.scale and _holds_for(settings, frame):
        others, sigma = _session_scale(settings)
        if abs(per_mm / others - 1) > APART * math.hypot(error, sigma):
            doubt = (
                f"its caliper size gives {per_mm:.2f} pixels per mm, the session's scale is "
                f"{others:.2f}; correct one of them, or let start measure the scale anew"
            )
    return _scaled(sides, per_mm, error, "caliper", said, settings, doubt)


def weighted_mean(values: Sequence[Pair]) -> tuple[float, float, float]:
    """Return the mean of values with relative errors, its relative error, and the discord.

    Returns
    -------
    mean, error : float
        The error is no less than what the values' scatter shows.
    discord : float
        How far the most distant value is off the mean, in its own standard errors.
    """
    weights = np.array([(value * error) ** -2 for value, error in values])
    each = np.array([value for value, _ in values])
    mean = float(weights @ each / weights.sum())
    away = np.abs(each - mean) * np.sqrt(weights)
    formal = float(weights.sum() ** -0.5)
    scatter = math.sqrt(float(np.square(away).sum()) / max(len(each) - 1, 1))
    return mean, formal * max(1.0, scatter) / mean, float(away.max())


def _scaled(
    sides: Sides,
    per_mm: float,
    error: float,
    source: Source,
    reference: str,
    settings: PlateSettings,
    doubt: str = "",
) -> PlateScale:
    glass = sides.across / per_mm, sides.down / per_mm
    if source == "caliper":  # a side that was measured is known by that alone
        known = dict(zip(sides.long_first, (settings.long_mm, settings.short_mm), strict=True))
        sigma = tuple(
            settings.caliper_error_mm
            if known.get(side) and not (settings.long_mm and settings.short_mm)
            else mm * math.hypot(error, sides.error)
            for side, mm in zip((sides.across, sides.down), glass, strict=True)
        )
    else:
        sigma = tuple(mm * math.hypot(error, sides.error) for mm in glass)
    return PlateScale(
        pixels_per_mm=per_mm,
        error=error,
        source=source,
        reference=reference,
        glass_mm=glass,
        glass_sigma_mm=(sigma[0], sigma[1]),
        doubt=doubt or _not_its_format(glass, (sigma[0], sigma[1]), settings.format),
    )


def _not_its_format(glass: Pair, sigma: Pair, name: str) -> str:
    """Say so where a measured size is not within what its format allows."""
    nominal = format_named(name) if name else None
    if nominal is None:
        return ""
    (short, short_sigma), (long, long_sigma) = sorted(zip(glass, sigma, strict=True))
    pairs = ((short, short_sigma, nominal.short_mm), (long, long_sigma, nominal.long_mm))
    for mm, error, most in pairs:
        if not most * (1 - CUT_UNDER) - APART * error <= mm <= most + APART * error:
            least = most * (1 - CUT_UNDER)
            return (
                f"the plate measures {mm:.1f} ± {error:.1f} mm where {nominal.name} has "
                f"{least:.1f} to {most:g} mm; correct its format, its corners or its caliper size"
            )
    return ""
