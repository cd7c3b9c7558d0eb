"""How a developed plate is told: warnings on stderr, the rest on stdout."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from platebench.cli.show_lines import show_cautions, wrapped

if TYPE_CHECKING:
    from platebench.exposing.develop_log import Developed
    from platebench.exposing.processing import Step


def steps_to_json(steps: Sequence[Step]) -> dict[str, Any]:
    """Return the steps and the cautions as JSON types."""
    return {
        "steps": [
            {
                "step": step.name,
                "time_s": step.time_s,
                "at_least": step.at_least,
                "temperature_c": step.temperature_c,
                "how": step.how,
                "mark": step.mark,
                "limits": {key: getattr(step.limits, key) for key in step.limits.__slots__},
            }
            for step in steps
        ],
        "cautions": _cautions(),
    }


def developed_to_json(
    developed: Developed, steps: Sequence[Step], log: Path | None
) -> dict[str, Any]:
    """Return a developed plate as JSON types."""
    from platebench.exposing.develop_log import warnings_of

    return {
        "plate": developed.plate_id,
        "date": developed.day.isoformat(),
        "note": developed.note,
        "steps": [
            {"step": done.name, "time_s": done.time_s, "temperature_c": done.temperature_c}
            for done in developed.steps
        ],
        "warnings": list(warnings_of(developed, steps)),
        "log": str(log) if log else None,
        "cautions": _cautions(),
    }


def _cautions() -> list[str]:
    from platebench.exposing.checklist import cautions

    return list(cautions())


def show_developed(
    developed: Developed, steps: Sequence[Step], log: Path | None, *, quiet: bool
) -> None:
    """Print what was noted against what was aimed at, warnings, and the cautions."""
    from platebench.camera_time import time_in_words
    from platebench.exposing.develop_log import warnings_of

    for warning in warnings_of(developed, steps):
        click.echo(f"Warning: plate {developed.plate_id}: {warning}", err=True)
    if quiet:
        return
    show_cautions(_cautions())
    aims = {step.name: f"{step.aim()} ({step.mark})" for step in steps}
    click.echo(f"plate {developed.plate_id}, {developed.day.isoformat()}")
    for done in developed.steps:
        heat = "" if done.temperature_c is None else f" at {done.temperature_c:g} °C"
        told = f"{time_in_words(done.time_s)}{heat}"
        wrapped(f"{done.name:<8} {told:<20} aim: {aims[done.name]}")
    click.echo(f"added to {log}" if log else "not written: name a log to keep it")
