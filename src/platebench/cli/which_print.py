"""``platebench which-print``: which printing process takes up a plate's density range."""

from __future__ import annotations

import shlex
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from platebench.cli.options import (
    A_PATH,
    ExampledCommand,
    plate_ids,
    print_json,
    process_names,
    session_argument,
    talk_options,
)
from platebench.cli.show import wrapped

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
    from platebench.core.cautions import FIRST
    from platebench.plate.plate_format import SET_CORNERS
    from platebench.printing.advice import advised_hazards

    plates = [plate for plate, _ in advised]
    every = [one for _, advice in advised for one in advice]
    remarks = []
    if any(plate.doubtful for plate in plates):
        remarks.append(
            f"?: the plate's sides are in doubt, and so are its densities: {SET_CORNERS}."
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


if TYPE_CHECKING:
    from platebench.printing.advice import ProcessAdvice
    from platebench.printing.plate_range import PlateRange


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
    from platebench.core.cautions import FIRST, cautions_for
    from platebench.printing.advice import advised_cautions, advised_hazards

    click.echo("Cautions")
    wrapped(FIRST)
    for caution in cautions_for(advised_hazards(every)):
        for line in caution.lines() if limits else caution.lines()[:1]:
            wrapped(line)
    for text in advised_cautions(every):
        wrapped(text)


def _show_plate(plate: PlateRange, advice: Sequence[ProcessAdvice]) -> None:
    from platebench.plate.plate_format import SET_CORNERS

    blue = "" if plate.blue_range is None else f", in blue light {plate.blue_range:.2f}"
    click.echo(f"{plate.plate_id}: density range {plate.density_range:.2f}{blue}")
    _show_groups(advice)
    notes = dict.fromkeys(one.density_note for one in advice)
    for note in notes:
        if not any(other != note and other.startswith(note) for other in notes):
            wrapped(f"Compared: {note}.")
    if plate.doubtful:
        wrapped(f"Its sides are in doubt, and so are its densities: {SET_CORNERS}.")
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


@click.command(
    "which-print",
    cls=ExampledCommand,
    short_help="Find the printing process that suits each plate, and what others lose.",
    examples=(
        "platebench which-print shelf-3",
        "platebench which-print shelf-3 plate-07",
        "platebench which-print shelf-3 plate-07 --process albumen --process carbon",
        "platebench which-print shelf-3 --json",
    ),
)
@session_argument
@click.argument("plates", nargs=-1, metavar="[PLATE]...", shell_complete=plate_ids)
@click.option(
    "--process",
    "processes",
    multiple=True,
    metavar="NAME",
    shell_complete=process_names,
    help="Only this process; repeat for several.  [default: all]",
)
@click.option("--detail", is_flag=True, help="Every plate in full, with sources and all cautions.")
@click.option(
    "--output",
    type=A_PATH,
    metavar="FOLDER",
    help="Folder of results that convert wrote.  [default: SESSION/converted]",
)
@talk_options
def command(
    session: Path,
    plates: tuple[str, ...],
    processes: tuple[str, ...],
    detail: bool,
    output: Path | None,
    as_json: bool,
    quiet: bool,
) -> None:
    """Compare the converted plates of SESSION with the exposure scales of printing processes.

    Of many plates, a line each: which processes suit it as it is. Of one PLATE, or with --detail:
    also which need a print negative, by how much its range is too long or too short, what would
    be lost, and the cautions on what suits. Profiles of your own go into SESSION/process, or into
    the folder "process" of your settings.
    """
    from platebench.printing.advice import advice_to_json, advise_plate
    from platebench.printing.plate_range import read_plate_ranges
    from platebench.printing.process_file import load_processes, process_folders
    from platebench.session.settings_file import require_folder

    require_folder(session)
    user = Path(click.get_app_dir("platebench"))
    known = load_processes(process_folders(session, user), processes)
    ranges = read_plate_ranges(output or session / "converted", plates)
    advised = [(plate, advise_plate(plate, known)) for plate in ranges]
    if as_json:
        print_json(advice_to_json(advised))
    elif not quiet and (detail or len(advised) == 1):
        show_advice(advised, detail=detail, named=bool(processes))
    elif not quiet:
        show_summary(advised, session)
