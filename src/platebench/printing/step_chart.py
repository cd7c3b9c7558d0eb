"""The step chart: which ink each patch asks for, and where it lies. Pure; lengths in mm.

Every level is printed twice or four times, black and white more often. Duplicates lie opposite
one another through the middle of the sheet, so that a slope of the coating or of the light cancels
in their mean; which pair holds which level is drawn once with a fixed seed, so that unevenness
cannot pass for tone.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from platebench.core.errors import ChartError
from platebench.core.plain_json import read_json
from platebench.core.rounding import rounded
from platebench.printing.process import Colour, PrintResponse
from platebench.write.paper_page import Box

ROWS, COLUMNS = 18, 13
LEVELS = (51, 101)
PATCH = 7.5
WIDTH, HEIGHT = 118.0, 172.0  # a 5x7 in or 13x18 cm sheet takes it
MARKER = 10.0  # corner squares
_EDGE = 3.0  # from the sheet's edge to a corner square: full ink, so that paper stays white
_SEED = 20_051  # of the order of patches; changing it makes every printed chart a wrong one
FIRST_STRIP = 200  # numbers from here on are test strips
INK_CHART = 245  # number of the chart that an ink is chosen by
_CORRECTED = range(10, FIRST_STRIP)  # numbers of charts made through a correction
_DOTS = 2.5  # D, density of full ink assumed before anything is known
_VERSION = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class StepChart:
    """A chart of known inks.

    Attributes
    ----------
    inks : tuple of float
        Share of full ink of each level, rising from 0 to 1.
    number : int
        Coded in its corner squares; tells one chart from another.
    made_for : str
        Name of the process whose correction, or ink, it went through; "" for none.
    colour : tuple of 3 float or None
        Of the ink it is printed in; None for plain black.
    """

    inks: tuple[float, ...]
    number: int
    made_for: str = ""
    colour: Colour | None = None

    @property
    def name(self) -> str:
        """Name as it is printed on the sheet, such as ``51-0``."""
        return f"{len(self.inks)}-{self.number}"

    @property
    def order(self) -> NDArray[np.int64]:
        """Level of each patch, shape (ROWS, COLUMNS)."""
        return _order(len(self.inks))

    @property
    def patch_inks(self) -> NDArray[np.float64]:
        """Ink of each patch, shape (ROWS, COLUMNS)."""
        return np.asarray(self.inks, np.float64)[self.order]


def plain_chart(levels: int = 101, made_for: str = "", colour: Colour | None = None) -> StepChart:
    """Return the chart of a first pass.

    Its steps are even in the mean of ink and the density of plain dots of ink (Murray and Davies):
    between dots that almost touch the film's density shoots up, and equal steps of ink miss it.

    Parameters
    ----------
    levels : {51, 101}
        51 levels are printed four times each, 101 twice.
    made_for : str
        Name of the process the ink was chosen for.
    colour : tuple of 3 float, optional
        Of the ink; None for plain black.
    """
    inks = inks_at(np.linspace(0, 1, levels))
    if colour is not None:
        return _numbered(inks, made_for, colour)
    return StepChart(inks=_inks_of(inks), number=LEVELS.index(levels))


def place_of(ink: ArrayLike) -> NDArray[np.float64]:
    """Return where inks lie on a scale that is even in the mean of ink and density of plain dots.

    Examples
    --------
    >>> place_of([0.0, 0.5, 0.9, 1.0]).round(2).tolist()
    [0.0, 0.31, 0.65, 1.0]
    """
    share = np.asarray(ink, np.float64)
    film = -np.log10(1 - share * (1 - 10**-_DOTS)) / _DOTS
    return np.asarray((share + film) / 2)


def inks_at(place: ArrayLike) -> NDArray[np.float64]:
    """Return the inks at places of :func:`place_of`'s scale: its inverse."""
    fine = np.linspace(0, 1, 20_001)
    return np.asarray(np.interp(np.asarray(place, np.float64), place_of(fine), fine))


def corrected_chart(
    response: PrintResponse, made_for: str, levels: int = 101, colour: Colour | None = None
) -> StepChart:
    """Return the chart of a second pass: steps that should print equally far apart.

    The steps are even in the mean of density and ink as the present correction has it. Density
    alone would leave out the inks beyond white and before black, where the first print may err.
    """
    fine = np.linspace(0, 1, 20_001)
    density = response.density_of(fine)
    share = (response.d_max - density) / (response.d_max - response.d_min)
    place = 0.75 * share + 0.25 * fine
    return _numbered(np.interp(np.linspace(0, 1, levels), place, fine), made_for, colour)


