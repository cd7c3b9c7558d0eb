"""The standard printing time: the shortest exposure through clear film that prints full black.

From the same strip follows the exposure scale of paper and film together.

References
----------
ISO 6846:1992, as given in the Focal Encyclopedia of Photography, p. 679: the exposure range of a
paper runs from 0.04 above its white to 90 % of its full black; R is 100 times its logarithm.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator
from scipy.optimize import brentq, isotonic_regression

from platebench.core.csv_table import read_numbers
from platebench.core.errors import ChartError, ReadingsError
from platebench.core.files import read_at_most
from platebench.printing.print_look import PrintCurve, Status
from platebench.printing.process import ExposureScale, PrintResponse, Process, iso_r
from platebench.printing.strip_plan import ANY_SCALE, StripEnds, StripPlan, plan_next, scale_range

HALF_STEP = 0.075  # log units: a scale is known to about a quarter of a stop
_FEWEST = 5
_REMEDY = "write the columns ink,density, ink rising from 0 to 1, a line for each patch measured"


def tested_scale(scale: float, error: float = HALF_STEP) -> ExposureScale:
    """Return a scale of one's own test, known within half a step."""
    status = (Status.STEP, Status.TESTED, Status.STEP)
    low, high = scale - error, scale + error
    return ExposureScale(low=low, typical=scale, high=high, status=status)


def scale_through_film(path: Path, response: PrintResponse) -> ExposureScale | None:
    """Return the log exposure from first tint to full black, as the film's densities have it.

    Parameters
    ----------
    path : Path
        CSV table with the columns ``ink`` (share of full ink) and ``density`` (of the film, in the
        light that prints; not visual density).
    response : PrintResponse
        Measured on the print.

    Returns
    -------
    ExposureScale or None
        None where full ink prints darker than the first tint.

    Raises
    ------
    ReadingsError
        If it is no such table.
    """
    try:
        content = read_at_most(path, LARGEST_TABLE)
        if content is None:
            raise ReadingsError(path, "is too large for a film", "check that it is the right file")
        rows = read_numbers(content.decode("utf-8-sig"), ("ink", "density"))
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise ReadingsError(path, "cannot be read as a CSV table", _REMEDY) from error
    except ValueError as error:
        raise ReadingsError(path, "is no table of ink and density", _REMEDY) from error
    if len(rows) < _FEWEST or not np.isfinite(rows).all():
        raise ReadingsError(path, f"lists {len(rows)} patches", _REMEDY)
    ink, film = np.array(rows).T
    if ink[0] != 0 or ink[-1] != 1 or (np.diff(ink) <= 0).any() or (np.diff(film) < 0).any():
        what = "does not rise, in ink and density, from clear film to full ink"
        raise ReadingsError(path, what, _REMEDY)
    if response.d_min >= FIRST_TINT:
        return None
    at = response.ink_for([response.d_max - TOLERANCE, FIRST_TINT])
    black, tint = np.interp(at, ink, film)
    return tested_scale(float(tint - black))


TOLERANCE = 0.03  # D below full black that nobody sees beside it; common practice, no source
FIRST_TINT = 0.04  # D above paper white: ISO 6846
_HIGH_SHARE = 0.9  # of full black: ISO 6846
_FALLS = 0.08  # D; a step lighter than a shorter one by more is no unevenness of the coating
LARGEST_TABLE = 1 << 20  # bytes of readings of one's own
_LEAST_BLACK = 0.3  # D; no process's full black is so weak
_FLAT = math.log10(2)  # at the end of a strip, a whole stop, must be alike within the tolerance
_CURVE_POINTS, _LEAST_RISE = 13, 1e-3  # of a curve that is kept
_COARSE = 0.2  # log units from step to step: more than half a stop, which is 0.15


@dataclass(frozen=True, slots=True, kw_only=True)
class PrintingTime:
    """What a test strip says.

    Attributes
    ----------
    seconds : float
        The standard printing time.
    d_max : float
        Full black above paper white.
    tolerance : float
        How far below it still counts as full black, D.
    first_tint_s : float or None
        Time of the first perceptible tone; None where the strip begins darker.
    scale : float or None
        Log exposure from first tint to full black: the process's exposure scale.
    iso_r : int or None
        ISO range R, 0.04 above white to 90 % of full black.
    times_s, density : tuple of float
        What was read.
    step : float
        Log units between the steps about full black; time and scale are good to half of it.
    next_strip : StripPlan or None
        What to expose to know more: the scale, where the strip begins too dark; both to a
        quarter stop, where its steps are coarse.
    notes : tuple of str
    """

    seconds: float
    d_max: float
    tolerance: float
    first_tint_s: float | None
    scale: float | None
    iso_r: int | None
    times_s: tuple[float, ...]
    density: tuple[float, ...]
    step: float
    next_strip: StripPlan | None = None
    notes: tuple[str, ...] = ()

    def curve(self) -> PrintCurve | None:
        """Return the process's own curve from first tint to full black; None without a scale."""
        if self.scale is None or self.first_tint_s is None:
            return None
        rising = np.maximum.accumulate(np.asarray(self.density))
        drawn = PchipInterpolator(np.log10(self.times_s), rising)
        share = np.linspace(0, 1, _CURVE_POINTS)
        read = drawn(np.log10(self.first_tint_s) + share * self.scale)
        tone = (read - FIRST_TINT) / (self.d_max - self.tolerance - FIRST_TINT)
        tone[0], tone[-1] = 0.0, 1.0
        rises = np.concatenate(([True], np.diff(np.maximum.accumulate(tone)) > _LEAST_RISE))
        rises &= (tone < 1 - _LEAST_RISE) | (share == 1)
        return PrintCurve(
            exposure=tuple(share[rises].round(4).tolist()),
            tone=tuple(tone[rises].round(4).tolist()),
            status=Status.TESTED,
        )


