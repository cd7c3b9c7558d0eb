"""Reciprocity failure: the exposure to give where the metered one is long.

Every correction is monotone over the whole range: a longer metered time never gives a shorter
exposure. None of them knows your plates; a table of your own tests beats them all.

Rules from practice, laws with an exponent, and a table of one's own, read from CSV.
"""

from __future__ import annotations

import csv
import math
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from platebench.core.checked_table import LARGEST_FILE
from platebench.core.csv_table import table_text
from platebench.core.errors import BadSettingError

HEADER = ["metered_s", "given_s"]


def load_reciprocity_table(path: Path) -> OwnTable:
    """Read a table of reciprocity.

    Lines that are empty or begin with ``#`` do not count.

    Raises
    ------
    SettingsFileError
        If the file cannot be read.
    BadSettingError
        If a row is not two times in seconds, or the rows do not rise.
    """
    text = table_text(path, as_utf8="save it as UTF-8", largest=LARGEST_FILE)
    rows = [
        (number, _cells(line))
        for number, line in enumerate(text.splitlines(), 1)
        if line.strip() and not line.lstrip().startswith("#")
    ]
    if not rows or [cell.lower() for cell in rows[0][1]] != HEADER:
        remedy = f"begin with the line {','.join(HEADER)}"
        raise BadSettingError(path, f"line {rows[0][0] if rows else 1}", "is no header", remedy)
    times = [(number, *_two_times(path, number, cells)) for number, cells in rows[1:]]
    metered, given = tuple(time[1] for time in times), tuple(time[2] for time in times)
    problem = table_problem(metered, given)
    if problem is not None:
        row, what, remedy = problem
        line = times[row - 1][0] if times else rows[0][0]
        raise BadSettingError(path, f"line {line}", what, remedy)
    return OwnTable(metered=metered, given=given, name=f"the table {path.name}")


def _cells(line: str) -> list[str]:
    try:
        return [cell.strip() for cell in next(csv.reader([line]), [])]
    except csv.Error:  # a cell of more than 131,072 characters
        return []


def _two_times(path: Path, line: int, cells: list[str]) -> tuple[float, float]:
    try:
        metered, given = (float(cell) for cell in cells)
    except ValueError as error:
        remedy = "write two numbers with a point, such as 60,90 or 1.5,1.8"
        raise BadSettingError(path, f"line {line}", "is not two times", remedy) from error
    return metered, given


MINUTE = 60.0
PRACTICE = "common practice, no published source"


class Reciprocity(Protocol):
    """A correction for long exposures."""

    @property
    def words(self) -> str:
        """Say which correction this is."""
        ...

    @property
    def mark(self) -> str:
        """Say where it comes from."""
        ...

    def given_s(self, metered_s: float) -> float:
        """Return the exposure to give (s) for a metered one (s)."""
        ...


@dataclass(frozen=True, slots=True)
class NoCorrection:
    """The exposure as metered."""

    @property
    def words(self) -> str:
        """Say which correction this is."""
        return "reciprocity: no correction"

    @property
    def mark(self) -> str:
        """Say where it comes from."""
        return "your own choice"

    def given_s(self, metered_s: float) -> float:
        """Return the metered exposure, s."""
        return metered_s


@dataclass(frozen=True, slots=True)
class PracticeRule:
    """The common rule: nothing to one minute, half more over one minute, double from two on.

    Taken at its word the rule jumps: 60 s would be given 60 s, and 61 s would be given 91 s. A
    longer metered time still never got less, but a second's difference on the meter would change
    the exposure by more than half a stop. So the factor rises in a straight line from 1 at one
    minute to 2 at two minutes: ``given = t * t / 60 s`` between them. That is 1 where "nothing"
    ends, 2 where "double" begins, and half more at 90 s, the middle of the stretch the rule says
    it of. No jump is left, and the exposure given always rises with the metered one.

    Examples
    --------
    >>> [PracticeRule().given_s(t) for t in (30, 60, 90, 120, 180)]
    [30.0, 60.0, 135.0, 240.0, 360.0]
    """

    @property
    def words(self) -> str:
        """Say which correction this is."""
        return (
            "reciprocity: nothing to 1 min, half more at 1 1/2 min, double from 2 min on, joined "
            "in a straight line"
        )

    @property
    def mark(self) -> str:
        """Say where it comes from."""
        return PRACTICE

    def given_s(self, metered_s: float) -> float:
        """Return the exposure to give, s."""
        return float(metered_s * min(max(metered_s / MINUTE, 1.0), 2.0))


