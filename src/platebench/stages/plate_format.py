"""Pixels per inch from a plate's known format, and a guess at the format where it is not known."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from platebench.formats import CUT_UNDER, FORMATS, MM_PER_INCH, PlateFormat, format_named

ASPECT_DOUBT = 0.015  # share by which the sides' ratio may differ from the format's
ALIKE = 0.01  # formats whose ratio lies this near are named as candidates


@dataclass(frozen=True, slots=True, kw_only=True)
class FormatFit:
    """How a plate's outline fits a format.

    Attributes
    ----------
    name : str or None
        The format, None if the user named none.
    ppi : float or None
        Pixels per inch at the plate, mean of both sides; None without a format.
    aspect_error : float
        Ratio of long to short side over that of the format, less one.
    candidates : tuple of str
        Formats of this ratio, where none was named: the ratio alone gives no size.
    doubts : tuple of str
        Plain words.
    """

    name: str | None = None
    ppi: float | None = None
    aspect_error: float = 0.0
    candidates: tuple[str, ...] = ()
    doubts: tuple[str, ...] = ()


def plate_format(corners: NDArray[np.float64], name: str | None) -> FormatFit:
    """Fit a format to a plate's corners.

    Plates are cut up to 1 % under the nominal size, never over (Clerc, section 239); half of
    that is allowed for, so that ppi is right to 0.5 %.

    Parameters
    ----------
    corners : ndarray of float64, shape (4, 2)
        Top left, top right, bottom right, bottom left, ``(row, column)``.
    name : str or None
        A format's name, or "W x H mm".
    """
    sides = np.linalg.norm(np.roll(corners, -1, axis=0) - corners, axis=1)
    across, down = float(sides[[0, 2]].mean()), float(sides[[1, 3]].mean())
    short, long = sorted((across, down))
    known = format_named(name) if name else None
    if known is None:
        return FormatFit(candidates=_candidates(long / short))
    error = (long / short) / (known.long_mm / known.short_mm) - 1
    cut = 1.0 if known not in FORMATS else 1 - CUT_UNDER / 2
    ppi = (long / known.long_mm + short / known.short_mm) / 2 * MM_PER_INCH / cut
    doubts = ()
    if abs(error) > ASPECT_DOUBT:
        doubts = (
            f"sides are {abs(error):.1%} {'longer' if error > 0 else 'squarer'} in shape than "
            f"{known.name}: is it another format?",
        )
    return FormatFit(name=known.name, ppi=ppi, aspect_error=error, doubts=doubts)


def _candidates(aspect: float) -> tuple[str, ...]:
    def far(known: PlateFormat) -> float:
        return abs(aspect / (known.long_mm / known.short_mm) - 1)

    return tuple(known.name for known in FORMATS if far(known) < ALIKE)
