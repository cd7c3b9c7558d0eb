"""How an exposure is told: the time first, then why, then other stops."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from platebench.cli.show_lines import wrapped
from platebench.rounding import rounded

if TYPE_CHECKING:
    from platebench.exposing.exposure import Exposure, ExposurePlan

_TOLD_OFF = 0.17  # stops; half of a third of a stop


def plan_to_json(plan: ExposurePlan) -> dict[str, Any]:
    """Return a plan as JSON types, for ``--json``."""
    from platebench.exposing.exposure import METER_NOTE

    return {
        "exposure": _exposure_to_json(plan.exposure),
        "least": plan.least and _exposure_to_json(plan.least),
        "most": plan.most and _exposure_to_json(plan.most),
        "rating": plan.rating,
        "reasons": [
            {"what": r.words, "stops": rounded(r.stops, 4), "mark": r.mark} for r in plan.reasons
        ],
        "other_stops": [_exposure_to_json(other) for other in plan.others],
        "note": METER_NOTE,
    }


def _exposure_to_json(exposure: Exposure) -> dict[str, Any]:
    return {
        "f_number": exposure.f_number,
        "metered_s": _rounded(exposure.metered_s),
        "given_s": _rounded(exposure.given_s),
        "camera_s": _rounded(exposure.camera.seconds),
        "camera": str(exposure.camera),
        "camera_off_stops": rounded(exposure.camera.off_stops, 3),
    }


def _rounded(seconds: float) -> float:
    return float(f"{seconds:.6g}")


def show_plan(plan: ExposurePlan) -> None:
    """Print the exposure, the reasons with their marks, and other stops."""
    from platebench.exposing.exposure import METER_NOTE

    wrapped(f"give {_told(plan.exposure)}", indent="")
    if plan.least != plan.most:
        ends = [str(end.camera) if end else "longer than is known" for end in _ends(plan)]
        wrapped(f"the rule leaves room from {ends[0]} to {ends[1]}")
    click.echo("\nwhy, in stops:")
    for reason in plan.reasons:
        wrapped(f"{reason.words} ({reason.mark})", f"  {reason.stops:+z6.2f}  ", "")
    if plan.others:
        click.echo("\nthe same at other stops:")
    for other in plan.others:
        wrapped(_told(other))
    click.echo()
    wrapped(f"{METER_NOTE[0].upper()}{METER_NOTE[1:]}.", indent="", hanging="")


def _ends(plan: ExposurePlan) -> tuple[Exposure | None, Exposure | None]:
    return plan.least, plan.most


def _told(exposure: Exposure) -> str:
    told = f"f/{exposure.f_number:g}  {exposure.camera}"
    off = exposure.camera.off_stops
    if abs(off) > _TOLD_OFF:
        told += f" ({abs(off):.1f} stops {'more' if off > 0 else 'less'} than wanted)"
    if exposure.given_s > exposure.metered_s * 1.005:
        from platebench.camera_time import camera_time

        told += f", for {camera_time(exposure.metered_s)} without reciprocity failure"
    return told
