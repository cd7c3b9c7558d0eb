"""The batch book: a line a batch, and limits by which a batch stands out from those before it.

An individuals chart: mean +-2.66 times the mean moving range, and moving ranges up to 3.267 times
their mean (3 / 1.128 and 3.267, the constants of a range of two; NIST/SEMATECH e-Handbook of
Statistical Methods, 6.3.2.2, from memory). Speeds are compared by their logarithm. Counts of flaws
need another kind of chart; they are listed and not judged.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any, Literal

import msgspec

from platebench.core.csv_table import CellProblems, read_csv_table, write_csv_rows
from platebench.core.errors import ReadingsError, SettingsFileError
from platebench.core.files import atomic_write
from platebench.core.plain_json import read_json
from platebench.sensitometry.curve_file import BatchCurve

BOOK, LIMITS = "batches.csv", "limits.json"
FEW, FIRM = 8, 20  # batches: limits are hidden under the first, provisional under the second
_WIDTH, _RANGE_WIDTH = 2.66, 3.267
FIGURES = ("speed", "gamma", "base plus fog", "Dmax", "evenness sd")
HEADINGS = (
    *("batch", "coated on", "curve", "minutes", "speed", "speed is", "gamma", "base plus fog"),
    *("Dmax", "evenness sd", "evenness max-min", "even by", "flaws a dm2"),
)
_NUMBERS = (*FIGURES, "minutes", "evenness max-min", "flaws a dm2")
State = Literal["points only", "provisional", "firm"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ControlLimits:
    """Limits of one figure.

    Attributes
    ----------
    centre, low, high : float
        In the figure's own unit; of speeds the logarithm to base 10.
    range_high : float
        Largest moving range that is no surprise.
    batches : int
        They rest on.
    """

    centre: float
    low: float
    high: float
    range_high: float
    batches: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Charted:
    """One figure of all batches, judged.

    Attributes
    ----------
    figure : str
    names : tuple of str
        Batches that have the figure, in the book's order.
    values : tuple of float
        As they are compared: of speeds the logarithm to base 10.
    limits : ControlLimits or None
        None under 8 batches.
    state : {"points only", "provisional", "firm"}
    outside : tuple of str
        Batches outside the limits, or too far from the one before.
    """

    figure: str
    names: tuple[str, ...]
    values: tuple[float, ...]
    limits: ControlLimits | None
    state: State
    outside: tuple[str, ...]


def control_limits(values: Sequence[float]) -> ControlLimits:
    """Return the limits of an individuals chart.

    Examples
    --------
    >>> limits = control_limits([1.0, 2.0, 1.0, 2.0])
    >>> round(limits.low, 2), limits.centre, round(limits.high, 2), limits.range_high
    (-1.16, 1.5, 4.16, 3.267)
    """
    ranges = [abs(b - a) for a, b in pairwise(values)]
    mean, spread = sum(values) / len(values), sum(ranges) / len(ranges)
    return ControlLimits(
        centre=mean,
        low=mean - _WIDTH * spread,
        high=mean + _WIDTH * spread,
        range_high=_RANGE_WIDTH * spread,
        batches=len(values),
    )


def chart(
    figure: str,
    names: Sequence[str],
    values: Sequence[float],
    frozen: ControlLimits | None = None,
) -> Charted:
    """Judge one figure.

    Parameters
    ----------
    frozen : ControlLimits or None
        Firm limits of earlier, which stay until the user renews them.
    """
    limits, state = frozen, "firm"
    if limits is None:
        state = "points only" if len(values) < FEW else "provisional"
        if len(values) >= FIRM:
            state = "firm"
        if len(values) >= FEW:
            limits = control_limits(values)
    outside = []
    if limits is not None:
        for n, value in enumerate(values):
            jump = abs(value - values[n - 1]) if n else 0.0
            if not limits.low <= value <= limits.high or jump > limits.range_high:
                outside.append(names[n])
    return Charted(
        figure=figure,
        names=tuple(names),
        values=tuple(values),
        limits=limits,
        state=state,  # type: ignore[arg-type]
        outside=tuple(outside),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class BatchBook:
    """The book as it stands.

    Attributes
    ----------
    headings : tuple of str
        Ours, then those the person added.
    lines : tuple of mapping of str to str
        A batch each, in the order they were entered.
    """

    headings: tuple[str, ...]
    lines: tuple[Mapping[str, str], ...]

    def with_line(self, batch: str, cells: Mapping[str, str]) -> BatchBook:
        """Return the book with what is now known of a batch in its line, or in a new one."""
        known = {key: text for key, text in cells.items() if text}
        lines = list(self.lines)
        for n, line in enumerate(lines):
            if line.get("batch") == batch:
                lines[n] = {**line, **known}
                break
        else:
            lines.append({"batch": batch, **known})
        return BatchBook(headings=self.headings, lines=tuple(lines))

    def charted(self, frozen: Mapping[str, ControlLimits]) -> tuple[Charted, ...]:
        """Return every figure that some batch has, judged."""
        found = []
        for figure in FIGURES:
            pairs = [
                (line["batch"], float(line[figure].replace(",", ".")))
                for line in self.lines
                if line.get(figure)
            ]
            if not pairs:
                continue
            values = [math.log10(v) if figure == "speed" else v for _, v in pairs]
            found.append(chart(figure, [name for name, _ in pairs], values, frozen.get(figure)))
        return tuple(found)


def load_book(folder: Path) -> BatchBook:
    """Read a folder's book; an empty one where there is none.

    Raises
    ------
    SettingsFileError
        If it cannot be read, or has no column "batch".
    BadSettingError, BadSettingsError
        If cells hold no numbers, or a batch stands there twice.
    """
    path = folder / BOOK
    if not path.exists():
        return BatchBook(headings=HEADINGS, lines=())
    table = read_csv_table(path)
    if "batch" not in table.headings:
        remedy = "head one so, or move the file away"
        raise SettingsFileError(path, 'has no column "batch"', remedy)
    problems, lines, seen = CellProblems(table), [], set()
    for row, cells in table.rows:
        line = dict(zip(table.headings, cells, strict=False))
        if not line.get("batch") or line["batch"] in seen:
            at = table.headings.index("batch")
            what = "is empty" if not line.get("batch") else "stands there twice"
            problems.cell(row, at, what, "give each batch one line")
        seen.add(line.get("batch"))
        for name in _NUMBERS:
            text = line.get(name, "")
            if text and not _is_number(text, positive=name == "speed"):
                at = table.headings.index(name)
                problems.cell(row, at, "is no number", "write one, or leave it empty")
        lines.append(line)
    problems.finish()
    own = tuple(h for h in table.headings if h and h not in HEADINGS)
    return BatchBook(headings=(*HEADINGS, *own), lines=tuple(lines))


def _is_number(text: str, *, positive: bool) -> bool:
    try:
        value = float(text.replace(",", "."))
    except ValueError:
        return False
    return math.isfinite(value) and (value > 0 or not positive)


def write_book(folder: Path, book: BatchBook) -> Path:
    """Write the book.

    Raises
    ------
    WriteError
        If it cannot be written.
    """
    rows = [[line.get(heading, "") for heading in book.headings] for line in book.lines]
    with atomic_write(folder / BOOK) as stream:
        stream.write(write_csv_rows([book.headings, *rows]))
    return folder / BOOK


def cells_of_curve(curve: BatchCurve) -> dict[str, str]:
    """Return what a curve says of its batch, as the book has it."""
    speed = None if curve.speed_log_h is None else 10.0**-curve.speed_log_h
    if speed is not None and curve.absolute:
        speed *= 0.8  # 0.8 / Hm, as ISO 6 counts
    return {
        "curve": curve.name,
        "minutes": "" if curve.minutes is None else f"{curve.minutes:g}",
        "speed": "" if speed is None else f"{speed:.4g}",
        "speed is": "0.8 / Hm" if curve.absolute else "relative",
        "gamma": f"{curve.gamma:.3f}",
        "base plus fog": f"{curve.base_fog:.3f}",
        "Dmax": f"{curve.d_max:.2f}",
    }


def load_limits(folder: Path) -> dict[str, ControlLimits]:
    """Return the firm limits that a folder keeps, by figure.

    Raises
    ------
    ReadingsError
        If the file is no such thing.
    """
    path = folder / LIMITS
    if not path.exists():
        return {}
    try:
        document = read_json(path.read_bytes())
        return msgspec.convert(document["limits"], dict[str, ControlLimits])
    except (OSError, ValueError, KeyError, TypeError) as error:
        remedy = "move it away; limits are then worked out anew"
        raise ReadingsError(path, "holds no limits of batches", remedy) from error


def firm_limits(
    charted: Iterable[Charted], frozen: Mapping[str, ControlLimits]
) -> dict[str, ControlLimits]:
    """Return the limits to keep: those frozen already, and those that have become firm."""
    kept = dict(frozen)
    for one in charted:
        if one.state == "firm" and one.limits is not None:
            kept.setdefault(one.figure, one.limits)
    return kept


def charted_to_json(one: Charted) -> dict[str, Any]:
    """Return a judged figure as JSON types."""
    limits = one.limits
    return {
        "figure": one.figure,
        "state": one.state,
        "batches": list(one.names),
        "values": [round(value, 4) for value in one.values],
        "limits": None
        if limits is None
        else {"low": limits.low, "centre": limits.centre, "high": limits.high},
        "outside": list(one.outside),
    }
