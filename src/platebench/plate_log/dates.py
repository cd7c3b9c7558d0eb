"""Dates of plates, exact or not: EDTF, the extended date and time format of ISO 8601-2.

"1893" is a year, "1893-05" a month, "1893~" about that year, "189X" some year of the decade,
"1893?/1895" from perhaps 1893 to 1895, "../1895" before the end of 1895. The date of a plate is
never the date of its digitising; ``docs/metadata.md`` says where each is written.

References
----------
Library of Congress, *Extended Date/Time Format (EDTF) Specification*, 4 February 2019, which
ISO 8601-2:2019 includes.
"""

from __future__ import annotations

import re
from calendar import monthrange
from dataclasses import dataclass
from functools import lru_cache

LONGEST = 60  # characters; no date a person writes is longer
_EXACT = re.compile(r"^(?!0000)\d{4}(-(0[1-9]|1[0-2])(-(0[1-9]|[12]\d|3[01]))?)?$")
_LATEST_MONTH = 12  # above are the seasons of EDTF, which have no days
_PLAIN = re.compile(r"^(\d{2}(?:\d\d|\dX|XX)(?:-(?:0\d|1[0-2]|XX)(?:-(?:\d\d|XX))?)?)([?~%]?)$")
_UNKNOWN_REST = re.compile(r"(-XX)+$")
_DOUBTS = {"": "", "?": "perhaps ", "~": "about ", "%": "perhaps about "}
_SEASON = re.compile(r"^(\d{4})-(2[1-9]|3\d|4[01])[?~%]?$")
_OPEN = ("", "..")  # ends of an interval: unknown, and open
_DAY = re.compile(r"(?<!\d)(\d{4})-(\d{2})-(\d{2})(?!\d)")


@dataclass(frozen=True, slots=True, kw_only=True)
class PlateDate:
    """When something was done to a plate, as well as that is known.

    Attributes
    ----------
    edtf : str
        As written.
    exact : str
        The same where it is a plain year, month or day, which any program can read; else "".
    first, last : str
        First and last day it can mean, ISO 8601; "" where it is open or cannot be told.
    """

    edtf: str
    exact: str
    first: str
    last: str


def plate_date(text: str) -> PlateDate:
    """Read a date in EDTF, levels 0 to 2.

    Raises
    ------
    ValueError
        If it is none, names a day that was never in a calendar, or ends before it begins.

    Examples
    --------
    >>> plate_date("1893-05").last
    '1893-05-31'
    >>> plate_date("189X").first, plate_date("189X").last, plate_date("189X").exact
    ('1890-01-01', '1899-12-31', '')
    >>> plate_date("May 1893")
    Traceback (most recent call last):
    ValueError: no date
    """
    said = text.strip()
    if not said or len(said) > LONGEST:
        raise ValueError("no date")
    for year, month, day in _DAY.findall(said):
        if 1 <= int(month) <= _LATEST_MONTH and int(day) > _days_in(int(year), int(month)):
            raise ValueError("no day of that month")
    exact = said if _EXACT.match(said) else ""
    first, last = _bounds_of_plain(exact) if exact else _bounds(said)
    if first and last and first > last:
        raise ValueError("ends before it begins")
    return PlateDate(edtf=said, exact=exact, first=first, last=last)


def date_in_words(edtf: str) -> str:
    """Return a date for people to read; forms that are rare are left in EDTF.

    Examples
    --------
    >>> [date_in_words(date) for date in ("1893-05-12", "1893~", "189X", "18XX", "1893?/1895")]
    ['1893-05-12', 'about 1893', '1890s', '1800s', 'perhaps 1893 to 1895']
    >>> [date_in_words(date) for date in ("../1895", "1893/..", "1893-XX", "[1667,1668]")]
    ['until 1895', 'from 1893', '1893', '[1667,1668]']
    """
    first, slash, last = edtf.partition("/")
    if slash:
        ends = _one_in_words(first), _one_in_words(last)
        if ends[0] and ends[1]:
            return " to ".join(ends)
        if any(ends):
            return f"from {ends[0]}" if ends[0] else f"until {ends[1]}"
        return ""
    return _one_in_words(edtf)


def _one_in_words(edtf: str) -> str:
    if edtf in ("", ".."):
        return ""
    found = _PLAIN.match(edtf)
    if not found:
        return edtf
    day = _UNKNOWN_REST.sub("", found[1])
    if day.endswith("X"):
        day = day.replace("X", "0") + "s"
    return _DOUBTS[found[2]] + day


def _bounds_of_plain(exact: str) -> tuple[str, str]:
    """Return what :func:`_bounds` returns for a year, month or day, a thousand times as fast."""
    year, month = int(exact[:4]), int(exact[5:7] or 0)
    if not month:
        return f"{exact}-01-01", f"{exact}-12-31"
    if len(exact) > len("1893-05"):
        return exact, exact
    return f"{exact}-01", f"{exact}-{_days_in(year, month):02d}"


def _bounds(said: str) -> tuple[str, str]:
    """Return the first and last day a date can mean, the margin of "about" left out."""
    if "/" not in said or said[0] in "[{":
        return _bounds_of_one(said)
    begin, _, end = said.partition("/")  # the library stumbles over open ends that are uncertain
    if begin in _OPEN and end in _OPEN:
        raise ValueError("no date")
    first = "" if begin in _OPEN else _bounds_of_one(begin)[0]
    return first, "" if end in _OPEN else _bounds_of_one(end)[1]


@lru_cache(maxsize=1024)
def _bounds_of_one(said: str) -> tuple[str, str]:
    """Return the same for a date that is no interval."""
    from edtf import parse_edtf  # a grammar is built: only where there are dates

    if said.startswith(".") or said != said.strip() or "/" in said:
        raise ValueError("no date")
    season = _SEASON.match(said)
    if season:  # which months a season has depends on the place
        return f"{season[1]}-01-01", f"{season[1]}-12-31"
    try:
        parsed = parse_edtf(said)
    except Exception as error:  # it fails in several ways on what is no date
        raise ValueError("no date") from error
    try:
        return _day_of(parsed.lower_strict()), _day_of(parsed.upper_strict())
    except (AttributeError, TypeError, ValueError, OverflowError):
        return "", ""  # years beyond a calendar


def _day_of(moment: object) -> str:
    """Return a struct_time as an ISO day; "" for an open end."""
    if not isinstance(moment, tuple) or not 0 < moment[0] < 10_000:
        return ""
    return f"{moment[0]:04d}-{moment[1]:02d}-{moment[2]:02d}"


def _days_in(year: int, month: int) -> int:
    return monthrange(year, month)[1] if year else 31
