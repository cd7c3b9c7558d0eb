"""The sun's height and the air before it, against astronomy that does not come from here."""

from __future__ import annotations

from datetime import date

import pytest

from platebench.exposing.sun import airmass, equation_of_time, sun_altitude


@pytest.mark.parametrize(
    ("day", "latitude", "altitude"),
    [
        # At noon by the sun, 90 - latitude + declination: 23.44 at the solstices, 0 at equinox,
        # the obliquity of the ecliptic, IAU, to two decimals (from memory).
        (date(2026, 6, 21), 50.0, 63.44),
        (date(2026, 12, 21), 50.0, 16.56),
        (date(2026, 3, 20), 0.0, 90.0),
        (date(2026, 6, 21), 23.44, 90.0),
    ],
)
def test_noon(day: date, latitude: float, altitude: float) -> None:
    assert sun_altitude(day, 12.0, latitude=latitude) == pytest.approx(altitude, abs=0.6)


def test_six_hours_from_noon_at_the_equinox_it_stands_on_the_horizon() -> None:
    for hour in (6.0, 18.0):
        assert sun_altitude(date(2026, 3, 20), hour, latitude=45.0) == pytest.approx(0.0, abs=0.5)


def test_the_clock_and_the_sun() -> None:
    # 15 degrees of longitude are an hour (by definition); the equation of time is +16.4 min on
    # 3 November and -14.2 min on 11 February (almanacs, from memory).
    for day, minutes in ((date(2026, 11, 3), 16.4), (date(2026, 2, 11), -14.2)):
        angle = 2 * 3.141592653589793 / 365 * (day.timetuple().tm_yday - 1)
        assert equation_of_time(angle) == pytest.approx(minutes, abs=0.3)
    at = {"latitude": 47.0, "longitude": 15.0}
    one = sun_altitude(date(2026, 11, 3), 12.0 - 16.4 / 60, zone_h=1.0, **at)
    assert one == pytest.approx(sun_altitude(date(2026, 11, 3), 12.0, latitude=47.0), abs=0.02)


def test_airmass() -> None:
    # Kasten and Young 1989 (from memory): 1 overhead, 37.92 at the horizon, 5.58 at 10 degrees
    # and 10.31 at 5 degrees; sec z to 0.3 % where the sun is high (geometry).
    for altitude, mass, off in ((90, 1.0, 0.001), (10, 5.58, 0.03), (5, 10.31, 0.05)):
        assert airmass(altitude) == pytest.approx(mass, abs=off)
    assert airmass(30.0) == pytest.approx(2.0, rel=0.004)
    assert airmass(-1.0) is None
