"""Figures of curves as JSON."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from platebench.core.rounding import to_digits
from platebench.sensitometry.curve_numbers import OFF_LINE
from platebench.sensitometry.family import BatchDifference, DevelopmentLaw
from platebench.sensitometry.figures import Estimate
from platebench.sensitometry.plate_curve import InertiaSpeeds, PlateCurve, Speeds

SCHEMA = 1


def report_to_json(
    plates: Sequence[PlateCurve],
    *,
    tablet: str | None,
    law: DevelopmentLaw | None,
    wanted: Sequence[float],
    differences: Sequence[BatchDifference],
    notes: Sequence[str],
) -> dict[str, Any]:
    """Return everything as JSON types; logarithms are to base 10."""
    return {
        "schema": SCHEMA,
        "tablet": tablet,
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
