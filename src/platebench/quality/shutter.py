"""Shutter times as cameras show them: thirds of a stop."""

from __future__ import annotations

import math

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
