"""Step tablets whose densities are known: by their kind, or from a table of calibrated steps."""

from __future__ import annotations

import csv
import math
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

from platebench.core.errors import TabletError
from platebench.core.files import read_at_most
from platebench.core.plate_names import as_text

LEAST_STEPS = 4
MOST_STEPS = 200
DENSITY_RANGE = (-0.05, 6.0)
CALIBRATED_SIGMA = 0.01  # D; where a table gives none: +-0.02 taken as two standard deviations
_LARGEST_FILE = 1 << 20
# Tolerance of uncalibrated tablets, +-(0.05 D + 4 % of D): practice, no published source; read as
# limits within which every value is equally likely, hence the root of 3.
_NOMINAL_OFFSET, _NOMINAL_SHARE = 0.05 / math.sqrt(3), 0.04 / math.sqrt(3)
_COLUMNS = ("step", "density", "sigma")


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownTablet:
    """A tablet with the diffuse density of each step.

    Attributes
    ----------
    name : str
        "21", "31", or the name of the table.
    densities, sigmas : tuple of float
        By step, thinnest first; D.
    calibrated : bool
        False where the densities are those of the kind, not of this very tablet.
    """

    name: str
    densities: tuple[float, ...]
    sigmas: tuple[float, ...]
    calibrated: bool

    @property
    def common(self) -> tuple[float, float]:
        """Uncertainty that all steps may share: an offset (D) and a share of the density."""
        if not self.calibrated:
            return _NOMINAL_OFFSET, _NOMINAL_SHARE
        return sorted(self.sigmas)[len(self.sigmas) // 2], 0.0


def tablet_in_words(name: str) -> str:
    """Return what a tablet is, by the name its calibration and records keep.

    Examples
    --------
    >>> tablet_in_words("21"), tablet_in_words("own.csv")
    ('a step tablet of 21 steps, nominal densities', 'a step tablet, own densities (own.csv)')
    """
    if name in STANDARD:
        return f"a step tablet of {name} steps, nominal densities"
    return f"a step tablet, own densities ({name})"


def _nominal(name: str, count: int, step: float) -> KnownTablet:
    densities = tuple(round(0.05 + step * k, 2) for k in range(count))
    return KnownTablet(
        name=name,
        densities=densities,
        sigmas=tuple(math.hypot(_NOMINAL_OFFSET, _NOMINAL_SHARE * d) for d in densities),
        calibrated=False,
    )


STANDARD = {"21": _nominal("21", 21, 0.15), "31": _nominal("31", 31, 0.10)}
"""The common photographic tablets: half a stop and a third of a stop a step, from 0.05."""


def tablet_from_table(path: Path) -> KnownTablet:
    """Read a table of calibrated steps: CSV with columns step, density and, if known, sigma.

    Separated by commas, or by semicolons or tabs with either decimal sign. Lines that begin with
    # are left out.

    Steps are numbered from the thinnest; a tablet whose maker counts from the dense end may be
    given as it is. Numbers may be missing where a step is unusable.

    Raises
    ------
    TabletError
        If it cannot be read, or the densities do not rise (or fall) from step to step.
    """
    rows = _rows(path)
    steps = [row[0] for row in rows]
    twice = sorted({step for step in steps if steps.count(step) > 1})
    if twice:
        raise TabletError(path, f"lists step {twice[0]} twice", "list each step once")
    rows.sort()
    if len(rows) < LEAST_STEPS:
        what = f"lists {len(rows)} steps"
        raise TabletError(path, what, f"list at least {LEAST_STEPS}, one on a line: step,density")
    if rows[-1][1] < rows[0][1]:
        rows.reverse()
    for (one, low, _), (other, high, _) in pairwise(rows):
        if high <= low:
            what = f"has density {low:g} at step {one} and {high:g} at step {other}"
            raise TabletError(path, what, "densities must rise from step to step; correct it there")
        if abs(other - one) != 1:
            what = f"goes from step {one} to step {other}"
            raise TabletError(path, what, "list the steps between them, too")
    return KnownTablet(
        name=as_text(path.name),
        densities=tuple(row[1] for row in rows),
        sigmas=tuple(row[2] for row in rows),
        calibrated=True,
    )


def _rows(path: Path) -> list[tuple[int, float, float]]:
    header, *lines = _lines(path)
    names = [cell.strip().casefold().replace("tablet_", "") for cell in header]
    if names[:2] != list(_COLUMNS[:2]) or names[2:] not in ([], ["sigma"]):
        raise TabletError(
            path, "does not begin with the columns step,density", "write: step,density,sigma"
        )
    rows = []
    for number, line in enumerate(lines, 2):
        if not any(cell.strip() for cell in line):
            continue
        try:
            rows.append(_row(line, len(names)))
        except ValueError as error:
            raise TabletError(
                path, f"line {number}: {error}", "write the step's number and its density"
            ) from None
    return rows


def _lines(path: Path) -> list[list[str]]:
    try:
        content = read_at_most(path, _LARGEST_FILE)
        if content is None:
            raise TabletError(
                path, "is too large for a table of steps", "check that it is the right file"
            )
        text = content.decode("utf-8-sig")
        rows = [line for line in text.splitlines() if not line.lstrip().startswith("#")]
        separator = max(",;\t", key=rows[0].count) if rows else ","
        lines = list(csv.reader(rows, delimiter=separator, skipinitialspace=True))
        if separator != ",":
            lines = [[cell.replace(",", ".") for cell in line] for line in lines]
    except FileNotFoundError:
        raise TabletError(path, "is not there", "check the name, or name 21 or 31") from None
    except (OSError, UnicodeDecodeError, csv.Error):
        raise TabletError(path, "cannot be read as a CSV table", "save it as CSV, UTF-8") from None
    if not lines:
        raise TabletError(path, "is empty", "write a line for each step: step,density")
    return lines


def _row(line: list[str], columns: int) -> tuple[int, float, float]:
    cells = [cell.strip() for cell in line]
    if not 2 <= len(cells) <= columns:
        raise ValueError(f"has {len(cells)} values")
    if not cells[0].isdecimal() or not 0 <= int(cells[0]) <= MOST_STEPS:
        raise ValueError(f"{cells[0][:20]!r} is no step's number")
    density = _number(cells[1])
    if not DENSITY_RANGE[0] <= density <= DENSITY_RANGE[1]:
        raise ValueError(f"{cells[1][:20]!r} is no density")
    sigma = _number(cells[2]) if len(cells) == 3 and cells[2] else CALIBRATED_SIGMA
    if not 0 < sigma <= 1:
        raise ValueError(f"{cells[2][:20]!r} is no standard deviation")
    return int(cells[0]), density, sigma


def _number(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        raise ValueError(f"{text[:20]!r} is no number") from None
