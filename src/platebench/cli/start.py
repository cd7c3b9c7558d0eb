"""``platebench start``: look through a folder and draft session.toml."""

from __future__ import annotations

import shlex
from collections import Counter
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from platebench.cli.options import (
    ExampledCommand,
    print_json,
    session_argument,
    talk_options,
    work_options,
)
from platebench.cli.show import wrapped
from platebench.core.settings import PlateSettings
from platebench.core.shown import shown

if TYPE_CHECKING:
    from platebench.session.propose_formats import Proposals


@click.command(
    "start",
    cls=ExampledCommand,
    short_help="Look through a folder of captures and draft session.toml.",
    examples=(
        "platebench start shelf-3",
        "platebench start shelf-3 --caliper f04.dng 119.5 --fixed-height",
        "platebench start shelf-3 --json",
    ),
)
@session_argument
@click.option(
    "--caliper",
    "calipers",
    type=(str, click.FloatRange(min=0, min_open=True)),
    metavar="NAME MM",
    multiple=True,
    help="Long side of a plate by caliper, across its middle, in mm; NAME is its capture or its id."
    " Gives the plate's true size and proposes its format.",
)
@click.option(
    "--fixed-height",
    is_flag=True,
    help="Your word that all plates were captured from one height with one lens, zoom and focus:"
    " one caliper size then gives the scale of all, and each plate's format is proposed.",
)
@click.option(
    "--formats",
    is_flag=True,
    help="Propose formats by the caliper sizes and scale in session.toml, or the resolution that"
    " scans state.",
)
@work_options
@talk_options
def command(
    session: Path,
    jobs: int | None,
    memory: int | None,
    calipers: tuple[tuple[str, float], ...],
    fixed_height: bool,
    formats: bool,
    as_json: bool,
    quiet: bool,
) -> None:
    """Look through the captures in SESSION and draft its session.toml.

    It knows blank frames (the bare light box) and dark frames (lens cap on) by their pixels, joins
    exposures of one framing to one plate, and puts plates in order of capture time. A capture that
    shows several plates gets an entry for each, with its corners, in reading order. It judges
    whether scans show negatives or positives, and counts how many look like which. Read the file,
    set the plate format and the emulsion side, then convert.

    Beside it start writes plates.csv, the plate log: a row for each plate, for you to fill in with
    what you know of it. A session.toml or plates.csv that you have edited is never replaced.

    With --caliper, --fixed-height or --formats it also measures the plates and proposes formats:
    with how sure each is, both names where two fit, and where none does it says so. Only a sure
    format is written, and only where none is set; in a session.toml of your own the other lines
    stay as they are.
    """
    from dataclasses import asdict, replace
    from functools import partial

    from platebench.cli.terminal_progress import progress_for
    from platebench.session.draft_file import (
        bits_assumed,
        check_replaceable,
        is_unedited,
        write_draft,
    )
    from platebench.session.drafting import draft_session
    from platebench.session.parts import advice_on_size
    from platebench.session.propose_formats import (
        Proposals,
        edited_with,
        propose_formats,
        with_proposals,
    )
    from platebench.session.scan_hints import tones_said
    from platebench.session.session_log import write_template
    from platebench.session.settings_file import FILE_NAME, load_session

    path = session / FILE_NAME
    measured = bool(calipers) or fixed_height or formats
    measure = partial(
        propose_formats,
        session,
        calipers=dict(calipers),
        fixed_height=fixed_height,
        workers=jobs,
        memory=memory,
        progress=progress_for(quiet),
    )
    if measured and path.exists() and not is_unedited(path):
        _tell_sizes(edited_with(session, measure(load_session(session))), as_json, quiet)
        return
    check_replaceable(path)
    draft = draft_session(session, workers=jobs, memory=memory, progress=progress_for(quiet))
    sizes = measure(draft.settings) if measured else Proposals()
    settings = with_proposals(draft.settings, sizes)
    draft = replace(draft, settings=settings, sizes=sizes.said)
    path = write_draft(session, draft)
    log = write_template(session, [plate.id for plate in settings.plates])
    if as_json:
        print_json(
            {
                "session_file": str(path),
                "plate_log": None if log is None else str(log),
                "settings": asdict(settings),
                "remarks": draft.remarks,
                "left_out": dict(draft.left_out),
                "sizes": sizes.said,
                "size_notes": sizes.notes,
                "scans": None if draft.tones is None else asdict(draft.tones),
                "size": advice_on_size(len(settings.plates)),
            }
        )
    elif not quiet:
        counts = (
            _count(len(settings.plates), "plate"),
            _count(len(settings.blank), "blank frame"),
            _count(len(settings.dark), "dark frame"),
        )
        told = len(settings.card) + len(settings.box_off) + len(settings.card_over)
        more = (_count(told, "capture") + " of the glare",) if told else ()
        click.echo(", ".join((*counts, *more)))
        if advice := advice_on_size(len(settings.plates)):
            wrapped(advice, indent="")
        for said in tones_said(draft.tones):
            click.echo(said)
        for name, reason in draft.left_out:
            wrapped(f"left out: {shown(name)}: {shown(reason)}", indent="")
        for said in bits_assumed(settings.scan):
            wrapped(f"assumed: {said} ([scan] bits)", indent="")
        for line in _several(settings.plates):
            wrapped(line, indent="")
        _tell_sizes(sizes, as_json, quiet)
        if log is None:
            click.echo("plates.csv is your own, and was left as it is")
        click.echo(f"Read {path}, then run: platebench convert {shlex.quote(str(session))}")


def _tell_sizes(sizes: Proposals, as_json: bool, quiet: bool) -> None:
    """Print the plates' sizes and the formats proposed."""
    if as_json:
        print_json({"sizes": sizes.said, "size_notes": sizes.notes, "changes": sizes.changes})
    elif not quiet:
        for note in sizes.notes:
            wrapped(shown(note), indent="")
        for plate_id, said in sizes.said.items():
            wrapped(f"{plate_id}: {shown(said)}", indent="")


def _several(plates: Sequence[PlateSettings]) -> Iterator[str]:
    """Name captures that show several plates, and plates to look at before converting."""
    from platebench.session.tiles_of_plate import tiles_said

    counts = Counter(plate.captures for plate in plates)
    for captures, number in counts.items():
        if number > 1:
            yield f"{shown(captures[0])} shows {number} plates: each has its own corners"
    yield from map(shown, tiles_said(plates))
    for plate in plates:
        if plate.doubt:
            yield f"look at {plate.id}: {shown(plate.doubt)}"


def _count(number: int, what: str) -> str:
    return f"{number} {what}" if number == 1 else f"{number} {what}s"
