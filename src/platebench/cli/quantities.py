"""Command-line values with a unit or a meaning: times, numbers, a bath, places on a plate."""

from __future__ import annotations

import math
import re
from typing import Any, NamedTuple

import click


class Amount(click.ParamType[float]):
    """A finite number between two ends."""

    name = "number"

    def __init__(self, low: float, high: float) -> None:
        self.low, self.high = low, high

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        """Return the number; ``f/`` before an aperture is allowed."""
        try:
            number = float(str(value).strip().lower().removeprefix("f/"))
        except ValueError:
            number = math.nan
        if not self.low <= number <= self.high:
            self.fail(f"{value!r}: write a number from {self.low:g} to {self.high:g}", param, ctx)
        return number


class Span(click.FloatRange):
    """A range of numbers, which "nan" is not in; the help shows its ends."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Return the number."""
        number = super().convert(value, param, ctx)
        if math.isnan(number):
            self.fail(f"{value!r}: write a number from {self.min} to {self.max}", param, ctx)
        return number


class Time(click.ParamType[float]):
    """A time such as ``1/60``, ``90s`` or ``5m``, in seconds."""

    name = "time"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        """Return seconds."""
        from platebench.core.camera_time import seconds_from_words

        try:
            return seconds_from_words(str(value))
        except ValueError as error:
            self.fail(str(error), param, ctx)


class Length(click.ParamType[float]):
    """A length such as ``210``, ``21 cm`` or ``8.25in``, in millimetres, as plates.csv has it."""

    name = "length"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        """Return millimetres."""
        from platebench.plate_log.cells import BadCell, read_length

        try:
            return read_length(str(value))
        except BadCell as error:
            self.fail(f"{value!r}: {error.remedy}", param, ctx)


class BathTime(NamedTuple):
    """How long a step took, and how warm it was."""

    time_s: float
    temperature_c: float | None


class Bath(click.ParamType[BathTime]):
    """A time, and after ``@`` a temperature: ``5m@20``."""

    name = "time@C"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> BathTime:
        """Return seconds and degrees Celsius."""
        time, at, heat = str(value).partition("@")
        if time.strip().replace(".", "", 1).isdigit():
            self.fail(f"{time!r} has no unit; write {time}m or {time}s", param, ctx)
        seconds = Time().convert(time, param, ctx)
        if not at:
            return BathTime(seconds, None)
        degrees = heat.strip().removesuffix("C").removesuffix("°").strip()
        return BathTime(seconds, Amount(-5.0, 60.0).convert(degrees, param, ctx))


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


class SquareSide(click.ParamType[tuple[float, str]]):
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
