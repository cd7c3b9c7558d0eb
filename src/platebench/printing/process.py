"""What a printing process is to a plate: the exposure scale it can take up, and how sure that is.

The exposure scale is the log exposure between the first full black and the first perceptible
tone of the print. A negative prints as it is where its density range equals the scale (Clerc,
Photography: Theory and Practice, paragraph 502).

With it stand the calibration of a process by prints of a chart, and the response (ink to density)
that follows from it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.interpolate import PchipInterpolator

from platebench.printing.print_look import (
    GENERAL_CURVE,
    GENERAL_LOOK,
    PrintCurve,
    PrintLook,
    SpectralBand,
    Status,
)

Colour = tuple[float, float, float]  # red, green, blue as asked of the printer, 0 to 1


@dataclass(frozen=True, slots=True, kw_only=True)
class NegativeInk:
    """The ink of print negatives: what the printer is asked for where most light is held back.

    Attributes
    ----------
    colour : tuple of 3 float
        Red, green, blue of full ink, 0 to 1; less ink lies on the straight line to white.
    name : str
        Such as "yellow"; "" where a person wrote the colour.
    taken, black_taken : float or None
        Ink it takes, and that plain black takes, to hold back as much; in full areas of one
        printer's colour. None where it was not found on a chart.
    """

    colour: Colour
    name: str = ""
    taken: float | None = None
    black_taken: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ChartPrint:
    """One print of the step chart, as read.

    Attributes
    ----------
    scan : str
        File name of the scan.
    chart : str
        The chart's id, as coded in its picture.
    ink : tuple of float
        Share of full ink of each level, rising.
    density : tuple of float
        Reflection density of the print at each level, above its paper white, as read.
    error : tuple of float
        Standard error of each density.
    """

    scan: str
    chart: str
    ink: tuple[float, ...]
    density: tuple[float, ...]
    error: tuple[float, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ProcessCalibration:
    """The measured response of printer, film, paper and chemistry together.

    Attributes
    ----------
    response : PrintResponse
        The smooth monotone curve through all prints.
    prints : tuple of ChartPrint
        What it was fitted to, oldest first.
    residual : float
        RMS distance of the readings from the curve, D.
    noise : float
        Standard deviation of one patch among its duplicates, D: paper, coating and scan.
    evenness : float
        How far the coating and light drift over the sheet, highest to lowest, D at mid tones.
    colour : tuple of float or None
        Of the ink the charts were printed in; None for the printer's plain black.
    """

    response: PrintResponse
    prints: tuple[ChartPrint, ...]
    residual: float
    noise: float
    evenness: float
    colour: Colour | None = None


if TYPE_CHECKING:
    pass

FULL_CODE = 65535
_ALIKE = 0.003  # D, a quarter of an L* in the whites: nobody sees it
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
        joins on to the other tones is returned. Where a print was measured, lighter by less than
        0.003 D counts as alike: the last tones go on as evenly as those before, and no ink is spent
        on what nobody sees.
        """
        grid, drawn = self._drawn()
        if self.calibrated:
            grid, drawn = _without_tail(grid, drawn)
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


