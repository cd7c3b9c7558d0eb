"""What a print makes of the ink in the file: the one curve every print negative goes through.

Ink is what the file asks of the printer: 0 is clear film, 1 all the ink the printer lays down in
the mode used. A 16-bit negative holds ``65535 * (1 - ink)``. More ink lets less light through,
so the print gets lighter: density falls as ink rises.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.interpolate import PchipInterpolator

if TYPE_CHECKING:
    from platebench.printing.process import Process

FULL_CODE = 65535
_GRID = 4097  # points the smooth curve is drawn through; both directions read the same polyline


@dataclass(frozen=True, slots=True, kw_only=True)
class PrintResponse:
    """Reflection density of the print for each amount of ink, printer and process together.

    Attributes
    ----------
    ink : tuple of float
        Rising from 0 to 1, at least two.
    density : tuple of float
        Reflection density of the print above its paper white; never rises with ink.
    calibrated : bool
        True where a print was measured; False where it is built from the profile's values.

    Examples
    --------
    >>> response = PrintResponse(ink=(0, 0.5, 1), density=(1.4, 0.7, 0.0))
    >>> response.d_max
    1.4
    >>> response.density_of([0.0, 0.5, 1.0]).tolist()
    [1.4, 0.7, 0.0]
    >>> response.ink_for([2.0, 0.7, -0.1]).tolist()
    [0.0, 0.5, 1.0]
    """

    ink: tuple[float, ...]
    density: tuple[float, ...]
    calibrated: bool = False

    def __post_init__(self) -> None:
        if len(self.ink) != len(self.density) or len(self.ink) < 2:
            raise ValueError(f"{len(self.ink)} inks and {len(self.density)} densities")
        if self.ink[0] != 0 or self.ink[-1] != 1 or not (np.diff(self.ink) > 0).all():
            raise ValueError("ink must rise from 0 to 1")
        if not np.isfinite(self.density).all() or (np.diff(self.density) > 0).any():
            raise ValueError("density must fall, or stay, as ink rises")
        if self.density[0] <= self.density[-1]:
            raise ValueError("the print shows no tones at all")

    @property
    def d_max(self) -> float:
        """Density of full black: what prints through clear film, above paper white."""
        return self.density[0]

    @property
    def d_min(self) -> float:
        """Density printed under all the ink there is; above 0 where that does not hold back."""
        return self.density[-1]

    def density_of(self, ink: ArrayLike) -> NDArray[np.float64]:
        """Return the print's density above paper white for some inks, clamped to 0 to 1."""
        grid, density = self._drawn()
        return np.asarray(np.interp(np.asarray(ink, np.float64), grid, density))

    def ink_for(self, density: ArrayLike) -> NDArray[np.float64]:
        """Return the ink that prints a density, clamped to what can be reached.

        Where a stretch of inks prints alike (deepest black, paper white) the end of it that
        joins on to the other tones is returned.
        """
        grid, drawn = self._drawn()
        inner = np.flatnonzero((drawn < drawn[0]) & (drawn > drawn[-1]))
        first = inner[0] - 1 if inner.size else np.flatnonzero(drawn == drawn[0])[-1]
        last = inner[-1] + 1 if inner.size else first + 1
        falling, inks = drawn[first : last + 1], grid[first : last + 1]
        falls = np.diff(falling) < 0
        starts, ends = np.concatenate(([True], falls)), np.concatenate((falls, [True]))
        # Of a stretch that prints alike both ends are needed, and as a step of the least height.
        level = np.where(ends & ~starts, np.nextafter(falling, -np.inf), falling)
        kept = starts | ends
        return np.asarray(
            np.interp(np.asarray(density, np.float64), level[kept][::-1], inks[kept][::-1])
        )

    def _drawn(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return the monotone cubic through the points, as a fine polyline."""
        grid = np.union1d(np.linspace(0.0, 1.0, _GRID), self.ink)
        drawn = PchipInterpolator(self.ink, self.density)(grid)
        return grid, np.minimum.accumulate(np.clip(drawn, self.density[-1], self.density[0]))


def response_of(process: Process) -> PrintResponse:
    """Return what is known of a process's print: its calibration, else its profile's values.

    Without a calibration the film's density is taken to rise in proportion to ink, so that full
    ink just holds back the whole exposure scale; then ink, as a share of full ink, is the share of
    the scale held back, whatever the scale is. A printer whose full ink holds back more prints
    too light, one that holds back less never reaches paper white: what calibration is for.
    """
    if process.calibration is not None:
        return process.calibration.response
    curve = process.print_curve
    return PrintResponse(
        ink=tuple(1 - share for share in reversed(curve.exposure)),
        density=tuple(process.look.d_max * share for share in reversed(curve.tone)),
    )


def codes_of(ink: ArrayLike) -> NDArray[np.uint16]:
    """Return the 16-bit values of a print negative: ``round(65535 * (1 - ink))``.

    Examples
    --------
    >>> codes_of([0.0, 0.5, 1.0]).tolist()
    [65535, 32768, 0]
    """
    share = np.clip(np.asarray(ink, np.float64), 0.0, 1.0)
    return np.asarray(np.floor(FULL_CODE * (1 - share) + 0.5), np.uint16)
