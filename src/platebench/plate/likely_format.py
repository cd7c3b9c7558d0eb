"""Which nominal formats a measured size may be, and how sure that is."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from platebench.core.formats import CUT_UNDER, FORMATS
from platebench.plate.plate_scale import PlateScale

Doubles = NDArray[np.float64]

SURE = 0.95  # share at which one format is proposed
NAMED = 0.05  # share above which a format is named
# Before a plate is measured: known formats are all as likely, and one plate in twenty is none of
# them, of any size from 35 to 420 mm. No source.
ODD = 0.05
_SIZES = np.log(420 / 35)


@dataclass(frozen=True, slots=True)
class LikelyFormat:
    """What a size says of a plate's format.

    Attributes
    ----------
    shares : tuple of (str, float)
        Formats that the size may be, most likely first, with their shares of all that it may be.
    odd : float
        Share of sizes that are no known format.
    size : str
        The size, with its errors, in words.
    """

    shares: tuple[tuple[str, float], ...]
    odd: float
    size: str

    @property
    def proposed(self) -> str:
        """The format, where one is sure; else ""."""
        name, share = self.shares[0] if self.shares else ("", 0.0)
        return name if share >= SURE else ""

    @property
    def said(self) -> str:
        """Size and formats in words."""
        named = [f"{name} ({min(share, 0.99):.0%} sure)" for name, share in self.shares]
        if not named:
            return f"{self.size}: no known format"
        odd = f", or no known format ({self.odd:.0%})" if self.odd > NAMED else ""
        return f"{self.size}: {' or '.join(named)}{odd}"


def likely_format(scale: PlateScale) -> LikelyFormat | None:
    """Return the formats that a measured plate may have; None of a size that is nominal itself.

    Cut sizes are taken as spread evenly from 1 % under nominal up to it (Clerc, *Photography:
    Theory and Practice*, section 239), either side by itself; errors as normal, that of the scale
    common to both sides.

    Examples
    --------
    >>> scale = PlateScale(pixels_per_mm=40.0, error=0.001, source="session", reference="plate-003",
    ...                    glass_mm=(89.6, 119.5), glass_sigma_mm=(0.12, 0.15))
    >>> likely_format(scale).proposed
    '9x12 cm'
    """
    if scale.glass_sigma_mm is None:
        return None
    common = 0.0 if scale.source == "caliper" or scale.error is None else scale.error
    sides = sorted(zip(scale.glass_mm, scale.glass_sigma_mm, strict=True))
    alone = [np.sqrt(max(s**2 - (mm * common) ** 2, 1e-6)) for mm, s in sides]
    shift = np.linspace(-4, 4, 81)
    weights = np.exp(-(shift**2) / 2)
    weights /= weights.sum()
    measured = [mm / (1 + common * shift) for mm, _ in sides]

    def fits(nominal: tuple[float, float]) -> float:
        return float(
            weights
            @ (
                _density(measured[0], float(alone[0]), nominal[0])
                * _density(measured[1], float(alone[1]), nominal[1])
            )
        )

    odd = ODD * 2 / (sides[0][0] * sides[1][0] * _SIZES**2)
    known = [
        (name, (1 - ODD) / len(FORMATS) * fits((short, long)))
        for name, short, long in ((f.name, f.short_mm, f.long_mm) for f in FORMATS)
    ]
    total = odd + sum(value for _, value in known)
    shares = sorted(((name, value / total) for name, value in known), key=lambda pair: -pair[1])
    return LikelyFormat(
        shares=tuple(pair for pair in shares if pair[1] > NAMED),
        odd=odd / total,
        size=scale.glass_said,
    )


def _density(measured: Doubles, sigma: float, nominal: float) -> Doubles:
    """Return how likely a measured side is, per mm, where the glass was cut to a nominal one."""
    least = nominal * (1 - CUT_UNDER)
    below, above = (measured - least) / sigma, (measured - nominal) / sigma
    return np.asarray((ndtr(below) - ndtr(above)) / (nominal - least), np.float64)
