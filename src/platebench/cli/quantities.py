"""Command-line values with a unit or a meaning: times, positive numbers, a bath's time and heat."""

from __future__ import annotations

import math
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
