"""Printing a glass plate itself: its time against a reference, and a test strip around it.

Light through a density ``D`` is ``10 ** -D`` of the light. For the same process and lamp a base
denser by ``dB`` prints as another base did when it gets ``10 ** dB`` times the time (definition of
density; reciprocity is assumed to hold). With ``T0`` the shortest time that prints full black
through nothing, and ``ES`` the exposure scale::

    base plus fog prints full black         T0 10 ** B
    the thinnest tone prints full black     T0 10 ** D_thin
    the densest tone prints its first tint  T0 10 ** (D_dense - ES)
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from platebench.printing.plate_range import PlateRange
from platebench.printing.process import ExposureScale, LightOfProcess

# Parts of a test strip and the stops between them, finest first; half a stop, 0.15 in log exposure,
# is a step of the 21-step tablet. A page has no room for more parts.
STRIPS = ((7, 0.5), (9, 0.5), (7, 1.0), (9, 1.0))
BEYOND_STOPS = 0.25  # so far a strip goes past a time it holds: "just" shows from both sides


@dataclass(frozen=True, slots=True, kw_only=True)
class DirectTimes:
    """Times as multiples of the reference's time.

    Attributes
    ----------
    base : float
        Base plus fog of the plate, D.
    reference_base : float
        That of the reference, D; 0 for bare paper.
    thinnest, densest : float or None
        Useful tones as the process's light sees them, D; None where not measured.
    for_base : float
        ``10 ** (base - reference_base)``: prints the base as the reference's was printed.
    for_shadows, for_highlights : float or None
        The thinnest tone just prints full black; the densest just shows a tint.
    spread : (float, float)
        Each time lies between these multiples of itself: error of the base, and what ultraviolet
        finds in glass and stain that blue light does not.
    scale_spread : (float, float)
        The time for the highlights moreover between these, by the exposure scale's two ends.
    """

    base: float
    reference_base: float
    thinnest: float | None
    densest: float | None
    for_base: float
    for_shadows: float | None
    for_highlights: float | None
    spread: tuple[float, float] = (1.0, 1.0)
    scale_spread: tuple[float, float] = (1.0, 1.0)

    @property
    def middle(self) -> float:
        """Where a test strip is centred: between shadows and highlights, by ratio."""
        if self.for_shadows is None or self.for_highlights is None:
            return self.for_base
        return float((self.for_shadows * self.for_highlights) ** 0.5)


# Held back in ultraviolet beyond what blue light shows, D: old glass, greenish at its edge, against
# none, and two such glasses against each other. From memory, no source.
GLASS_IN_UV, BETWEEN_GLASSES = 0.15, 0.05
_STAIN_IN_UV = 1.0  # times what it holds back of blue, on top; from memory, no source
_SIGMAS = 2.0


def direct_times(
    plate: PlateRange,
    scale: ExposureScale,
    *,
    reference: PlateRange | None = None,
    light: LightOfProcess = "ultraviolet",
) -> DirectTimes:
    """Return the times a plate asks for, by its densities in blue light where they are known.

    Parameters
    ----------
    plate : PlateRange
        Its base plus fog, and its range, in blue light where that was measured apart.
    scale : ExposureScale
        What the process takes up.
    reference : PlateRange, optional
        A plate whose time is known to print its base just full black; None: the time was found
        through nothing.
    light : {"ultraviolet", "blue"}
        What the process prints by.

    Examples
    --------
    >>> from platebench.printing.print_look import Status
    >>> scale = ExposureScale(low=1.5, typical=1.6, high=1.7, status=(Status.TESTED,) * 3)
    >>> plate = PlateRange(plate_id="7", density_range=1.2, base_fog=0.3)
    >>> round(direct_times(plate, scale).for_base, 3)
    1.995
    """
    base = plate.in_blue(plate.base_fog)
    reference_base = 0.0 if reference is None else reference.in_blue(reference.base_fog)
    thinnest = densest = shadows = highlights = None
    if plate.tones is not None:
        used = plate.density_range if plate.blue_range is None else plate.blue_range
        thinnest = plate.in_blue(plate.tones.thinnest)
        densest = thinnest + used
        shadows = 10 ** (thinnest - reference_base)
        highlights = 10 ** (densest - scale.typical - reference_base)
    return DirectTimes(
        base=base,
        reference_base=reference_base,
        thinnest=thinnest,
        densest=densest,
        for_base=10 ** (base - reference_base),
        for_shadows=shadows,
        for_highlights=highlights,
        spread=_spread(plate, reference, light),
        scale_spread=(10 ** (scale.typical - scale.high), 10 ** (scale.typical - scale.low)),
    )


def _spread(
    plate: PlateRange, reference: PlateRange | None, light: LightOfProcess
) -> tuple[float, float]:
    """Return between which multiples of itself a time lies."""
    other = 0.0 if reference is None else reference.base_sigma
    error = _SIGMAS * math.hypot(plate.base_sigma, other)
    less, more = error, error
    if light == "ultraviolet":
        glass = GLASS_IN_UV if reference is None else BETWEEN_GLASSES
        stains = [_STAIN_IN_UV * max(0.0, one.in_blue(one.base_fog) - one.base_fog)
                  for one in (plate, *([reference] if reference else []))]  # fmt: skip
        more += glass + stains[0]
        less += 0.0 if reference is None else glass + stains[1]
    return 10**-less, 10**more


@dataclass(frozen=True, slots=True, kw_only=True)
class DirectStrip:
    """A test strip around a plate's times.

    Attributes
    ----------
    totals : tuple of float
        Of its parts, shortest first, as multiples of the reference's time.
    stops : float
        Between two parts.
    holds : bool
        False where the time for the shadows or that for the highlights lies beyond its ends.
    """

    totals: tuple[float, ...]
    stops: float
    holds: bool


def plan_strip(times: DirectTimes) -> DirectStrip:
    """Return the finest strip that holds the times for shadows and highlights; else the longest.

    Examples
    --------
    >>> times = DirectTimes(base=0.1, reference_base=0.0, thinnest=0.2, densest=1.0,
    ...                     for_base=1.26, for_shadows=1.6, for_highlights=0.1)
    >>> strip = plan_strip(times)  # log2 16: four stops lie between them
    >>> len(strip.totals), strip.stops, strip.holds
    (7, 1.0, True)
    """
    between = 0.0
    if times.for_shadows is not None and times.for_highlights is not None:
        between = abs(math.log2(times.for_shadows / times.for_highlights))
    asked = between + 2 * BEYOND_STOPS
    parts, stops = next((kind for kind in STRIPS if (kind[0] - 1) * kind[1] >= asked), STRIPS[-1])
    return DirectStrip(
        totals=tuple(strip_times(times.middle, strips=parts, ratio=2**stops)),
        stops=stops,
        holds=(parts - 1) * stops >= asked,
    )


def strip_times(middle: float, *, strips: int, ratio: float) -> list[float]:
    """Return the times of a test strip's parts, shortest first, ``middle`` in their middle.

    Examples
    --------
    >>> [round(t, 2) for t in strip_times(4.0, strips=5, ratio=2.0)]
    [1.0, 2.0, 4.0, 8.0, 16.0]
    """
    return [middle * ratio ** (i - (strips - 1) / 2) for i in range(strips)]


def added_times(totals: Sequence[float]) -> list[float]:
    """Return how long to expose each time before the card is moved on by one part.

    Examples
    --------
    >>> added_times([1.0, 2.0, 4.0, 8.0])
    [1.0, 1.0, 2.0, 4.0]
    """
    return [totals[0], *(after - before for before, after in pairwise(totals))]
