"""Advice on printing processes for many plates: a line a plate, then what holds for all."""

from __future__ import annotations

import shlex
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from platebench.cli.show_lines import wrapped

if TYPE_CHECKING:
    from platebench.printing.advice import ProcessAdvice
    from platebench.printing.plate_range import PlateRange

_NAMED = 6  # plates that a remark names

Advised = Sequence[tuple["PlateRange", Sequence["ProcessAdvice"]]]


def show_summary(advised: Advised, session: Path) -> None:
    """Print what suits each plate as it is, best first; remarks follow, said once."""
    blue = any(plate.blue_range is not None for plate, _ in advised)
    rows = [("plate", "range", "in blue", "suits as it is, best first")]
    for plate, advice in advised:
        mark = "?" if plate.doubtful else ""
        in_blue = "" if plate.blue_range is None else f"{plate.blue_range:.2f}"
        rows.append((plate.plate_id + mark, f"{plate.density_range:.2f}", in_blue, _suited(advice)))
    widths = [max(len(row[column]) for row in rows) for column in range(3)]
    for name, whole, in_blue, suited in rows:
        middle = f"  {in_blue:>{widths[2]}}" if blue else ""
        start = f"{name:<{widths[0]}}  {whole:>{widths[1]}}{middle}  "
        wrapped(suited, start, "")
    click.echo()
    for remark in _remarks(advised, session):
        wrapped(remark)


def _suited(advice: Sequence[ProcessAdvice]) -> str:
    suiting = [one.named() for one in advice if one.verdict == "suits as it is"]
    if suiting or not advice:
        return ", ".join(suiting)
    nearest = advice[0]
    if not nearest.needs_print_negative:
        return f"none; {nearest.named()} can be set for it"
    way = "long" if nearest.beyond > 0 else "short"
    return f"none; nearest: {nearest.named()}, {abs(nearest.beyond):.2f} too {way}"


def _remarks(advised: Advised, session: Path) -> list[str]:
    from platebench.cautions import FIRST
    from platebench.printing.advice import advised_hazards
    from platebench.stages.plate_format import SET_CORNERS

    plates = [plate for plate, _ in advised]
    every = [one for _, advice in advised for one in advice]
    remarks = []
    if any(plate.doubtful for plate in plates):
        remarks.append(
            f"?: the plate's sides are in doubt, and with them what was measured: {SET_CORNERS}."
        )
    if any(plate.blue_range is not None for plate in plates):
        remarks.append("in blue: the range of a stained plate as the print sees it, compared here.")
    unseen = [plate for plate in plates if plate.blue_range is None and not plate.neutral]
    estimated = [plate for plate in plates if plate.light == "estimated"]
    as_captured = [plate for plate in plates if not plate.calibrated]
    for those, remark in (
        (unseen, "blue was not measured; if the plate is stained the print sees more."),
        (estimated, "the bare light was estimated, not measured; so are these densities."),
        (as_captured, "not calibrated with a step tablet: glare makes long ranges read short."),
    ):
        names = [plate.plate_id for plate in those]
        if names:
            few = ", ".join(names) if len(names) <= _NAMED else f"{len(names)} of the plates"
            remarks.append(f"{'All' if len(names) == len(plates) else few}: {remark}")
    example = f"platebench which-print {shlex.quote(str(session))} {plates[0].plate_id}"
    return [
        *remarks,
        "A process that is not named for a plate needs a print negative, made to fit: platebench "
        "print-negative.",
        "Scales are mostly from memory: start there, and test. How sure each is, and what a print "
        f"would lose: {example}, or --detail for every plate.",
        f"Cautions on {', '.join(advised_hazards(every))} come with the detail. {FIRST}",
    ]
