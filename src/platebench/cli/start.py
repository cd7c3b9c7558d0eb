"""``platebench start``: look through a folder and draft session.toml."""

from __future__ import annotations

import shlex
from collections import Counter
from collections.abc import Iterator, Sequence
from pathlib import Path

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


@click.command(
    "start",
    cls=ExampledCommand,
    short_help="Look through a folder of captures and draft session.toml.",
    examples=(
        "platebench start shelf-3",
        "platebench start shelf-3 --json",
    ),
)
@session_argument
@work_options
@talk_options
def command(
    session: Path, jobs: int | None, memory: int | None, as_json: bool, quiet: bool
) -> None:
    """Look through the captures in SESSION and draft its session.toml.

    It knows blank frames (the bare light box) and dark frames (lens cap on) by their pixels, joins
    exposures of one framing to one plate, and puts plates in order of capture time. A capture that
    shows several plates gets an entry for each, with its corners, in reading order. It judges
    whether scans show negatives or positives, and counts how many look like which. Read the file,
    set the plate format and the emulsion side, then convert.

    Beside it start writes plates.csv, the plate log: a row for each plate, for you to fill in with
    what you know of it. A session.toml or plates.csv that you have edited is never replaced.
    """
    from dataclasses import asdict

    from platebench.cli.terminal_progress import progress_for
    from platebench.session.draft_file import bits_assumed, check_replaceable, write_draft
    from platebench.session.drafting import draft_session
    from platebench.session.parts import advice_on_size
    from platebench.session.scan_hints import tones_said
    from platebench.session.session_log import write_template
    from platebench.session.settings_file import FILE_NAME

    check_replaceable(session / FILE_NAME)
    draft = draft_session(session, workers=jobs, memory=memory, progress=progress_for(quiet))
    path = write_draft(session, draft)
    settings = draft.settings
    log = write_template(session, [plate.id for plate in settings.plates])
    if as_json:
        print_json(
            {
                "session_file": str(path),
                "plate_log": None if log is None else str(log),
                "settings": asdict(settings),
                "remarks": draft.remarks,
                "left_out": dict(draft.left_out),
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
        if log is None:
            click.echo("plates.csv is your own, and was left as it is")
        click.echo(f"Read {path}, then run: platebench convert {shlex.quote(str(session))}")


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