class MisplacedStripError(ChartError):
    """A test strip shows no printing time because it begins or ends in the wrong place.

    Attributes
    ----------
    next_strip : StripPlan
        The strip that will not.
    """

    def __init__(self, path: Path | str, what: str, remedy: str, next_strip: StripPlan) -> None:
        super().__init__(path, what, remedy)
        self.next_strip = next_strip

    def __reduce__(self) -> tuple[type[MisplacedStripError], tuple[object, ...]]:
        return type(self), (self.path, self.what, self.remedy, self.next_strip)


def three_figures(value: float) -> str:
    """Return a number to three figures, whole from 100 on.

    Examples
    --------
    >>> three_figures(45.2548), three_figures(2237.2), three_figures(8)
    ('45.3', '2237', '8')
    """
    return f"{value:.0f}" if value >= 100 else f"{value:.3g}"


def find_printing_time(
    path: Path | str,
    times_s: Sequence[float],
    density: Sequence[float],
    *,
    tolerance: float = TOLERANCE,
    process: Process | None = None,
) -> PrintingTime:
    """Return the shortest time that prints full black.

    Parameters
    ----------
    path : Path or str
        What was read, for messages.
    times_s : sequence of float
        Exposure of each step, rising.
    density : sequence of float
        Of the print above its paper white.
    tolerance : float
        D below full black that counts as full black.
    process : Process, optional
        How long its scale can be decides where the next strip goes, if this one misses.

    Raises
    ------
    MisplacedStripError
        If full black is not reached, or there is nothing else.
    ChartError
        If there are too few steps, or if density falls.
    """
    if len(times_s) < _FEWEST:
        what = f"has {len(times_s)} steps"
        raise ChartError(path, what, f"expose a strip of at least {_FEWEST}")
    read = np.asarray(density, np.float64)
    _check_rising(path, times_s, read)
    rising = np.asarray(isotonic_regression(read).x, np.float64)
    log_t = np.log10(np.asarray(times_s, np.float64))
    curve = PchipInterpolator(log_t, rising)
    scale = ANY_SCALE if process is None else scale_range(process.scales)

    def reached(wanted: float) -> float | None:
        if rising[0] >= wanted or rising[-1] < wanted:
            return None
        return float(brentq(lambda x: float(curve(x)) - wanted, log_t[0], log_t[-1]))

    def missed(what: str, remedy: str, ends: StripEnds) -> MisplacedStripError:
        return MisplacedStripError(path, what, remedy, plan_next(ends, scale))

    flat = log_t >= min(log_t[-1] - _FLAT - 1e-3, log_t[-2])
    black, gain = float(read[flat].mean()), float(rising[-1] - rising[flat][0])
    tint = reached(FIRST_TINT)
    seen = (-math.inf, float(log_t[0])) if tint is None else _within_a_step(log_t, tint)
    if rising[-1] < _LEAST_BLACK:
        what = f"shows no print: {rising[-1]:.2f} D at most"
        ends = StripEnds(tint=(log_t[-1], math.inf) if rising[-1] < FIRST_TINT else seen)
        raise missed(what, "expose a strip that goes on for longer", ends)
    if gain > tolerance:
        raise missed(
            f"does not reach full black: its last stop still gains {gain:.2f} D",
            f"expose a strip that goes on beyond {three_figures(times_s[-1])} s",
            StripEnds(tint=seen, black=(log_t[-1] - _FLAT, math.inf)),
        )
    if rising[0] >= black - tolerance:
        what = f"is full black from its first step on ({three_figures(times_s[0])} s)"
        ends = StripEnds(tint=(-math.inf, log_t[0]), black=(-math.inf, log_t[0]))
        raise missed(what, "expose a strip that begins shorter", ends)
    at_black, high = reached(black - tolerance), reached(_HIGH_SHARE * black)
    assert at_black is not None  # the strip begins lighter
    shorter, longer = _within_a_step(log_t, at_black)
    step = longer - shorter
    ends = StripEnds(tint=seen, black=(shorter, longer))
    return PrintingTime(
        seconds=10**at_black,
        d_max=black,
        tolerance=tolerance,
        first_tint_s=None if tint is None else 10**tint,
        scale=None if tint is None else at_black - tint,
        iso_r=None if tint is None or high is None else iso_r(high - tint),
        times_s=tuple(map(float, times_s)),
        density=tuple(read.tolist()),
        step=step,
        next_strip=plan_next(ends, scale) if tint is None or step > _COARSE else None,
        notes=() if tint is not None else (_NO_TINT,),
    )


def _within_a_step(log_t: NDArray[np.float64], at: float) -> tuple[float, float]:
    """Return half a step before and half a step after a place between two steps."""
    place = int(np.clip(np.searchsorted(log_t, at), 1, len(log_t) - 1))
    half = float(log_t[place] - log_t[place - 1]) / 2
    return at - half, at + half


_NO_TINT = (
    "the strip begins darker than the first tint, so it does not show the exposure scale; a strip "
    "that begins shorter would"
)


def _check_rising(path: Path | str, times_s: Sequence[float], read: NDArray[np.float64]) -> None:
    so_far = np.maximum.accumulate(read)
    step = int(np.argmax(so_far - read))
    fall = float(so_far[step] - read[step])
    if fall > _FALLS:
        raise ChartError(
            path,
            f"gets lighter with more light: step {step + 1} ({three_figures(times_s[step])} s) is "
            f"{fall:.2f} D below a shorter one",
            "look for damage, bronzing or steps in the wrong order, and print it again",
        )
