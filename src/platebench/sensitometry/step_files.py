"""Step readings and step tablets from files: CSV by hand, JSON from the tablet reader."""

from __future__ import annotations

import csv
import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from platebench.core.errors import ReadingsError
from platebench.core.files import read_at_most
from platebench.core.plain_json import read_json
from platebench.core.plate_names import as_text
from platebench.core.shown import shown
from platebench.sensitometry.readings import StepReadings, pair_readings

LARGEST_FILE = 1 << 20  # bytes; a tablet has tens of steps
NOMINAL = {
    "21": tuple(round(0.05 + 0.15 * step, 2) for step in range(21)),
    "31": tuple(round(0.05 + 0.10 * step, 2) for step in range(31)),
}
"""Tablets as sold: 21 steps of half a stop, 31 of a third; densities nominal (from memory)."""

UNEXPOSED = ("fog", "b+f", "base+fog", "unexposed")  # what the step of such a row is called
DOUBTFUL = "doubtful"  # stands for the steps that do not go with the others
_COLUMNS = (
    *("step", "tablet_density", "tablet_sigma", "log_h", "log_h_lxs"),
    *("density", "sigma", "calibration_sigma"),
)
_UNCALIBRATED = (
    "the densities were read without a calibration: glare and Callier factor are still in them, "
    "and in every figure"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Tablet:
    """A step tablet.

    Attributes
    ----------
    name : str
        For messages and records.
    densities : dict of str to float
        Density D by step, as the step is called.
    sigmas : dict of str to float
        Standard error of each, D; empty where unknown.
    nominal : bool
        Whether these are the maker's nominal densities, not this tablet's own.
    """

    name: str
    densities: Mapping[str, float]
    sigmas: Mapping[str, float]
    nominal: bool


def load_tablet(name: str) -> Tablet:
    """Return the nominal tablet "21" or "31", or one from a CSV of step, tablet_density[, sigma].

    Raises
    ------
    ReadingsError
        If the file cannot be read or is no such table.
    """
    if name in NOMINAL:
        steps = {str(n): density for n, density in enumerate(NOMINAL[name], 1)}
        return Tablet(name=f"{name} steps, nominal", densities=steps, sigmas={}, nominal=True)
    if not Path(name).suffix:
        known = " or ".join(NOMINAL)
        raise ReadingsError(
            name, "is no step tablet known here", f"give {known}, or a CSV file of its steps"
        )
    rows = _rows(Path(name))
    densities: dict[str, float] = {}
    sigmas: dict[str, float] = {}
    for number, row in enumerate(rows, 1):
        step = str(row.get("step", number))
        density = row.get("tablet_density", row.get("density"))
        if density is None:
            remedy = "a tablet's file has the columns step and tablet_density"
            raise ReadingsError(name, f"gives no density for step {shown(step, 40)}", remedy)
        if step in densities:
            raise ReadingsError(
                name, f"lists step {shown(step, 40)} twice", "leave one of them out"
            )
        densities[step] = float(density)
        if "sigma" in row:
            sigmas[step] = float(row["sigma"])
    return Tablet(name=as_text(Path(name).name), densities=densities, sigmas=sigmas, nominal=False)


def load_readings(
    path: Path,
    *,
    exposure_lxs: float | None = None,
    tablet: Tablet | None = None,
    base_fog: float | None = None,
    set_aside: Collection[str] = (),
) -> StepReadings:
    """Read the steps of one plate.

    Parameters
    ----------
    path : Path
        A CSV with the columns ``tablet_density``, ``density`` and, if known, ``step``, ``sigma``,
        ``calibration_sigma`` (an error the steps share) and ``tablet_sigma``; or a JSON with the
        same keys in a list "steps". ``log_h`` (relative
        to the bare tablet) or ``log_h_lxs`` (of lux seconds) may stand for ``tablet_density``. A
        row whose step is called "fog" is base plus fog.
    exposure_lxs : float or None
        Exposure at the plate without a tablet, lux seconds; None: exposures are relative to it.
    tablet : Tablet or None
        Densities of the tablet by step; they take the place of those in the file.
    base_fog : float or None
        Density of an unexposed part; takes the place of the file's.
    set_aside : collection of str
        Steps to leave out, as the file calls them; `DOUBTFUL`: those that do not go with the
        others. What a file has not is no fault.

    Returns
    -------
    StepReadings

    Raises
    ------
    ReadingsError
        If the file cannot be read, lacks what is needed, or makes no curve.
    """
    document: Mapping[str, Any] = {}
    if path.suffix.lower() == ".json":
        document = _json(path)
        rows = _json_rows(path, document)
    else:
        rows = _rows(path)
    fog_rows = [row for row in rows if str(row.get("step", "")).lower() in UNEXPOSED]
    rows = [row for row in rows if row not in fog_rows]
    called = [str(row.get("step", number)) for number, row in enumerate(rows, 1)]
    aside = [step for step in called if step in set_aside]
    rows = [row | {"step": step} for step, row in zip(called, rows, strict=True)]
    rows = [row for row in rows if row["step"] not in set_aside]
    given = document.get("base_fog") if base_fog is None else base_fog
    fog, fog_sigma = _fog(path, fog_rows, given)
    if base_fog is None and _is_density(document.get("base_fog_sigma")):
        fog_sigma = float(document["base_fog_sigma"])
    log_h, log_h_sigma, known = _exposures(path, rows, exposure_lxs, tablet)
    readings = pair_readings(
        str(path),
        log_h,
        _column(path, rows, "density"),
        sigma=_optional(path, rows, "sigma"),
        common_sigma=_optional(path, rows, "calibration_sigma"),
        log_h_sigma=log_h_sigma,
        absolute=known,
        base_fog=fog,
        base_fog_sigma=fog_sigma if base_fog is None else None,
        notes=(_UNCALIBRATED,) if document.get("calibrated") is False else (),
        steps=[shown(row["step"], 40) for row in rows],
        set_aside=DOUBTFUL in set_aside,
    )
    left_out = (*(shown(step, 40) for step in aside), *readings.set_aside)
    return replace(readings, set_aside=left_out)


def _exposures(
    path: Path, rows: Sequence[Mapping[str, Any]], exposure_lxs: float | None, tablet: Tablet | None
) -> tuple[list[float], list[float] | None, bool]:
    """Return the log exposure of each row, its errors, and whether it is in lux seconds."""
    bare = 0.0 if exposure_lxs is None else math.log10(exposure_lxs)
    if any("log_h_lxs" in row for row in rows):
        if exposure_lxs is not None:
            what = "gives exposures in lux seconds itself"
            raise ReadingsError(str(path), what, "leave the exposure out", "exposure")
        return _column(path, rows, "log_h_lxs"), None, True
    if any("log_h" in row for row in rows):
        log_h = [bare + place for place in _column(path, rows, "log_h")]
        return log_h, None, exposure_lxs is not None
    if tablet is None:
        densities = _column(path, rows, "tablet_density")
        sigmas = _optional(path, rows, "tablet_sigma")
        return [bare - density for density in densities], sigmas, exposure_lxs is not None
    steps = [str(row.get("step", number)) for number, row in enumerate(rows, 1)]
    for step in steps:
        if step not in tablet.densities:
            what = f"has a step {shown(step, 40)}, and the tablet ({tablet.name}) has none"
            raise ReadingsError(str(path), what, "name the tablet the plate was exposed through")
    log_h = [bare - tablet.densities[step] for step in steps]
    told = [tablet.sigmas[step] for step in steps if step in tablet.sigmas]
    return log_h, told if len(told) == len(steps) else None, exposure_lxs is not None


def _fog(
    path: Path, rows: Sequence[Mapping[str, Any]], given: object
) -> tuple[float | None, float | None]:
    if given is not None:
        if not _is_density(given):
            raise ReadingsError(str(path), "has a base_fog that is no density", "correct it")
        return float(given), None  # type: ignore[arg-type]
    if not rows:
        return None, None
    fog = float(np.mean(_column(path, rows, "density")))
    sigmas = _optional(path, rows, "sigma")
    if sigmas is None:
        return fog, None
    return fog, float(np.sqrt(np.sum(np.square(sigmas)))) / len(rows)


def _column(path: Path, rows: Sequence[Mapping[str, Any]], key: str) -> list[float]:
    for number, row in enumerate(rows, 1):
        if key not in row:
            what = f"gives no {key} for step {_called(row, number)}"
            if key == "tablet_density":
                remedy = f"fill in the column {key}, or name the tablet"
                raise ReadingsError(str(path), what, remedy, "tablet")
            raise ReadingsError(str(path), what, f"fill in the column {key}")
    return [float(row[key]) for row in rows]


def _optional(path: Path, rows: Sequence[Mapping[str, Any]], key: str) -> list[float] | None:
    return _column(path, rows, key) if any(key in row for row in rows) else None


def _called(row: Mapping[str, Any], number: int) -> str:
    return shown(row.get("step", number), 40)


def _text(path: Path) -> str:
    source = str(path)
    try:
        content = read_at_most(path, LARGEST_FILE)
        if content is None:
            raise ReadingsError(
                source, "is too large for step readings", "check that it is the right file"
            )
        return content.decode("utf-8-sig")
    except FileNotFoundError as error:
        raise ReadingsError(source, "is not there", "check the name") from error
    except UnicodeDecodeError as error:
        raise ReadingsError(source, "is not UTF-8 text", "save it as CSV in UTF-8") from error
    except OSError as error:
        what = f"cannot be read ({error.strerror})"
        raise ReadingsError(source, what, "name a file of step readings") from error


def _rows(path: Path) -> list[dict[str, Any]]:
    """Return the rows of a CSV; its separator is a comma, a semicolon or a tab."""
    lines = [line for line in _text(path).splitlines() if line.strip() and line.lstrip()[0] != "#"]
    if not lines:
        raise ReadingsError(str(path), "is empty", "write a row for each step")
    separator = max(";\t,", key=lines[0].count)
    try:
        header, *table = csv.reader(lines, delimiter=separator)
    except csv.Error as error:
        raise ReadingsError(str(path), f"is no table: {error}", "save it as CSV") from error
    header = [name.strip().lower().replace(" ", "_") for name in header]
    strange = [name for name in header if name not in _COLUMNS]
    if strange:
        raise ReadingsError(
            str(path),
            f'has a column "{shown(strange[0], 40)}"',
            "name the columns in the first line: step, tablet_density, density, sigma",
        )
    rows = []
    for number, cells in enumerate(table, 1):
        if len(cells) > len(header):
            what = f"has {len(cells)} figures in row {number} for {len(header)} columns"
            raise ReadingsError(str(path), what, "use a point for decimals, or ; between columns")
        pairs = zip(header, (cell.strip() for cell in cells), strict=False)
        rows.append(
            {
                key: cell if key == "step" else _number(path, cell, key, number, separator)
                for key, cell in pairs
                if cell
            }
        )
    return rows


def _number(path: Path, cell: str, key: str, row: int, separator: str) -> float:
    try:
        return float(cell.replace(",", ".") if separator != "," else cell)
    except ValueError:
        what = f'has "{shown(cell, 40)}" as {key} in row {row}'
        raise ReadingsError(str(path), what, "write a number, such as 1.25") from None


def _json(path: Path) -> dict[str, Any]:
    try:
        document = read_json(_text(path))
    except ValueError as error:  # one is a number of thousands of digits
        raise ReadingsError(str(path), f"is not JSON: {error}", "read the tablet again") from error
    if not isinstance(document, dict):
        raise ReadingsError(str(path), "is no tablet reading", "read the tablet again")
    return document


def _json_rows(path: Path, document: Mapping[str, Any]) -> list[dict[str, Any]]:
    steps = document.get("steps")
    if not isinstance(steps, list) or not all(isinstance(step, dict) for step in steps):
        raise ReadingsError(str(path), 'has no list of "steps"', "read the tablet again")
    rows = []
    for number, step in enumerate(steps, 1):
        row = {key: step[key] for key in _COLUMNS if step.get(key) is not None}
        if "sigma" not in row and step.get("density_sigma") is not None:
            row["sigma"] = step["density_sigma"]
        for key, value in row.items():
            if key != "step" and not _is_density(value):
                what = f"has no number as {key} of step {number}"
                raise ReadingsError(str(path), what, "read the tablet again")
        rows.append(row)
    return rows


def _is_density(value: object) -> bool:
    """Tell whether a JSON value is a number that can be one."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return False
    return -1e3 < value < 1e3
