"""How advice on printing processes is told: a table a plate, then cautions, said once."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import click

from platebench.cli.show_lines import wrapped

if TYPE_CHECKING:
    from platebench.printing.advice import ProcessAdvice
    from platebench.printing.plate_range import PlateRange

Advised = Sequence[tuple["PlateRange", Sequence["ProcessAdvice"]]]


def advice_to_json(advised: Advised) -> dict[str, Any]:
    """Return the advice as JSON types, for ``--json``."""
    from platebench.cautions import FIRST, cautions_for
    from platebench.printing.advice import advised_cautions, advised_hazards

    every = [one for _, advice in advised for one in advice]
    return {
        "plates": [
            {
                "plate": plate.plate_id,
                "density_range": plate.density_range,
                "blue_range": plate.blue_range,
                "light": plate.light,
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
        "density_range": round(one.density_range, 3),
        "exposure_scale": {
            name: {"value": round(getattr(scale, name), 3), "status": str(status)}
            for name, status in numbers
        },
        "source": scale.source or None,
        "marks": one.marks,
        "grade": scale.grade or None,
        "iso_r": one.iso_r,
        "overflow": round(one.overflow, 3),
        "beyond": round(one.beyond, 3),
        "lost": one.lost(),
        "lost_light": _rounded(one.lost_light),
        "lost_dark": _rounded(one.lost_dark),
        "unused": round(one.unused, 4),
        "contrast_factor": _rounded(one.contrast_factor),
        "contrast": one.contrast or None,
        "hazards": list(one.hazards),
    }


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 4)


def show_advice(advised: Advised) -> None:
    """Print the advice, what suits first; marks and cautions follow, said once."""
    from platebench.cautions import FIRST, cautions_for
    from platebench.printing.advice import advised_cautions, advised_hazards

    for plate, advice in advised:
        _show_plate(plate, advice)
    every = [one for _, advice in advised for one in advice]
    click.echo("Where the scales come from:")
    named: dict[str, list[str]] = {}
    for title, marks in dict.fromkeys((_named(one), one.marks) for one in every):
        named.setdefault(marks, []).append(title)
    for marks, titles in named.items():
        wrapped(f"{'; '.join(titles)}. {marks[0].upper()}{marks[1:]}.")
    click.echo("\nCautions")
    wrapped(FIRST)
    for caution in cautions_for(advised_hazards(every)):
        for line in caution.lines():
            wrapped(line)
    for text in advised_cautions(every):
        wrapped(text)


def _show_plate(plate: PlateRange, advice: Sequence[ProcessAdvice]) -> None:
    blue = "" if plate.blue_range is None else f", in blue light {plate.blue_range:.2f}"
    click.echo(f"{plate.plate_id}: density range {plate.density_range:.2f}{blue}")
    notes = dict.fromkeys(one.density_note for one in advice)
    for note in notes:
        if not any(other != note and other.startswith(note) for other in notes):
            click.echo(f"  Compared: {note}.")
    if plate.light == "estimated":
        click.echo("  The bare light was estimated, not measured; so are these densities.")
    width = max((len(_named(one)) for one in advice), default=0)
    groups: dict[str, list[ProcessAdvice]] = {}
    for one in advice:
        groups.setdefault(str(one.verdict), []).append(one)
    for verdict, group in groups.items():
        click.echo(f"  {verdict[0].upper()}{verdict[1:]}")
        for one in group:
            scale = f"{one.scale.low:.2f} to {one.scale.high:.2f}"
            click.echo(f"    {_named(one):<{width}}  {scale}  {_mark(one):<11}  {_told(one)}")
    click.echo()


def _told(one: ProcessAdvice) -> str:
    """Say in few words what the scale makes of the range."""
    parts = [f"{one.overflow:+.2f} against {one.scale.typical:.2f}"]
    if one.needs_print_negative and one.overflow > 0 and one.lost_light is not None:
        parts.append(f"{one.lost_light:.0%} lost in white, or {one.lost_dark:.0%} in black")
    elif one.needs_print_negative and one.overflow < 0:
        parts.append(f"{one.unused:.0%} of the scale unused")
    if one.needs_print_negative and one.contrast_factor is not None:
        parts.append(f"negative {one.contrast_factor:.2f} times as hard")
    if one.iso_r is not None:
        parts.append(f"nearest ISO R {one.iso_r}")
    return "; ".join(parts)


def _mark(one: ProcessAdvice) -> str:
    """Return the standing of the numbers in one word, the weakest that is not derived."""
    stated = [status for status in one.scale.status if not status.derived]
    return str(max(stated, key=list(type(stated[0])).index)) if stated else ""


def _named(one: ProcessAdvice) -> str:
    return f"{one.title}, {one.scale.grade}" if one.scale.grade else one.title