def _numbered(inks: NDArray[np.float64], made_for: str, colour: Colour | None) -> StepChart:
    """Return a chart that is known by a number made from all that is its own."""
    shares = _inks_of(inks)
    own = [made_for, shares] if colour is None else [made_for, shares, colour]
    code = hashlib.sha256(json.dumps(own).encode()).digest()
    number = _CORRECTED[int.from_bytes(code[:4]) % len(_CORRECTED)]
    return StepChart(inks=shares, number=number, made_for=made_for, colour=colour)


def patch_box(row: int, column: int) -> Box:
    """Return where a patch lies on the sheet, as the print reads."""
    top = (HEIGHT - ROWS * PATCH) / 2 + row * PATCH
    left = (WIDTH - COLUMNS * PATCH) / 2 + column * PATCH
    return Box(top, left, top + PATCH, left + PATCH)


def patch_name(row: int, column: int) -> str:
    """Return a patch's name as the margins have it, such as ``C7``.

    Examples
    --------
    >>> patch_name(2, 6)
    'C7'
    """
    return f"{chr(ord('A') + row)}{column + 1}"


def marker_boxes(width: float = WIDTH, height: float = HEIGHT) -> tuple[Box, ...]:
    """Return the corner squares: top left, top right, bottom right, bottom left."""
    near, far_x, far_y = _EDGE, width - _EDGE - MARKER, height - _EDGE - MARKER
    corners = ((near, near), (near, far_x), (far_y, far_x), (far_y, near))
    return tuple(Box(top, left, top + MARKER, left + MARKER) for top, left in corners)


def white_box(width: float = WIDTH, height: float = HEIGHT) -> Box:
    """Return the strip along the lower edge that is kept covered, and gives paper white."""
    top = height - _EDGE - MARKER + 1.0
    return Box(top, 26.0, top + 8.0, width - 26.0)


def chart_to_json(chart: StepChart) -> dict[str, Any]:
    """Return a chart as JSON types."""
    return {
        "step_chart": _VERSION,
        "number": chart.number,
        "made_for": chart.made_for,
        "inks": list(chart.inks),
        **({} if chart.colour is None else {"colour": list(chart.colour)}),
    }


def load_chart(path: Path) -> StepChart:
    """Read the file that was written beside a chart's picture.

    Raises
    ------
    ChartError
        If it is not there or is no such file.
    """
    remedy = "name the .json file that process-chart wrote beside the picture"
    try:
        found = read_json(path.read_text("utf-8"))
        inks = tuple(float(ink) for ink in found["inks"])
        red, green, blue = map(float, found.get("colour", (0, 0, 0)))
        chart = StepChart(
            inks=inks,
            number=int(found["number"]),
            made_for=str(found["made_for"]),
            colour=(red, green, blue) if "colour" in found else None,
        )
        sound = found["step_chart"] == _VERSION and len(inks) in LEVELS
    except (OSError, ValueError, TypeError, KeyError, OverflowError) as error:
        raise ChartError(path, "cannot be read as a step chart's file", remedy) from error
    if not sound or not _rises(inks) or not 0 <= chart.number < 250:
        raise ChartError(path, "is no step chart's file of this version", remedy)
    return chart


def _inks_of(inks: NDArray[np.float64]) -> tuple[float, ...]:
    return tuple(rounded(ink, 6) for ink in inks)


def _rises(inks: Sequence[float]) -> bool:
    return inks[0] == 0 and inks[-1] == 1 and bool((np.diff(inks) > 0).all())


def _order(levels: int) -> NDArray[np.int64]:
    """Return the level of each patch: opposite patches share one, pairs are drawn at random."""
    pairs = ROWS * COLUMNS // 2
    wanted = np.resize(np.arange(levels), pairs // levels * levels)
    # Black and white carry the scale, and halftones jump there: the pairs left over are theirs.
    spare = [end for inner in (0, 0, 0, 0, 0, 1, 1, 2) for end in (inner, levels - 1 - inner)]
    drawn = np.concatenate((wanted, np.resize(spare, pairs - len(wanted))))
    drawn = np.random.default_rng(_SEED + levels).permutation(drawn)
    return np.concatenate((drawn, drawn[::-1])).reshape(ROWS, COLUMNS).astype(np.int64)
