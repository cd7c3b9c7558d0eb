"""Places and lengths on a plate as they are written on the command line."""

from __future__ import annotations

import re
from typing import Any

import click

_NUMBER = r"(\d{1,6}(?:\.\d{1,6})?)"
_PLACE = re.compile(rf"^{_NUMBER}\s*(mm|px)?\s*,\s*{_NUMBER}\s*(mm|px)?$")
_LENGTH = re.compile(rf"^{_NUMBER}\s*(mm|px)?$")
_GRID = re.compile(r"^(\d{1,3})\s*x\s*(\d{1,3})$")
_MOST_SPOTS = 10_000


class Place(click.ParamType[tuple[float, float, str]]):
    """Two numbers, in millimetres, or in pixels where that is said."""

    name = "place"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[float, float, str]:
        """Return x, y and the unit."""
        match = _PLACE.match(str(value).strip())
        units = {unit for unit in (match[2], match[4]) if unit} if match else set()
        if match is None or len(units) > 1:
            self.fail(f"{value!r} is no place; write 34,52 (mm) or 1200px,800px", param, ctx)
        return float(match[1]), float(match[3]), units.pop() if units else "mm"


class Length(click.ParamType[tuple[float, str]]):
    """A length in millimetres, or in pixels where that is said."""

    name = "length"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[float, str]:
        """Return the length and its unit."""
        match = _LENGTH.match(str(value).strip())
        if match is None or float(match[1]) <= 0:
            self.fail(f"{value!r} is no size; write 2 (mm) or 40px", param, ctx)
        return float(match[1]), match[2] or "mm"


class Grid(click.ParamType[tuple[int, int]]):
    """Rows and columns, such as 5x7."""

    name = "grid"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[int, int]:
        """Return rows and columns."""
        match = _GRID.match(str(value).strip())
        if match is None or not 1 <= int(match[1]) * int(match[2]) <= _MOST_SPOTS:
            self.fail(f"{value!r} is no grid; write rows x columns, such as 5x7", param, ctx)
        return int(match[1]), int(match[2])
