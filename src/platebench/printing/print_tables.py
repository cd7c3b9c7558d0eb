"""The tables of a process profile that say what a print looks like and what was measured."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from platebench.core.checked_table import CheckedTable, as_number
from platebench.printing.print_look import (
    GENERAL_CURVE,
    GENERAL_LOOK,
    SOURCED,
    PrintCurve,
    PrintLook,
    SpectralBand,
    Status,
)
from platebench.printing.process import (
    ChartPrint,
    Colour,
    NegativeInk,
    PrintResponse,
    ProcessCalibration,
)

STATED = tuple(str(status) for status in Status if status not in (Status.STEP, Status.CHOSEN))
PRINT_KEYS = ("d_max", "paper_white", "middle_hue", "black_hue", "status", "source")
_MOST_POINTS = 2000


def read_band(table: CheckedTable) -> SpectralBand | None:
    """Read ``[spectral_band]``; None where the profile has none."""
    if "spectral_band" not in table:
        return None
    band = table.table("spectral_band")
    band.check_keys(("low", "high", "status", "source"))
    _require(band, ("low", "high", "status"))
    low = band.number("low", 200, 700, 300.0)
    high = band.number("high", 200, 700, 450.0)
    if low >= high:
        band.problem("low", f"is {low:g}", "keep low below high, in nanometres")
    status = Status(band.choice("status", STATED, "memory"))
    read_source(band, (status,))
    return SpectralBand(low=low, high=high, status=status)


def read_print_curve(table: CheckedTable) -> PrintCurve:
    """Read ``[print_curve]``; a general S where the profile has none."""
    if "print_curve" not in table:
        return GENERAL_CURVE
    curve = table.table("print_curve")
    curve.check_keys(("points", "status", "source"))
    _require(curve, ("points", "status"))
    points = [_numbers(point, 2) for point in _list(curve.values.get("points"))]
    rows = [point for point in points if point is not None]
    status = Status(curve.choice("status", STATED, "memory"))
    source = read_source(curve, (status,))
    exposure, tone = tuple(r[0] for r in rows), tuple(r[1] for r in rows)
    if len(rows) != len(points) or not _runs_from_0_to_1(exposure) or not _runs_from_0_to_1(tone):
        remedy = "write points = [[0, 0], ..., [1, 1]], both numbers rising from 0 to 1"
        curve.problem("points", "are no curve", remedy)
        return GENERAL_CURVE
    return PrintCurve(exposure=exposure, tone=tone, status=status, source=source)


def read_look(table: CheckedTable) -> PrintLook:
    """Read ``[print]``: depth, paper and hue; what is left out is that of a general matt print."""
    if "print" not in table:
        return GENERAL_LOOK
    look = table.table("print")
    look.check_keys(PRINT_KEYS)
    said = [key for key in PRINT_KEYS[:4] if key in look]
    if said:
        _require(look, ("status",))
    statuses = read_statuses(look, said)
    source = read_source(look, tuple(statuses.values()))
    paper = _triple(look, "paper_white", GENERAL_LOOK.paper_white)
    return PrintLook(
        d_max=look.number("d_max", 0.3, 3.0, GENERAL_LOOK.d_max),
        paper_white=paper,
        middle_hue=_pair(look, "middle_hue", GENERAL_LOOK.middle_hue),
        black_hue=_pair(look, "black_hue", GENERAL_LOOK.black_hue),
        status=(
            statuses.get("d_max", Status.PRACTICE),
            statuses.get("paper_white", Status.PRACTICE),
            statuses.get("middle_hue", Status.PRACTICE),
            statuses.get("black_hue", Status.PRACTICE),
        ),
        source=source,
    )


def read_calibration(table: CheckedTable) -> ProcessCalibration | None:
    """Read ``[calibration]``, as ``calibrate-process`` wrote it; None where there is none."""
    if "calibration" not in table:
        return None
    found = table.table("calibration")
    found.check_keys(("ink", "density", "residual", "noise", "evenness", "colour", "print"))
    _require(found, ("ink", "density"))
    ink = _numbers(found.values.get("ink"))
    density = _numbers(found.values.get("density"))
    try:
        response = PrintResponse(ink=ink or (), density=density or (), calibrated=True)
    except ValueError as error:
        found.problem("density", f"is no curve ({error})", "calibrate the process again")
        return None
    return ProcessCalibration(
        response=response,
        prints=tuple(_chart_print(each) for each in found.tables("print")),
        residual=found.number("residual", 0, 3, 0.0),
        noise=found.number("noise", 0, 3, 0.0),
        evenness=found.number("evenness", 0, 3, 0.0),
        colour=_colour(found) if "colour" in found else None,
    )


def read_ink(table: CheckedTable) -> NegativeInk | None:
    """Read ``[ink]``: what print negatives are printed in; None for plain black."""
    if "ink" not in table:
        return None
    ink = table.table("ink")
    ink.check_keys(("colour", "name", "taken", "black_taken"))
    _require(ink, ("colour",))
    taken, black = (
        ink.number(key, 0, 10, 0.0) if key in ink else None for key in ("taken", "black_taken")
    )
    name = ink.text("name", "")
    return NegativeInk(colour=_colour(ink), name=name, taken=taken, black_taken=black)


def _colour(table: CheckedTable) -> Colour:
    values = _numbers(table.values.get("colour"), 3)
    if values is None or min(values) < 0 or max(values) > 1 or min(values) > 0.95:
        remedy = "write colour = [red, green, blue], 0 to 1, such as [1, 1, 0] for full yellow"
        table.problem("colour", "is no colour of ink", remedy)
        return 0.0, 0.0, 0.0
    return values[0], values[1], values[2]


def read_statuses(table: CheckedTable, said: Sequence[str]) -> dict[str, Status]:
    """Return how each number written came to be: one word for all, or a table by number."""
    if "status" not in table:
        return {}
    if not isinstance(table.values["status"], dict):
        return dict.fromkeys(said, Status(table.choice("status", STATED, "memory")))
    within = table.table("status")
    within.name = f"{table.name}.status"
    within.check_keys(said)
    _require(within, said)
    return {key: Status(within.choice(key, STATED, "memory")) for key in said}


def read_source(table: CheckedTable, statuses: Sequence[Status]) -> str:
    """Return where the numbers were read; missing is a problem where a status says they were."""
    source = table.text("source", "")
    if any(status in SOURCED for status in statuses) and not source.strip():
        table.problem("source", "is missing", "name where it was read")
    return source


def _chart_print(table: CheckedTable) -> ChartPrint:
    table.check_keys(("scan", "chart", "ink", "density", "error"))
    columns = [_numbers(table.values.get(key)) or () for key in ("ink", "density", "error")]
    if not columns[0] or len({len(column) for column in columns}) > 1 or min(columns[2]) <= 0:
        table.problem("ink", "does not fit density and error", "calibrate the process again")
        columns = [(), (), ()]
    return ChartPrint(
        scan=table.text("scan", ""),
        chart=table.text("chart", ""),
        ink=columns[0],
        density=columns[1],
        error=columns[2],
    )


def _require(table: CheckedTable, keys: Sequence[str]) -> None:
    words = ", ".join(f'"{word}"' for word in STATED)
    for key in keys:
        if key not in table:
            stated = key == "status" or table.name.endswith("status")
            table.problem(key, "is missing", f"write one of {words}" if stated else "write it")


def _runs_from_0_to_1(values: Sequence[float]) -> bool:
    rises = len(values) >= 2 and bool((np.diff(values) > 0).all())
    return rises and values[0] == 0 and values[-1] == 1


def _triple(
    table: CheckedTable, key: str, default: tuple[float, float, float]
) -> tuple[float, float, float]:
    values = _numbers(table.values.get(key, list(default)), 3)
    if values is None or not 0 < values[0] <= 100 or max(map(abs, values)) > 128:
        table.problem(key, "is no colour", f"write {key} = [L*, a*, b*], such as [95, 0, 4]")
        return default
    return values[0], values[1], values[2]


def _pair(table: CheckedTable, key: str, default: tuple[float, float]) -> tuple[float, float]:
    values = _numbers(table.values.get(key, list(default)), 2)
    if values is None or max(map(abs, values)) > 128:
        table.problem(key, "is no hue", f"write {key} = [a*, b*], such as [2, 6]")
        return default
    return values[0], values[1]


def _list(value: object) -> list[Any]:
    return value if isinstance(value, list) else []


def _numbers(value: object, count: int | None = None) -> tuple[float, ...] | None:
    """Return a list of finite numbers; None for anything else."""
    if not isinstance(value, list) or not 0 < len(value) <= _MOST_POINTS:
        return None
    numbers = [as_number(one) for one in value]
    kept = tuple(number for number in numbers if number is not None)
    if len(kept) != len(numbers) or (count is not None and len(kept) != count):
        return None
    return kept
