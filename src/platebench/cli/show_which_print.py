"""How advice on printing processes is told: a table a plate, then cautions, said once."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import click

from platebench.cli.show_lines import wrapped

if TYPE_CHECKING:
    from platebench.printing.advice import ProcessAdvice
    from platebench.printing.plate_range import PlateRange

Advised = Sequence[tuple["PlateRange", Sequence["ProcessAdvice"]]]


def show_advice(advised: Advised, *, detail: bool, named: bool) -> None:
    """Print the advice, what suits first; cautions follow, said once.

    Parameters
    ----------
    advised : sequence of (PlateRange, sequence of ProcessAdvice)
    detail : bool
        With the sources of the scales, how they can be moved, and the cautions of all processes.
    named : bool
        The processes were asked for by name: their cautions are shown whether they suit or not.
    """
    from platebench.printing.advice import advised_hazards

    for plate, advice in advised:
        _show_plate(plate, advice)
    every = [one for _, advice in advised for one in advice]
    if detail:
        _show_scales(every)
    shown = every if detail or named else [one for _, advice in advised for one in _pick(advice)]
    _show_cautions(shown, limits=detail)
    if not detail:
        others = [h for h in advised_hazards(every) if h not in advised_hazards(shown)]
        cautions = f"; cautions of the other processes: {', '.join(others)}" if others else ""
        click.echo()
        wrapped(
            f"With --detail: where the scales come from, how they can be moved, official limits"
            f"{cautions}."
        )


def _pick(advice: Sequence[ProcessAdvice]) -> Sequence[ProcessAdvice]:
    """Return what is suggested for a plate: what suits, and where nothing does, the nearest."""
    return [one for one in advice if not one.needs_print_negative] or advice[:1]


def _show_scales(every: Sequence[ProcessAdvice]) -> None:
    click.echo("Where the scales come from:")
    named: dict[str, list[str]] = {}
    for title, marks in dict.fromkeys((_named(one), one.marks) for one in every):
        named.setdefault(marks, []).append(title)
    for marks, titles in named.items():
        wrapped(f"{'; '.join(titles)}. {marks[0].upper()}{marks[1:]}.")
    click.echo("\nHow the scales can be moved:")
    for title, contrast in dict.fromkeys((one.title, one.contrast) for one in every):
        if contrast:
            wrapped(f"{title}: {contrast}")
    click.echo()


def _show_cautions(every: Sequence[ProcessAdvice], *, limits: bool) -> None:
    from platebench.cautions import FIRST, cautions_for
    from platebench.printing.advice import advised_cautions, advised_hazards

    click.echo("Cautions")
    wrapped(FIRST)
    for caution in cautions_for(advised_hazards(every)):
        for line in caution.lines() if limits else caution.lines()[:1]:
            wrapped(line)
    for text in advised_cautions(every):
        wrapped(text)


def _show_plate(plate: PlateRange, advice: Sequence[ProcessAdvice]) -> None:
    from platebench.stages.plate_format import SET_CORNERS

    blue = "" if plate.blue_range is None else f", in blue light {plate.blue_range:.2f}"
    click.echo(f"{plate.plate_id}: density range {plate.density_range:.2f}{blue}")
    _show_groups(advice)
    notes = dict.fromkeys(one.density_note for one in advice)
    for note in notes:
        if not any(other != note and other.startswith(note) for other in notes):
            wrapped(f"Compared: {note}.")
    if plate.doubtful:
        wrapped(f"Its sides are in doubt, and with them what was measured: {SET_CORNERS}.")
    if plate.at_least is not None:
        wrapped(f"Its densest tones are lost in the dark: a range of {plate.at_least:.2f} is sure.")
    if plate.light == "estimated":
        wrapped("The bare light was estimated, not measured; so are these densities.")
    if not plate.calibrated:
        wrapped("Not calibrated with a step tablet: glare makes long ranges read short.")
    click.echo()


def _show_groups(advice: Sequence[ProcessAdvice]) -> None:
    """Print what suits, then what does not, a process a line: the name to type comes first."""
    names = max((len(one.process) for one in advice), default=0)
    width = max((len(_named(one)) for one in advice), default=0)
    groups: dict[str, list[ProcessAdvice]] = {}
    for one in advice:
        groups.setdefault(str(one.verdict), []).append(one)
    for verdict, group in groups.items():
        click.echo(f"  {verdict[0].upper()}{verdict[1:]}")
        for one in group:
            scale = f"{one.scale.low:.2f} to {one.scale.high:.2f}"
            name = f"{one.process:<{names}}  {_named(one):<{width}}"
            wrapped(f"{name}  {scale}  {_mark(one):<11}  {_told(one)}", "    ", "    ")


def _told(one: ProcessAdvice) -> str:
    """Say in few words what the scale makes of the range."""
    if one.scale.adjustable and not one.needs_print_negative:
        return one.lost()
    parts = [f"{one.overflow:+z.2f} against {one.scale.typical:.2f}"]
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
