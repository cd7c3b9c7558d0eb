"""Where the sun stands, and how much air its light has come through.

By NOAA's general solar position equations (read second hand) and the airmass formula of Kasten and
Young, Applied Optics 28 (1989) 4735 (from memory).
"""

from __future__ import annotations

import math
from datetime import date

_LOWEST = 1.0  # degrees; lower, no sun that a plate is exposed by


def sun_altitude(
    day: date, hour: float, *, latitude: float, longitude: float = 0.0, zone_h: float | None = None
) -> float:
    """Return the sun's altitude over the horizon, degrees, without refraction.

    Parameters
    ----------
    day : date
    hour : float
        On the clock, 0 to 24.
    latitude, longitude : float
        Degrees, north and east above 0.
    zone_h : float or None
        Hours the clock is ahead of UTC. None: the clock is the sun's own, noon when it is highest.

    Examples
    --------
    >>> round(sun_altitude(date(2026, 6, 21), 12, latitude=50))  # 90 - 50 + 23.4
    63
    """
    year_days = 366 if day.year % 4 == 0 and (day.year % 100 or day.year % 400 == 0) else 365
    angle = 2 * math.pi / year_days * (day.timetuple().tm_yday - 1 + (hour - 12) / 24)
    declination = (
        0.006918
        - 0.399912 * math.cos(angle)
        + 0.070257 * math.sin(angle)
        - 0.006758 * math.cos(2 * angle)
        + 0.000907 * math.sin(2 * angle)
        - 0.002697 * math.cos(3 * angle)
        + 0.00148 * math.sin(3 * angle)
    )
    minutes = 60 * hour
    if zone_h is not None:
        minutes += equation_of_time(angle) + 4 * longitude - 60 * zone_h
    turned = math.radians(minutes / 4 - 180)
    north = math.radians(latitude)
    sine = math.sin(north) * math.sin(declination) + math.cos(north) * math.cos(
        declination
    ) * math.cos(turned)
    return math.degrees(math.asin(min(max(sine, -1.0), 1.0)))


def equation_of_time(angle: float) -> float:
    """Return by how many minutes the sun's clock is ahead of the mean one.

    Parameters
    ----------
    angle : float
        How much of the year has gone, radians.
    """
    return 229.18 * (
        0.000075
        + 0.001868 * math.cos(angle)
        - 0.032077 * math.sin(angle)
        - 0.014615 * math.cos(2 * angle)
        - 0.040849 * math.sin(2 * angle)
    )


def airmass(altitude: float) -> float | None:
    """Return the air that sunlight has come through, 1 from overhead; None where it is down.

    Examples
    --------
    >>> round(airmass(90), 3), round(airmass(30), 3), airmass(0.5)
    (1.0, 1.994, None)
    """
    if altitude < _LOWEST:
        return None
    haze = 0.50572 * math.pow(altitude + 6.07995, -1.6364)
    return 1 / (math.sin(math.radians(altitude)) + haze)
