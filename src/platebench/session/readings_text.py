"""Spot readings of a plate as a table to read."""

from __future__ import annotations

from collections.abc import Sequence

from platebench.densitometry.spot import SpotReading
from platebench.session.measure_session import PlateReadings

_LEAST_ERROR = 0.001  # D; an error is never shown as none
_HEADINGS = ("x", "y", "side", "density", "red", "green", "blue", "to blue light", "")


def readings_text(done: PlateReadings) -> str:
    """Return a line a reading, under a heading that says what they are.

    Places are middles of squares, from the left and the top of the positive.
    """
    in_mm = all(reading.x_mm is not None for reading in done.readings)
    rows = [_row(reading, in_mm=in_mm) for reading in done.readings]
    headings: tuple[str, ...] = _HEADINGS
    if done.steps is not None:
        headings = ("step", *headings)
        rows = [[str(step), *row] for step, row in zip(done.steps, rows, strict=True)]
    how = "calibrated" if done.calibrated else "not calibrated"
    lines = [
        f"{done.plate_id}: densities with their standard errors, {how}; places in "
        f"{'mm' if in_mm else 'pixels'} from the left and the top of the positive",
        *_aligned([headings, *rows]),
    ]
    if done.fog is not None:
        lines.append(f"base plus fog: {_density(done.fog)}")
    return "\n".join(lines) + "\n"


def _row(reading: SpotReading, *, in_mm: bool) -> list[str]:
    place = (
        (reading.x_mm, reading.y_mm, reading.size_mm)
        if in_mm
        else (reading.x_px, reading.y_px, reading.size_px)
    )
    shades = (reading.red, reading.green, reading.blue, reading.printing)
    remark = reading.reason or ""
    if reading.at_least is not None:
        remark = f"{remark or 'too dense'}: denser than {reading.at_least:z.2f}"
    return [
        *("" if value is None else f"{value:z.1f}" for value in place),
        _density(reading),
        *("" if value is None else f"{value:z.2f}" for value in shades),
        remark,
    ]


def _density(reading: SpotReading) -> str:
    if reading.density is None:
        return "-"
    if reading.sigma is None:
        return f"{reading.density:z.3f}"
    return f"{reading.density:z.3f} +-{max(reading.sigma, _LEAST_ERROR):.3f}"


def _aligned(rows: Sequence[Sequence[str]]) -> list[str]:
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    return [
        "  ".join(cell.rjust(width) for cell, width in zip(row, widths, strict=True)).rstrip()
        for row in rows
    ]