@dataclass(frozen=True, slots=True, kw_only=True)
class Schwarzschild:
    """Equal blackening where ``I * t**p`` is equal: ``given = t ** (1 / p)``.

    Attributes
    ----------
    p : float
        The exponent, of one emulsion and batch; 0.7 to 0.95 in the literature (from memory).
        Schwarzschild's own was 0.86.
    plus_one : bool
        True uses ``t + 1 s`` in place of t, which needs no step at 1 s:
        ``given = (t + 1) ** (1 / p) - 1``. False leaves times below 1 s as they are.

    Examples
    --------
    >>> round(Schwarzschild(p=0.86).given_s(10.0), 2)
    14.55
    """

    p: float
    plus_one: bool = False

    def __post_init__(self) -> None:
        if not 0.5 <= self.p <= 1:
            raise ValueError(f"the Schwarzschild exponent must be from 0.5 to 1, got {self.p:g}")

    @property
    def words(self) -> str:
        """Say which correction this is."""
        form = "(t + 1) ** (1 / p) - 1" if self.plus_one else "t ** (1 / p) from 1 s on"
        return f"reciprocity: Schwarzschild, p = {self.p:g}, {form}"

    @property
    def mark(self) -> str:
        """Say where it comes from."""
        return "the exponent is yours"

    def given_s(self, metered_s: float) -> float:
        """Return the exposure to give, s."""
        if self.plus_one:  # expm1 and log1p keep the digits of very short times
            return math.expm1(math.log1p(metered_s) / self.p)
        return float(metered_s ** (1 / self.p)) if metered_s > 1 else float(metered_s)


@dataclass(frozen=True, slots=True, kw_only=True)
class PowerExcess:
    """Time added as a power of the time: ``given = t + a * t**exponent``, t in seconds.

    The exponent 1.62 fitted tests of five modern films, with a from 0.046 to 0.169 (read second
    hand, http://www.apug.org/forums/forum37/11566-reciprocity-misbehavior.html). No plate was
    among them.

    Attributes
    ----------
    a : float
        Of one emulsion, 0 or more.
    exponent : float
        At least 1.

    Examples
    --------
    >>> round(PowerExcess(a=0.169).given_s(10.0), 2)
    17.05
    """

    a: float
    exponent: float = 1.62

    def __post_init__(self) -> None:
        if not (0 <= self.a <= 10 and 1 <= self.exponent <= 3):
            raise ValueError(
                "the added time needs a factor from 0 to 10 and an exponent from 1 to 3, got "
                f"{self.a:g} and {self.exponent:g}"
            )

    @property
    def words(self) -> str:
        """Say which correction this is."""
        return f"reciprocity: t + {self.a:g} * t ** {self.exponent:g}"

    @property
    def mark(self) -> str:
        """Say where it comes from."""
        return "a form fitted to films, not plates; the factor is yours"

    def given_s(self, metered_s: float) -> float:
        """Return the exposure to give, s."""
        return float(metered_s + self.a * metered_s**self.exponent)


@dataclass(frozen=True, slots=True, kw_only=True)
class OwnTable:
    """A table of one's own tests, straight between its rows on logarithmic scales.

    Attributes
    ----------
    metered, given : tuple of float
        Seconds; ``metered`` rises, ``given`` never falls and is never below ``metered``. Times
        shorter than the first row get its factor; times longer than the last are refused, for
        nothing is known of them.
    name : str
        Where the table came from.
    """

    metered: tuple[float, ...]
    given: tuple[float, ...]
    name: str = "your own table"

    def __post_init__(self) -> None:
        problem = table_problem(self.metered, self.given)
        if problem is not None:
            raise ValueError(f"row {problem[0]} of {self.name}: {problem[1]}")

    @property
    def words(self) -> str:
        """Say which correction this is."""
        return f"reciprocity: {self.name}"

    @property
    def mark(self) -> str:
        """Say where it comes from."""
        return "your own tests"

    def given_s(self, metered_s: float) -> float:
        """Return the exposure to give, s.

        Raises
        ------
        ValueError
            If the metered time is beyond the last row.
        """
        if metered_s > self.metered[-1]:
            raise ValueError(
                f"{metered_s:.4g} s is longer than the last row of {self.name} "
                f"({self.metered[-1]:g} s); test such a time and add a row"
            )
        if metered_s <= self.metered[0]:
            return metered_s * self.given[0] / self.metered[0]
        after = next(n for n, time in enumerate(self.metered) if time >= metered_s)
        x = [math.log(time) for time in self.metered[after - 1 : after + 1]]
        y = [math.log(time) for time in self.given[after - 1 : after + 1]]
        share = (math.log(metered_s) - x[0]) / (x[1] - x[0])
        between = math.exp(y[0] + share * (y[1] - y[0]))
        return min(max(between, self.given[after - 1]), self.given[after])


def table_problem(
    metered: tuple[float, ...], given: tuple[float, ...]
) -> tuple[int, str, str] | None:
    """Return the first wrong row of a table: its number from 1, what is wrong, what to do."""
    if len(metered) != len(given) or len(metered) < 2:
        return 1, "stands alone", "give at least two rows"
    for row, (time, gets) in enumerate(zip(metered, given, strict=True), 1):
        if not (0 < time < math.inf and 0 < gets < math.inf):
            return row, "is not two times above 0", "write seconds"
        if gets < time:
            return (
                row,
                f"gives {gets:g} s for {time:g} s metered, less than metered",
                ("see whether the columns are swapped"),
            )
        if row > 1 and time <= metered[row - 2]:
            return row, f"({time:g} s) does not come after the row before", "sort the rows by time"
        if row > 1 and gets < given[row - 2]:
            return (
                row,
                f"gives {gets:g} s, less than the row before",
                ("a longer metered time never gets a shorter exposure: test it again"),
            )
    return None