def _without_tail(
    grid: NDArray[np.float64], drawn: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Cut off the inks that hardly print lighter: the last tones go on in a straight line."""
    white = drawn[-1]
    if drawn[0] - white <= 4 * _ALIKE:
        return grid, drawn
    before, start = (int(np.argmax(drawn <= white + d)) for d in (2 * _ALIKE, _ALIKE))
    if start == before:
        return grid, drawn
    steep = (grid[start] - grid[before]) / (drawn[before] - drawn[start])
    end = float(grid[start] + steep * (drawn[start] - white))
    if end >= 1:
        return grid, drawn
    return np.append(grid[: start + 1], end), np.append(drawn[: start + 1], white)


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


def coloured(codes: NDArray[np.uint16], colour: Colour | None) -> NDArray[np.uint16]:
    """Return a negative's values as its ink asks them of the printer.

    Parameters
    ----------
    codes : ndarray of uint16, shape (M, N)
        ``65535 (1 - ink)``.
    colour : tuple of 3 float or None
        Of full ink; None leaves grey as it is.

    Returns
    -------
    ndarray of uint16, shape (M, N, 3), or (M, N) for grey

    Examples
    --------
    >>> coloured(np.array([[65535, 0]], np.uint16), (1.0, 0.5, 0.0)).tolist()
    [[[65535, 65535, 65535], [65535, 32768, 0]]]
    """
    if colour is None:
        return codes
    ink = np.arange(FULL_CODE, -1, -1) / FULL_CODE
    return np.stack([codes_of(ink * (1 - channel))[codes] for channel in colour], axis=-1)


def grey_of(pixels: NDArray[np.uint16], colour: Colour | None) -> NDArray[np.uint16]:
    """Return ``65535 (1 - ink)`` of what :func:`coloured` made: the inverse, to rounding."""
    if colour is None:
        return pixels
    channel = int(np.argmin(colour))
    ink = (1 - np.arange(FULL_CODE + 1) / FULL_CODE) / (1 - colour[channel])
    return codes_of(ink)[pixels[..., channel]]


def codes_of(ink: ArrayLike) -> NDArray[np.uint16]:
    """Return the 16-bit values of a print negative: ``round(65535 * (1 - ink))``.

    Examples
    --------
    >>> codes_of([0.0, 0.5, 1.0]).tolist()
    [65535, 32768, 0]
    """
    share = np.clip(np.asarray(ink, np.float64), 0.0, 1.0)
    return np.asarray(np.floor(FULL_CODE * (1 - share) + 0.5), np.uint16)


if TYPE_CHECKING:
    pass

LightOfProcess = Literal["ultraviolet", "blue"]
TABLET_STEP = 0.15  # log units; a scale read off a 21-step tablet is known to one step


@dataclass(frozen=True, slots=True, kw_only=True)
class ExposureScale:
    """The negative density range a process or a grade of paper takes up, in log10 exposure.

    Attributes
    ----------
    low, typical, high : float
        What is met, from one paper and chemistry to the next.
    status : tuple of 3 Status
        Of ``low``, ``typical`` and ``high``.
    source : str
        Where the numbers were read; "" where they were not.
    grade : str
        Grade or filter of a silver paper; "" for other processes.
    adjustable : bool
        True where one chooses the scale for the plate, anywhere from ``low`` to ``high``, as the
        process's ``contrast`` says; ``typical`` is then no more than where to begin.
    """

    low: float
    typical: float
    high: float
    status: tuple[Status, Status, Status]
    source: str = ""
    grade: str = ""
    adjustable: bool = False

    def distance(self, density_range: float) -> float:
        """Return how far a range lies outside: above 0 beyond ``high``, below 0 short of ``low``.

        Examples
        --------
        >>> tested = (Status.TESTED,) * 3
        >>> scale = ExposureScale(low=1.5, typical=1.65, high=1.75, status=tested)
        >>> scale.distance(1.6), scale.distance(2.0), scale.distance(1.0)
        (0.0, 0.25, -0.5)
        """
        return density_range - min(max(density_range, self.low), self.high)

    def set_for(self, density_range: float) -> ExposureScale:
        """Return the scale as one sets it for a plate; itself where it is not adjustable.

        Examples
        --------
        >>> stated = (Status.MEMORY, Status.MIDDLE, Status.MEMORY)
        >>> carbon = ExposureScale(low=1.0, typical=1.75, high=2.5, status=stated, adjustable=True)
        >>> carbon.set_for(1.4).typical, carbon.set_for(0.7).typical
        (1.4, 1.0)
        """
        if not self.adjustable:
            return self
        status = (self.status[0], Status.CHOSEN, self.status[2])
        return replace(self, typical=min(max(density_range, self.low), self.high), status=status)

    def marks(self) -> str:
        """Say how each number came to be.

        Examples
        --------
        >>> marks = (Status.MEMORY, Status.MIDDLE, Status.MEMORY)
        >>> ExposureScale(low=1, typical=2, high=3, status=marks).marks()
        'low and high: from memory, no source read; typical: middle of the two ends'
        """
        of: dict[Status, list[str]] = {}
        for name, status in zip(("low", "typical", "high"), self.status, strict=True):
            of.setdefault(status, []).append(name)
        if len(of) == 1:
            said = self.status[0].words
        else:
            said = "; ".join(f"{' and '.join(of[status])}: {status.words}" for status in of)
        return f"{said} ({self.source})" if self.source else said


@dataclass(frozen=True, slots=True, kw_only=True)
class Process:
    """A printing process, as its profile describes it.

    Attributes
    ----------
    name : str
        File name of the profile without ``.toml``.
    title : str
        Name for people.
    light : {"ultraviolet", "blue"}
        The light that makes the print, and so the density that counts.
    scales : tuple of ExposureScale
        One, or one for each grade of a silver paper, softest first.
    contrast : str
        How the scale can be moved, "" where it cannot.
    hazards : tuple of str
        Names from ``cautions.CAUTIONS``.
    cautions : tuple of str
        Further cautions, of the profile's own.
    path : Path
        The file the scale was read from.
    look : PrintLook
        Depth, paper and hue of the print.
    print_curve : PrintCurve
        Shape of its curve.
    band : SpectralBand or None
        The light the layer answers to; None where the profile does not say.
    calibration : ProcessCalibration or None
        What was measured on your own prints; None before that.
    ink : NegativeInk or None
        What print negatives are printed in; None for the printer's plain black.
    """

    name: str
    title: str
    light: LightOfProcess
    scales: tuple[ExposureScale, ...]
    contrast: str
    hazards: tuple[str, ...]
    cautions: tuple[str, ...]
    path: Path
    look: PrintLook = GENERAL_LOOK
    print_curve: PrintCurve = GENERAL_CURVE
    band: SpectralBand | None = None
    calibration: ProcessCalibration | None = None
    ink: NegativeInk | None = None

    @property
    def colour(self) -> Colour | None:
        """Of full ink, as asked of the printer; None for plain black."""
        return None if self.ink is None else self.ink.colour

    def nearest_scale(self, density_range: float) -> ExposureScale:
        """Return the grade a range comes nearest to; of two alike the softer, which keeps more."""
        return min(self.scales, key=lambda scale: abs(scale.distance(density_range)))

    def reach(self) -> tuple[float, float]:
        """Return the shortest and the longest range that some grade takes up.

        A range between two grades suits: papers are made in steps, and development or a filter
        makes up the difference.
        """
        return min(s.low for s in self.scales), max(s.high for s in self.scales)


def iso_r(density_range: float) -> int:
    """Return the ISO range R that takes up a density range: 100 times it, to the nearest 10.

    ISO 6846:1992 as given in the Focal Encyclopedia of Photography, p. 679.

    Examples
    --------
    >>> iso_r(1.39143), iso_r(1.15), iso_r(0.44)
    (140, 120, 40)
    """
    return 10 * int(round(10 * density_range, 6) + 0.5)
