"""Whether the exposure is as long as it can be, whether anything clips, and by how many clicks.

Exposures are advised in thirds of a stop, as shutters are marked.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from platebench.core.image import CaptureInfo, CaptureKind, SensorFrame
from platebench.measure.checks.sites import INSIDE, OUTSIDE, colour_names, light_of, planes
from platebench.measure.checks.verdict import Severity, Verdict, percent

# Times on the dial from 30 s down, a third of a stop apart. The shutter itself works in exact
# powers of two: "1/60" is 1/64 s, "30" is 32 s (ISO 516 and camera practice; from memory).
_LONGEST_THIRD = 15  # 2 ** (15 / 3) s = 32 s, shown as 30
# fmt: off
_DIAL = (
    "30", "25", "20", "15", "13", "10", "8", "6", "5", "4", "3.2", "2.5", "2", "1.6", "1.3",
    "1", "0.8", "0.6", "0.5", "0.4", "0.3", "1/4", "1/5", "1/6", "1/8", "1/10", "1/13",
    "1/15", "1/20", "1/25", "1/30", "1/40", "1/50", "1/60", "1/80", "1/100", "1/125",
    "1/160", "1/200", "1/250", "1/320", "1/400", "1/500", "1/640", "1/800", "1/1000",
    "1/1250", "1/1600", "1/2000", "1/2500", "1/3200", "1/4000", "1/5000", "1/6400", "1/8000",
)
# fmt: on


def third_of(time_s: float) -> int:
    """Return the shutter time's place on the dial, thirds of a stop from 1 s.

    Examples
    --------
    >>> third_of(0.125), third_of(0.1), third_of(1 / 60), third_of(30)
    (-9, -10, -18, 15)
    """
    return round(3 * math.log2(time_s))


def shown(third: int) -> str | None:
    """Return the time a camera shows for a place on the dial; None beyond the dial's ends.

    Examples
    --------
    >>> shown(-9), shown(-1), shown(1), shown(16)
    ('1/8 s', '0.8 s', '1.3 s', None)
    """
    at = _LONGEST_THIRD - third
    return f"{_DIAL[at]} s" if 0 <= at < len(_DIAL) else None


def longer_by(time_s: float, stops: float) -> str | None:
    """Return the longest time on the dial that is at most ``stops`` longer than ``time_s``.

    Parameters
    ----------
    time_s : float
        Present shutter time, seconds.
    stops : float
        Wanted change; negative shortens, and is then reached or passed.

    Returns
    -------
    str or None
        Such as "1/8 s"; None where it is beyond the dial's ends (30 s, 1/8000 s).

    Examples
    --------
    >>> longer_by(1 / 20, 1.4)  # 1.33 stops longer
    '1/8 s'
    >>> longer_by(1 / 8, -0.5)
    '1/13 s'
    """
    return shown(third_of(time_s) + math.floor(3 * stops + 1e-6))


AIM_STOPS = 0.2  # bare light box below white, in the colour nearest to clipping
LEAST_STOPS = 0.1  # advice never goes closer than this
TOO_CLOSE_STOPS = 0.03  # shot noise of a 50,000-electron well reaches this far up
LOST_STOPS, DARK_STOPS = 1.0, 6.0  # underexposed by so much: a warning, a failure
CLIPPED_ALLOWED = 1e-4  # of the plate's photosites: hot pixels, pinholes
CLIPPED_LOST = 1e-3
_BRIGHTER = 1.1  # a plate brighter than its surround: what lies around is no bare light box
_BARE_PERCENTILE = 99.0
_SAMPLES = 200_000  # photosites a plane, enough for a percentile

Reference = Literal["bare light box", "blank frame", "thinnest part of the plate"]
_Levels = dict[int, float]


@dataclass(frozen=True, slots=True)
class Clipping:
    """Share of photosites at or above white, by colour.

    Attributes
    ----------
    inside, outside : dict of str to float
        Within the plate's corners and beyond them; everything is inside where no plate is known.
    """

    inside: dict[str, float]
    outside: dict[str, float]

    @property
    def worst_inside(self) -> float:
        """Largest share of any colour, within the plate."""
        return max(self.inside.values(), default=0.0)


@dataclass(frozen=True, slots=True)
class Headroom:
    """How far the light stays below white, in stops: log2(white / level).

    Attributes
    ----------
    reference : str
        What was taken for the brightest thing that must be kept.
    stops : dict of str to float
        By colour; 0 where it clips, negative where the blank frame shows by how much.
    """

    reference: Reference
    stops: dict[str, float]

    @property
    def least(self) -> float:
        """Headroom of the colour nearest to clipping."""
        return min(self.stops.values())


def measure_clipping(frame: SensorFrame, regions: NDArray[np.uint8]) -> Clipping:
    """Return the clipped shares of a capture.

    Parameters
    ----------
    frame : SensorFrame
        Any capture. A site clips at ``frame.white`` counts and above.
    regions : ndarray of uint8, shape (M, N)
        From :func:`~platebench.measure.checks.sites.region_map`.
    """
    names = colour_names(frame)
    shares: dict[int, dict[str, float]] = {}
    for region in (INSIDE, OUTSIDE):
        shown = bool((regions == region).any())
        shares[region] = dict.fromkeys(names.values() if shown else (), 0.0)
    if int(frame.counts.max()) >= frame.white:
        for colour, name in names.items():
            places = [(p.of(regions), p.counts) for p in planes(frame) if p.colour == colour]
            high = np.concatenate([place[counts >= frame.white] for place, counts in places])
            for region, share in shares.items():
                if clipped := int(np.count_nonzero(high == region)):
                    sites = sum(int(np.count_nonzero(place == region)) for place, _ in places)
                    share[name] = clipped / sites
    return Clipping(shares[INSIDE], shares[OUTSIDE])


def measure_headroom(
    frame: SensorFrame,
    regions: NDArray[np.uint8],
    *,
    bare_outside: bool,
    blank_levels: dict[int, float] | None = None,
) -> Headroom:
    """Return how far the brightest thing that matters stays below white.

    Parameters
    ----------
    frame : SensorFrame
        The capture.
    regions : ndarray of uint8, shape (M, N)
        Plate and surround.
    bare_outside : bool
        Whether bare light box shows beyond the plate.
    blank_levels : dict of int to float, optional
        Level of the blank frame at this capture's exposure, by colour number, in light above
        black. Used where the bare light box does not show or clips.

    Returns
    -------
    Headroom
        Of the 99th percentile of the bare light box; failing that of the blank frame; failing
        that of the plate's own thinnest parts.
    """
    names, white = colour_names(frame), frame.full_scale
    levels = _tops(frame, regions, INSIDE)
    reference: Reference = "thinnest part of the plate"
    around = _tops(frame, regions, OUTSIDE) if bare_outside else {}
    if around and max(levels.values(), default=0.0) < _BRIGHTER * max(around.values()):
        levels, reference = around, "bare light box"
    clips = max(levels.values(), default=0.0) >= 0.999 * white
    if blank_levels and (clips or reference != "bare light box"):
        levels, reference = blank_levels, "blank frame"
    stops = {
        names[colour]: math.log2(white / max(level, 1e-6 * white))
        for colour, level in levels.items()
    }
    return Headroom(reference, stops)


def _tops(frame: SensorFrame, regions: NDArray[np.uint8], region: int) -> _Levels:
    """Return the 99th percentile of the light in a region, by colour number."""
    return {
        colour: float(np.percentile(values, _BARE_PERCENTILE))
        for colour, values in _sampled_light(frame, regions, region).items()
    }


def _sampled_light(
    frame: SensorFrame, regions: NDArray[np.uint8], region: int
) -> dict[int, NDArray[np.float32]]:
    samples: dict[int, list[NDArray[np.float32]]] = {}
    for plane in planes(frame):
        step = max(1, math.isqrt(plane.counts.size // _SAMPLES))
        chosen = plane.counts[::step, ::step][plane.of(regions)[::step, ::step] == region]
        samples.setdefault(plane.colour, []).append(light_of(frame, chosen, plane.black))
    joined = {colour: np.concatenate(parts) for colour, parts in samples.items()}
    return {colour: values for colour, values in joined.items() if values.size}


def judge_exposure(frame: SensorFrame, clipping: Clipping, headroom: Headroom) -> list[Verdict]:
    """Return what the figures mean, with the shutter time to set.

    The aim: the bare light box 0.1 to 0.3 stop below white in the colour nearest to clipping,
    as near as shutter times a third of a stop apart allow.
    """
    verdicts = []
    if clipping.worst_inside > CLIPPED_ALLOWED:
        verdicts.append(_judge_clipping(clipping, frame.info))
    if frame.info.kind is CaptureKind.SCAN:
        return verdicts  # a scanner sets its own exposure; its white is the bare light
    least, time_s = headroom.least, frame.info.exposure_s
    if least < TOO_CLOSE_STOPS:
        verdicts.append(_judge_over(headroom, time_s))
        return verdicts
    under = least - AIM_STOPS
    steps = math.floor(3 * (least - LEAST_STOPS) + 1e-6)
    what = headroom.reference
    if steps < 1:
        text = f"well exposed: the {what} sits {least:z.1f} stop below clipping"
        if least < LEAST_STOPS:
            text = f"just below clipping: the {what} has {least:z.2f} stop left"
        verdicts.append(Verdict(Severity.GOOD, "exposure", text))
        return verdicts
    severity = Severity.WARN if under >= LOST_STOPS else Severity.NOTE
    severity = Severity.FAIL if under >= DARK_STOPS else severity
    text = f"underexposed by {under:z.1f} stops (the {what} sits {least:z.1f} stops below clipping)"
    verdicts.append(Verdict(severity, "exposure", text, _lengthen(time_s, under)))
    return verdicts


def _judge_clipping(clipping: Clipping, info: CaptureInfo) -> Verdict:
    name, share = max(clipping.inside.items(), key=lambda item: item[1])
    lost = share > CLIPPED_LOST
    severity = Severity.FAIL if lost else Severity.WARN
    remedy = "shorten the exposure until the bare light box sits just below clipping"
    if info.kind is CaptureKind.SCAN:
        severity = Severity.WARN if lost else Severity.NOTE
        remedy = "scan again with the scanner's automatic levels off"
    text = f"{percent(share)} of the {name} photosites inside the plate clip"
    what = "tones" if info.shows_positive else "densities"
    return Verdict(severity, "clipping", f"{text}; {what} there are lost", remedy)


def _judge_over(headroom: Headroom, time_s: float | None) -> Verdict:
    name = min(headroom.stops, key=lambda colour: headroom.stops[colour])
    if headroom.reference == "blank frame":
        over = AIM_STOPS - headroom.least
        new = longer_by(time_s, headroom.least - LEAST_STOPS) if time_s else None
        remedy = f"shorten to {new}" if new else f"shorten the exposure by {over:.1f} stops"
        text = f"bare light box clips in {name}, overexposed by {over:.1f} stops"
        return Verdict(Severity.WARN, "exposure", text, remedy)
    new = longer_by(time_s, -2 / 3) if time_s else None
    remedy = f"shorten to {new}" if new else "shorten the exposure by two thirds of a stop"
    text = f"{headroom.reference} clips in {name}"
    return Verdict(Severity.WARN, "exposure", text, f"{remedy} and look again")


def _lengthen(time_s: float | None, under: float) -> str:
    if time_s is None:
        return f"lengthen the exposure by {under:.1f} stops"
    new = longer_by(time_s, under + AIM_STOPS - LEAST_STOPS)
    if new is None:
        return f"open the aperture or brighten the light box by {under:.1f} stops"
    return f"lengthen to {new}"
