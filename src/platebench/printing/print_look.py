"""What a finished print looks like: its curve, its depth, its paper and its hue.

Starting values for a soft proof and for a first negative, each with its standing. Nothing here
is measured unless its status says so.

``Status`` is that standing, for everything that is known of a process.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import ArrayLike, NDArray

from platebench.write.colour import lightness_of, luminance_of


class Status(StrEnum):
    """How a number came to be, the surest first; printed beside it wherever it is used."""

    TESTED = "tested"
    FOUND = "found"
    SECOND_HAND = "second-hand"
    MEMORY = "memory"
    PRACTICE = "practice"
    MIDDLE = "middle"
    STEP = "step"
    CHOSEN = "chosen"

    @property
    def words(self) -> str:
        """Say it for people."""
        return _WORDS[self]

    @property
    def derived(self) -> bool:
        """True where the number follows from others of the profile, or from the plate."""
        return self in (Status.MIDDLE, Status.STEP, Status.CHOSEN)


_WORDS = {
    Status.TESTED: "your own test",
    Status.FOUND: "read in the source",
    Status.SECOND_HAND: "read second-hand",
    Status.MIDDLE: "middle of the two ends",
    Status.STEP: "half a tablet step from the typical value",
    Status.CHOSEN: "set for the plate",
    Status.MEMORY: "from memory, no source read",
    Status.PRACTICE: "practice value, no source",
}
SOURCED = (Status.FOUND, Status.SECOND_HAND)


Lab = tuple[float, float, float]
Hue = tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class SpectralBand:
    """The light a sensitised layer prints by, nanometres."""

    low: float
    high: float
    status: Status

    @property
    def words(self) -> str:
        """Say it for people.

        Examples
        --------
        >>> SpectralBand(low=320, high=420, status=Status.MEMORY).words
        '320 to 420 nm (from memory, no source read)'
        """
        return f"{self.low:g} to {self.high:g} nm ({self.status.words})"


@dataclass(frozen=True, slots=True, kw_only=True)
class PrintCurve:
    """Shape of a process's own curve, whatever its exposure scale.

    Attributes
    ----------
    exposure : tuple of float
        Share of the exposure scale, in log exposure: 0 where the print begins to show a tone, 1
        where it reaches full black. Rises from 0 to 1.
    tone : tuple of float
        Share of the full black's density above paper white; rises from 0 to 1.
    status : Status
    source : str
        Where it was read; "" where it was not.
    """

    exposure: tuple[float, ...]
    tone: tuple[float, ...]
    status: Status
    source: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class PrintLook:
    """Depth, paper and hue of a print.

    Attributes
    ----------
    d_max : float
        Reflection density of full black above paper white.
    paper_white : tuple of 3 float
        CIE L*a*b* of the bare paper, D50.
    middle_hue, black_hue : tuple of 2 float
        a* and b* at half of ``d_max``, and at ``d_max``.
    status : tuple of 4 Status
        Of the four, in this order.
    source : str
        Where they were read; "" where they were not.
    """

    d_max: float
    paper_white: Lab
    middle_hue: Hue
    black_hue: Hue
    status: tuple[Status, Status, Status, Status]
    source: str = ""

    def lab_of(self, density: ArrayLike) -> NDArray[np.float64]:
        """Return CIE L*a*b* (D50) of print densities above paper white.

        Lightness follows from reflectance (CIE 15); hue runs from paper over middle to black.

        Returns
        -------
        ndarray of float64, shape (..., 3)

        Examples
        --------
        >>> look = PrintLook(d_max=1.4, paper_white=(95.0, 0.0, 4.0), middle_hue=(4.0, 8.0),
        ...                  black_hue=(2.0, 3.0), status=(Status.MEMORY,) * 4)
        >>> look.lab_of([0.0, 0.7, 1.4]).round(1).tolist()
        [[95.0, 0.0, 4.0], [48.9, 4.0, 8.0], [21.9, 2.0, 3.0]]
        """
        above = np.asarray(density, np.float64)
        lightness = lightness_of(luminance_of(self.paper_white[0]) * 10**-above)
        at = (0.0, self.d_max / 2, self.d_max)
        hues = (self.paper_white[1:], self.middle_hue, self.black_hue)
        a, b = (np.interp(above, at, [hue[i] for hue in hues]) for i in (0, 1))
        return np.stack([lightness, a, b], axis=-1)


# Where a profile says nothing: a matt print on cotton paper, near neutral.
GENERAL_LOOK = PrintLook(
    d_max=1.4,
    paper_white=(95.0, 0.0, 4.0),
    middle_hue=(1.0, 4.0),
    black_hue=(1.0, 2.0),
    status=(Status.PRACTICE,) * 4,
)
GENERAL_CURVE = PrintCurve(
    exposure=(0.0, 0.125, 0.25, 0.375, 0.5, 0.625, 0.75, 0.875, 1.0),
    tone=(0.0, 0.03, 0.11, 0.26, 0.47, 0.69, 0.86, 0.96, 1.0),
    status=Status.PRACTICE,
)
