"""The characteristic curve that belongs to a plate, as numbers for the drawing on its page.

The page draws it itself, in the reader's own colours: 2 kB a plate, and its words stay words.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from platebench.exhibit.gather import ShownPlate
from platebench.sensitometry.curve_file import BatchCurve
from platebench.sensitometry.plot_paper import steps_between

UNIT = 100  # of the drawing, a log unit and a density D
_POINTS = 160
_HEADROOM = 0.2  # D above the densest point


@dataclass(frozen=True, slots=True, kw_only=True)
class CurveDrawing:
    """A curve to draw; places in units of the drawing, from the left and from the top.

    Attributes
    ----------
    width, height : int
    line, used : str
        Points of the curve, and of the part between the plate's thinnest and densest tone; "" where
        that is not known.
    across, down : tuple of (int, str)
        Places and figures of the grid, every half.
    absolute : bool
        Exposures in lux seconds.
    said : str
        What curve it is, and its figures.
    """

    width: int
    height: int
    line: str
    used: str
    across: tuple[tuple[int, str], ...]
    down: tuple[tuple[int, str], ...]
    absolute: bool
    said: str


def drawing_of(plate: ShownPlate, curve: BatchCurve) -> CurveDrawing:
    """Return the drawing of a curve with the part that a plate uses."""
    log_h = np.linspace(curve.drawn.low, curve.drawn.high, _POINTS)
    density = np.asarray(curve.drawn.rule(log_h))
    left, right = (np.floor(2 * log_h[0]) / 2, np.ceil(2 * log_h[-1]) / 2)
    top = np.ceil(2 * (density.max() + _HEADROOM)) / 2
    used = np.zeros(log_h.size, bool)
    if (seen := plate.record.densities) is not None:
        used = (density >= seen.d_min) & (density <= seen.d_max)
    places = np.column_stack([log_h - left, top - density]) * UNIT
    minutes = "" if curve.minutes is None else f", developed for {curve.minutes:.3g} minutes"
    return CurveDrawing(
        width=round((right - left) * UNIT),
        height=round(top * UNIT),
        line=_points(places),
        used=_points(places[used]) if used.sum() > 1 else "",
        across=_grid(left, right, left, 1),
        down=_grid(0, top, top, -1),
        absolute=curve.absolute,
        said=f"Batch {curve.batch}{minutes}: gamma {curve.gamma:.2f}, "
        f"base plus fog {curve.base_fog:.2f} D, maximum density {curve.d_max:.2f} D.",
    )


def _points(places: NDArray[np.float64]) -> str:
    return " ".join(f"{x:.1f},{y:.1f}" for x, y in places)


def _grid(low: float, high: float, origin: float, sign: int) -> tuple[tuple[int, str], ...]:
    return tuple(
        (round(sign * (at - origin) * UNIT), f"{at:z.1f}".replace("-", "\N{MINUS SIGN}"))
        for at in steps_between(low, high, 0.5)
    )
