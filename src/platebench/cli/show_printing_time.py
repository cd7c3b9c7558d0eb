"""How a test strip is told: when to cover which step, and what its print says."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from platebench.cli.show_lines import show_cautions, wrapped

if TYPE_CHECKING:
    from platebench.printing.printing_time import PrintingTime

_RECIPROCITY = (
    "Times in steps hold for a lamp that is warm and steady; the sun is not. The time holds for "
    "this film, lamp, distance, paper and coating."
)
_GLOVES = "Switch the lamp off before you move the card. Gloves for whatever sensitises the paper."


def schedule_cautions() -> list[str]:
    """Return what to mind before a strip is exposed."""
    from platebench.cautions import CAUTIONS, FIRST

    return [FIRST, *CAUTIONS["ultraviolet"].lines(), _GLOVES]


def show_schedule(first_s: float | None, steps: int, files: Sequence[Path]) -> None:
    """Print how to expose the strip."""
    from platebench.printing.strip_sheet import card_times, strip_times

    show_cautions(schedule_cautions())
    if first_s is None:
        click.echo("Expose each step by its factor times step 1; --first SECONDS lists the times.")
    else:
        click.echo("Cover step after step, from step 1 on, each after the time in the middle:")
        times = zip(card_times(first_s, steps), strip_times(first_s, steps), strict=True)
        for step, (on, whole) in enumerate(times, start=1):
            click.echo(f"  step {step:>2}   after {on:7.1f} s more   exposed {whole:8.1f} s")
    for path in files:
        click.echo(str(path))


def show_found(found: PrintingTime, files: Sequence[Path]) -> None:
    """Print the standard printing time, and the exposure scale where the strip shows it."""
    from platebench.printing.printing_time import three_figures

    click.echo(f"standard printing time  {three_figures(found.seconds)} s")
    click.echo(f"full black              {found.d_max:.2f} D above paper white")
    click.echo(f"tolerance               {found.tolerance:g} D below it")
    if found.scale is not None and found.first_tint_s is not None:
        click.echo(
            f"first tint              {three_figures(found.first_tint_s)} s (0.04 D: ISO 6846)"
        )
        click.echo(f"exposure scale          {found.scale:.2f} log units, first tint to full black")
        click.echo(f"ISO range R             {found.iso_r} (to 90 % of full black)")
    for note in found.notes:
        wrapped(f"{note[0].upper()}{note[1:]}.")
    wrapped(_RECIPROCITY)
    for path in files:
        click.echo(str(path))


def schedule_to_json(first_s: float | None, steps: int, files: Sequence[Path]) -> dict[str, Any]:
    """Return the schedule as JSON types."""
    from platebench.printing.strip_sheet import strip_times

    times = strip_times(1.0 if first_s is None else first_s, steps)
    name = "factors" if first_s is None else "times_s"
    return {
        name: [round(t, 3) for t in times],
        "files": [str(path) for path in files],
        "cautions": schedule_cautions(),
    }


def found_to_json(found: PrintingTime, files: Sequence[Path]) -> dict[str, Any]:
    """Return what a strip says as JSON types."""
    rounded = {
        "printing_time_s": found.seconds,
        "d_max": found.d_max,
        "tolerance": found.tolerance,
        "first_tint_s": found.first_tint_s,
        "exposure_scale": found.scale,
    }
    return {
        **{k: None if v is None else round(v, 4) for k, v in rounded.items()},
        "iso_r": found.iso_r,
        "times_s": [round(t, 3) for t in found.times_s],
        "density": [round(d, 4) for d in found.density],
        "notes": list(found.notes),
        "files": [str(path) for path in files],
    }
