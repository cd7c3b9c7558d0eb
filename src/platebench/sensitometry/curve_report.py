"""Figures of curves as lines for people, and as JSON."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from platebench.core.rounding import to_digits
from platebench.sensitometry.curve_numbers import OFF_LINE
from platebench.sensitometry.family import BatchDifference, DevelopmentLaw
from platebench.sensitometry.figures import Estimate
from platebench.sensitometry.plate_curve import InertiaSpeeds, PlateCurve, Speeds, exposure_of
from platebench.sensitometry.relations import stops_from_log

_SOURCES = {
    "read on the plate": "read on an unexposed part",
    "model": "from the fitted curve",
    "toe": "the thinnest step, on a level toe",
    "thinnest step": "at most: the thinnest step",
}


def table_rows(plates: Sequence[PlateCurve]) -> list[tuple[str, list[str]]]:
    """Return the lines of a table: what it is, and one text a plate."""
    rows = [
        ("base plus fog", [_said(p.figures.base_fog, 2) for p in plates]),
        ("", [_SOURCES[p.figures.basis.fog_source] for p in plates]),
        ("Dmax (densest step)", [_said(p.figures.d_max, 2) for p in plates]),
        ("limit of the curve", [_said(p.figures.limit_density, 2) for p in plates]),
        ("gamma", [_said(p.figures.gamma, 3) for p in plates]),
        ("average gradient over 1.30", [_said(p.figures.average_gradient_130, 3) for p in plates]),
        ("average gradient over 1.50", [_said(p.figures.average_gradient_150, 3) for p in plates]),
        ("contrast index", [_said(p.figures.contrast_index, 3) for p in plates]),
        ("log H of the speed point m", [_said(p.figures.speed_point, 3) for p in plates]),
        ("density gained m to n", [_said(p.figures.contrast_rise, 2) for p in plates]),
        ("toe, log units", [_said(p.figures.toe_length, 2) for p in plates]),
        ("straight line, log units", [_said(p.figures.straight_length, 2) for p in plates]),
        ("useful range, stops", [_useful_stops(p) for p in plates]),
    ]
    if any(p.minutes is not None for p in plates):
        shown = ["-" if p.minutes is None else f"{p.minutes:g}" for p in plates]
        rows.insert(0, ("minutes of development", shown))
    return rows + _speed_rows(plates)


def _speed_rows(plates: Sequence[PlateCurve]) -> list[tuple[str, list[str]]]:
    rows = [("speed at m", [_speed_at_m(p.speeds) for p in plates])]
    if not any(p.speeds.to_fog for p in plates):
        relative = [_said(exposure_of(p.figures.inertia_fog), None) for p in plates]
        return [*rows, ("inertia, relative, to base plus fog", relative)]
    for title, which in (("to base plus fog", "to_fog"), ("to D = 0", "to_zero")):
        found: list[InertiaSpeeds | None] = [getattr(p.speeds, which) for p in plates]
        rows += [
            (row, ["-" if s is None else _said(getattr(s, name), None) for s in found])
            for row, name in (
                (f"inertia {title}, lx s", "inertia_lxs"),
                ("  H&D speed", "hurter_driffield"),
                ("  Watkins power number", "watkins"),
                ("  Wynne factor", "wynne"),
            )
        ]
    return rows


def _speed_at_m(speeds: Speeds) -> str:
    point = speeds.point
    if point is None:
        return "-"
    said = _said(point.value, None)
    if point.kind == "exposure index":
        return f"EI {said}"
    if point.kind == "relative speed":
        return f"relative {said}"
    return f"{point.standard:g}/{point.degrees}\N{DEGREE SIGN} ({said})"


def _useful_stops(plate: PlateCurve) -> str:
    figures = plate.figures
    if figures.speed_point is None:
        return "-"
    if figures.useful_length is None:
        so_far = float(figures.readings.log_h[-1]) - figures.speed_point.value
        return f"over {stops_from_log(so_far):.1f}"
    length = figures.useful_length
    sigma = None if length.sigma is None else stops_from_log(length.sigma)
    return _said(Estimate(stops_from_log(length.value), sigma), 1)


def _said(estimate: Estimate | None, decimals: int | None) -> str:
    """Return an estimate as text; to three figures where no decimals are given."""
    if estimate is None:
        return "-"
    value, sigma = estimate.value, estimate.sigma
    if decimals is None:
        decimals = max(0, 2 - math.floor(math.log10(abs(value)))) if value else 2
    if sigma is None:
        return f"{value:z.{decimals}f}"
    if sigma > 0:  # one figure of the error, two where it begins with 1, and so many of the value
        decimals = min(max(-math.floor(math.log10(sigma / 2)), 0), 4)
    return f"{value:z.{decimals}f} +-{sigma:.{decimals}f}"


def short_figures(plate: PlateCurve) -> list[tuple[str, str]]:
    """Return the few figures that are written on a drawing."""
    figures, speeds = plate.figures, plate.speeds
    shown = [
        ("gamma", _said(figures.gamma, 2)),
        ("av. gradient 1.30", _said(figures.average_gradient_130, 2)),
        ("contrast index", _said(figures.contrast_index, 2)),
        ("Dmax", _said(figures.d_max, 2)),
        ("speed at m", _speed_at_m(speeds)),
    ]
    if speeds.to_fog is not None and speeds.to_zero is not None:
        shown += [
            ("H&D, line to fog", _said(speeds.to_fog.hurter_driffield, None)),
            ("H&D, line to D = 0", _said(speeds.to_zero.hurter_driffield, None)),
        ]
    return [(name, said.replace("+-", "\N{PLUS-MINUS SIGN}")) for name, said in shown]


def time_lines(law: DevelopmentLaw, wanted: Sequence[float]) -> list[str]:
    """Return how long to develop for each gamma that is wanted, by the law of development."""
    lines = []
    for gamma in wanted:
        time = law.time_for(gamma)
        if time is None:
            limit = law.gamma_infinity.value
            lines.append(f"gamma {gamma:.2f} is not reached: gamma infinity is {limit:.2f}")
            continue
        tried = float(law.times.min()) <= time <= float(law.times.max())
        beyond = "" if tried else ", beyond the times tried: a guide, not a measurement"
        lines.append(f"for gamma {gamma:.2f} develop {time:.1f} min{beyond}")
    return lines


def comparison_lines(
    plates: Sequence[PlateCurve],
    differences: Sequence[BatchDifference],
    law: DevelopmentLaw | None,
) -> list[str]:
    """Return sentences on the family: batch against batch, and the law of development."""
    lines = []
    if law is not None:
        lines.append(
            f"gamma infinity {_said(law.gamma_infinity, 2)}, "
            f"velocity constant k {_said(law.rate, 3)} per minute"
        )
    for plate, difference in zip(plates[1:], differences, strict=True):
        stops = difference.speed_stops
        said = "no speed to compare"
        if stops is not None:
            way = "faster" if stops.value >= 0 else "slower"
            said = f"{_said(Estimate(abs(stops.value), stops.sigma), 2)} stops {way}"
        lines.append(
            f"{plate.name} against {plates[0].name}: {said}, "
            f"gamma x {_said(difference.gamma_ratio, 2)}"
        )
    return lines


SCHEMA = 1


def report_to_json(
    plates: Sequence[PlateCurve],
    *,
    tablet: str | None,
    law: DevelopmentLaw | None,
    wanted: Sequence[float],
    differences: Sequence[BatchDifference],
    notes: Sequence[str],
    batch: str = "",
) -> dict[str, Any]:
    """Return everything as JSON types; logarithms are to base 10."""
    return {
        "schema": SCHEMA,
        "tablet": tablet,
        "batch": batch,
        "plates": [_plate_to_json(plate) for plate in plates],
        "development": None
        if law is None
        else {
            "law": "gamma_infinity (1 - exp(-rate t))",
            "gamma_infinity": _estimate(law.gamma_infinity),
            "rate_per_minute": _estimate(law.rate),
            "misfit": to_digits(law.misfit),
            "minutes_for": [
                {"gamma": gamma, "minutes": None if time is None else to_digits(time)}
                for gamma in wanted
                for time in [law.time_for(gamma)]
            ],
        },
        "against_first": [
            {
                "name": plate.name,
                "speed_stops": _estimate(difference.speed_stops),
                "gamma_ratio": _estimate(difference.gamma_ratio),
                "average_gradient_130": _estimate(difference.average_gradient),
                "base_fog": _estimate(difference.base_fog),
            }
            for plate, difference in zip(plates[1:], differences, strict=True)
        ],
        "notes": list(notes),
    }


def _plate_to_json(plate: PlateCurve) -> dict[str, Any]:
    figures, readings = plate.figures, plate.figures.readings
    names = [name for name in figures.__dataclass_fields__ if name not in _NOT_FIGURES]
    basis = figures.basis
    return {
        "name": plate.name,
        "minutes": plate.minutes,
        "log_h_is": "lux seconds" if readings.absolute else "relative to the bare tablet",
        "figures": {name: _estimate(getattr(figures, name)) for name in names},
        "speeds": _speeds_to_json(plate.speeds),
        "basis": {
            "base_fog": basis.fog_source,
            "gamma": "fitted curve" if basis.model else "line through the straight steps",
            "points": "fitted curve" if basis.read_from_model else "curve through the steps",
            "straight_steps_log_h": [
                to_digits(float(readings.log_h[basis.steps][end])) for end in (0, -1)
            ],
            "shoulder_reached": basis.shoulder,
            "reading_sigma": to_digits(basis.noise),
            "model_misfit": None if basis.model_misfit is None else to_digits(basis.model_misfit),
            "off_line": OFF_LINE,
        },
        "steps": [
            {"log_h": to_digits(float(x)), "density": to_digits(float(d))}
            | ({} if readings.sigma is None else {"sigma": to_digits(float(readings.sigma[n]))})
            for n, (x, d) in enumerate(zip(readings.log_h, readings.density, strict=True))
        ],
        "doubtful_steps": list(readings.doubtful),
        "set_aside": list(readings.set_aside),
        "notes": list(plate.notes),
    }


_NOT_FIGURES = ("readings", "basis", "reading")


def _speeds_to_json(speeds: Speeds) -> dict[str, Any]:
    point = speeds.point
    return {
        "point": None
        if point is None
        else {
            "kind": point.kind,
            "value": _estimate(point.value),
            "standard": point.standard,
            "degrees": point.degrees,
            "contrast_condition_met": point.contrast_met,
            "contrast_condition_sure": point.contrast_sure,
        },
        "inertia_to_base_plus_fog": _inertia_to_json(speeds.to_fog),
        "inertia_to_zero_density": _inertia_to_json(speeds.to_zero),
    }


def _inertia_to_json(speeds: InertiaSpeeds | None) -> dict[str, Any] | None:
    if speeds is None:
        return None
    return {
        "inertia_lxs": _estimate(speeds.inertia_lxs),
        "hurter_driffield": _estimate(speeds.hurter_driffield),
        "watkins": _estimate(speeds.watkins),
        "wynne": _estimate(speeds.wynne),
    }


def _estimate(estimate: Estimate | None) -> dict[str, float | None] | None:
    if estimate is None:
        return None
    sigma = None if estimate.sigma is None else to_digits(estimate.sigma)
    return {"value": to_digits(estimate.value), "sigma": sigma}
