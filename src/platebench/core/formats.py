"""Plate formats: nominal outer sizes of glass plates.

A nominal size is a maximum; plates are cut up to 1 % under it, never over (Clerc, *Photography:
Theory and Practice*, section 239). Inch sizes are exact; 1 in = 25.4 mm by definition.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

MM_PER_INCH = 25.4
CUT_UNDER = 0.01  # a plate may be this share smaller than its nominal size


@dataclass(frozen=True, slots=True)
class PlateFormat:
    """One nominal plate size.

    Attributes
    ----------
    name : str
        As written in ``session.toml``.
    short_mm, long_mm : float
        Sides in millimetres.
    """

    name: str
    short_mm: float
    long_mm: float


def _inches(name: str, short: float, long: float) -> PlateFormat:
    return PlateFormat(name, short * MM_PER_INCH, long * MM_PER_INCH)


# Whole, half and quarter plate: Century Dictionary; half plate differs between countries.
# 6.5x9 to 24x30 cm: trade tables; 30x40 cm, inch and lantern sizes from memory.
FORMATS: tuple[PlateFormat, ...] = (
    _inches("quarter plate", 3.25, 4.25),
    _inches("half plate UK", 4.75, 6.5),
    _inches("half plate US", 4.25, 5.5),
    _inches("whole plate", 6.5, 8.5),
    _inches("4x5 in", 4, 5),
    _inches("5x7 in", 5, 7),
    _inches("8x10 in", 8, 10),
    _inches("10x12 in", 10, 12),
    _inches("11x14 in", 11, 14),
    _inches("lantern UK", 3.25, 3.25),
    _inches("lantern US", 3.25, 4),
    PlateFormat("6.5x9 cm", 65, 90),
    PlateFormat("9x12 cm", 90, 120),
    PlateFormat("10x15 cm", 100, 150),
    PlateFormat("13x18 cm", 130, 180),
    PlateFormat("18x24 cm", 180, 240),
    PlateFormat("24x30 cm", 240, 300),
    PlateFormat("30x40 cm", 300, 400),
)

_RATIO = re.compile(r"^\s*(\d+(?:\.\d+)?)\s*:\s*(\d+(?:\.\d+)?)\s*$")
_CUSTOM = re.compile(r"^\s*([\d.]+)\s*x\s*([\d.]+)\s*(mm|cm|in)\s*$")
_UNIT_MM = {"mm": 1.0, "cm": 10.0, "in": MM_PER_INCH}


def format_named(name: str) -> PlateFormat | None:
    """Return the format called ``name``, or one made of "W x H mm|cm|in"; None if neither.

    Examples
    --------
    >>> format_named("4x5 in").long_mm
    127.0
    >>> format_named("100 x 80 mm")
    PlateFormat(name='100 x 80 mm', short_mm=80.0, long_mm=100.0)
    >>> format_named("as large as a tea tray") is None
    True
    """
    for known in FORMATS:
        if known.name.casefold() == name.strip().casefold():
            return known
    match = _CUSTOM.match(name)
    if match is None:
        return None
    try:
        sides = sorted(float(match[i]) * _UNIT_MM[match[3]] for i in (1, 2))
    except ValueError:
        return None
    return PlateFormat(name.strip(), *sides) if sides[0] > 0 else None


def ratio_of(text: str) -> float | None:
    """Return the longer over the shorter side of "W:H"; None where it is no such ratio.

    Examples
    --------
    >>> ratio_of("4:5"), ratio_of("5 : 4"), ratio_of("A4")
    (1.25, 1.25, None)
    """
    match = _RATIO.match(text)
    sides = sorted(float(side) for side in match.groups()) if match else [0.0]
    return sides[-1] / sides[0] if sides[0] > 0 and sides[-1] <= 100 * sides[0] else None
