"""Times that a hand can give: marked shutter speeds below a second, then bulb and a watch."""

from __future__ import annotations

import math
import re
from bisect import bisect_left
from dataclasses import dataclass

_MARKED = (1000, 500, 250, 125, 60, 30, 15, 8, 4, 2)  # the speeds a leaf shutter is marked with
_BY_HAND = (
    *(1 / n for n in _MARKED),
    *(n / 2 for n in range(2, 20)),
    *(float(n) for n in range(10, 60)),
    *(float(n) for n in range(60, 600, 5)),
    *(float(n) for n in range(600, 3600, 15)),
    3600.0,
)
_PARTS = re.compile(
    r"^(?:(\d+(?:\.\d+)?) ?(?:h|hours?))? ?(?:(\d+(?:\.\d+)?) ?(?:m|min|minutes?))? ?"
    r"(?:(\d+(?:\.\d+)?) ?(?:s|sec|seconds?)?)?$"
)
_FRACTION = re.compile(r"^(\d+(?:\.\d+)?) ?/ ?(\d+(?:\.\d+)?) ?s?$")


@dataclass(frozen=True, slots=True, kw_only=True)
class CameraTime:
    """A time as it is given by hand.

    Attributes
    ----------
    seconds : float
        The nearest time on the scale, by ratio.
    off_stops : float
        What that is more (above 0) or less than wanted, in stops.
    """

    seconds: float
    off_stops: float

    def __str__(self) -> str:
        return time_in_words(self.seconds)


def camera_time(seconds: float) -> CameraTime:
    """Return the nearest time that can be given; a longer time never gives a shorter one.

    Below a second the marked speeds; to 10 s half seconds, to 1 min seconds, to 10 min
    5 seconds, to 1 h quarter minutes, beyond that minutes.

    Raises
    ------
    ValueError
        If ``seconds`` is not above 0 and finite.

    Examples
    --------
    >>> str(camera_time(0.45)), str(camera_time(97.0)), str(camera_time(8000.0))
    ('1/2 s', '1 min 35 s', '2 h 13 min')
    """
    return min(camera_times_about(seconds), key=lambda time: abs(time.off_stops))


def camera_times_about(seconds: float) -> tuple[CameraTime, ...]:
    """Return the times that can be given next to a wanted one, shorter and longer.

    Raises
    ------
    ValueError
        If ``seconds`` is not above 0 and finite.

    Examples
    --------
    >>> [str(time) for time in camera_times_about(0.39)]
    ['1/4 s', '1/2 s']
    """
    if not 0 < seconds < math.inf:
        raise ValueError(f"an exposure must be above 0 s and finite, got {seconds}")
    if seconds >= _BY_HAND[-1]:
        near: tuple[float, ...] = (60.0 * round(seconds / 60.0),)
    else:
        after = bisect_left(_BY_HAND, seconds)
        near = _BY_HAND[max(after - 1, 0) : after + 1]
    return tuple(CameraTime(seconds=time, off_stops=math.log2(time / seconds)) for time in near)


def time_in_words(seconds: float) -> str:
    """Write a time as a person says it.

    Examples
    --------
    >>> [time_in_words(t) for t in (0.008, 2.5, 60, 90, 5400, 43200)]
    ['1/125 s', '2.5 s', '1 min', '1 min 30 s', '1 h 30 min', '12 h']
    """
    if seconds < 0.75:
        return f"1/{1 / seconds:.0f} s" if seconds < 0.1 else f"1/{1 / seconds:.3g} s"
    if seconds < 60:
        return f"{seconds:.3g} s"
    whole = round(seconds)
    parts = ((whole // 3600, "h"), (whole // 60 % 60, "min"), (whole % 60, "s"))
    return " ".join(f"{number} {unit}" for number, unit in parts if number)


def seconds_from_words(text: str) -> float:
    """Read a time such as ``1/60``, ``0.5``, ``90s``, ``5m``, ``1m30s`` or ``12h``.

    Raises
    ------
    ValueError
        If it is none, or not above 0.

    Examples
    --------
    >>> seconds_from_words("1/8"), seconds_from_words("1 min 30 s"), seconds_from_words("12h")
    (0.125, 90.0, 43200.0)
    """
    said = text.strip().lower()
    fraction, parts = _FRACTION.match(said), _PARTS.match(said)
    seconds = 0.0
    if fraction and float(fraction[2]) > 0:
        seconds = float(fraction[1]) / float(fraction[2])
    elif parts:
        hours, minutes, rest = (float(part or 0) for part in parts.groups())
        seconds = 3600 * hours + 60 * minutes + rest
    if not 0 < seconds < math.inf:
        raise ValueError(f"{text!r} is no time; write one such as 1/60, 0.5, 90s, 5m or 1m30s")
    return seconds


def shown_seconds(seconds: float) -> str:
    """Return a shutter time as a camera shows it.

    Examples
    --------
    >>> shown_seconds(0.125), shown_seconds(2.5)
    ('1/8 s', '2.5 s')
    """
    return f"1/{round(1 / seconds)} s" if seconds < 0.3 else f"{seconds:g} s"
