"""Advice on prints as JSON types."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from platebench.cautions import FIRST, cautions_for
from platebench.printing.advice import (
    ProcessAdvice,
    Verdict,
    advised_cautions,
    advised_hazards,
)
from platebench.printing.plate_range import PlateRange
from platebench.rounding import rounded

Advised = Sequence[tuple[PlateRange, Sequence[ProcessAdvice]]]


def advice_to_json(advised: Advised) -> dict[str, Any]:
    """Return the advice as JSON types, for ``--json``."""
    every = [one for _, advice in advised for one in advice]
    return {
        "plates": [
            {
                "plate": plate.plate_id,
                "density_range": plate.density_range,
                "blue_range": plate.blue_range,
                "range_at_least": None if plate.at_least is None else rounded(plate.at_least, 3),
                "light": plate.light,
                "calibrated": plate.calibrated,
                "doubtful": plate.doubtful,
                "suits": _named(advice, Verdict.SUITS),
                "suits_once_set": _named(advice, Verdict.ADJUSTABLE),
                "advice": [_one_to_json(one) for one in advice],
            }
            for plate, advice in advised
        ],
        "cautions": [
            FIRST,
            *(line for c in cautions_for(advised_hazards(every)) for line in c.lines()),
            *advised_cautions(every),
        ],
    }


def _named(advice: Sequence[ProcessAdvice], verdict: Verdict) -> list[str]:
    return [one.process for one in advice if one.verdict is verdict]


def _one_to_json(one: ProcessAdvice) -> dict[str, Any]:
    scale = one.scale
    numbers = zip(("low", "typical", "high"), scale.status, strict=True)
    return {
        "process": one.process,
        "title": one.title,
        "verdict": one.verdict.name.lower(),
        "needs_print_negative": one.needs_print_negative,
        "density_used": one.density_used,
        "density_note": one.density_note,
        "density_range": rounded(one.density_range, 3),
        "exposure_scale": {
            name: {"value": rounded(getattr(scale, name), 3), "status": str(status)}
            for name, status in numbers
        },
        "source": scale.source or None,
        "marks": one.marks,
        "grade": scale.grade or None,
        "adjustable": scale.adjustable,
        "iso_r": one.iso_r,
        "overflow": rounded(one.overflow, 3),
        "beyond": rounded(one.beyond, 3),
        "lost": one.lost(),
        "lost_light": _rounded(one.lost_light),
        "lost_dark": _rounded(one.lost_dark),
        "unused": rounded(one.unused, 4),
        "contrast_factor": _rounded(one.contrast_factor),
        "contrast": one.contrast or None,
        "hazards": list(one.hazards),
    }


def _rounded(value: float | None) -> float | None:
    return None if value is None else rounded(value, 4)
