"""A checklist for the darkroom: steps to tick, cautions beside them; plain text to print."""

from __future__ import annotations

from collections.abc import Sequence
from textwrap import wrap

from platebench.cautions import FIRST, cautions_for
from platebench.exposing.processing import HAZARDS, SAFELIGHT, STEPS, Step

_WIDTH = 72
_IN = " " * 13


def checklist(steps: Sequence[Step] = STEPS, *, plate_id: str = "") -> str:
    """Return a checklist of developing, 72 columns wide.

    Parameters
    ----------
    steps : sequence of Step
        With the user's own values, where there are any.
    plate_id : str
        Name of the plate; a line to write on if empty.
    """
    lines = [
        "DEVELOPING",
        "",
        f"Plate {plate_id or '_' * 24}    Date {'_' * 16}",
        f"Developer {'_' * 20}    Dilution {'_' * 12}",
        "",
        "Before you begin",
        "",
        *(line for text in cautions() for line in _item(text)),
        "",
        "Steps",
        "",
    ]
    for step in steps:
        lines += [*_step(step), ""]
    return "\n".join(lines)


def cautions() -> tuple[str, ...]:
    """Return the cautions of developing, a paragraph each."""
    return (FIRST, SAFELIGHT, *(" ".join(c.lines()) for c in cautions_for(HAZARDS)))


def _item(text: str) -> list[str]:
    return wrap(
        text, _WIDTH, initial_indent="[ ] ", subsequent_indent="    ", break_on_hyphens=False
    )


def _step(step: Step) -> list[str]:
    head = f"{step.name.upper():<9}{step.aim()}"
    heat = "" if step.temperature_c is None else f"    at {'_' * 6} °C"
    return [
        f"[ ] {head}",
        *wrap(f"{step.how} ({step.mark})", _WIDTH, initial_indent=_IN, subsequent_indent=_IN),
        f"{_IN}done: {'_' * 12}{heat}",
    ]
