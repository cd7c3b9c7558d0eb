"""``platebench find-pictures``: several pictures on one plate, proposed."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from platebench.cli.options import (
    ExampledCommand,
    plate_ids,
    print_json,
    session_argument,
    talk_options,
    work_options,
)
from platebench.cli.show import failed_to_json, show_errors, wrapped

if TYPE_CHECKING:
    from platebench.session.propose_pictures import ProposedPictures


@click.command(
    "find-pictures",
    cls=ExampledCommand,
    short_help="Propose where several pictures on one plate part.",
    examples=(
        "platebench find-pictures shelf-3",
        "platebench find-pictures shelf-3 plate-002 --write",
    ),
)
@session_argument
@click.argument("plates", nargs=-1, metavar="[PLATE]...", shell_complete=plate_ids)
@click.option(
    "--write",
    is_flag=True,
    help="Write the pictures into session.toml, for plates that have none there.",
)
@work_options
@talk_options
@click.pass_context
def command(
    ctx: click.Context,
    session: Path,
    plates: tuple[str, ...],
    write: bool,
    jobs: int | None,
    memory: int | None,
    as_json: bool,
    quiet: bool,
) -> None:
    """Look for plain gaps between equal pictures on each PLATE of SESSION, or on all.

    A gap runs from rebate to rebate, as clear as the rebate. Where gaps are not plain, or pictures
    not equal, nothing is proposed: draw the pictures on the review page, or write them into
    session.toml. Look at what was proposed before you convert.
    """
    from platebench.cli.terminal_progress import progress_for
    from platebench.session.propose_pictures import propose_pictures
    from platebench.session.run_plates import exit_code_of

    outcomes = propose_pictures(
        session, plates, write=write, workers=jobs, memory=memory, progress=progress_for(quiet)
    )
    made = {one.plate_id: one.made for one in outcomes if one.made is not None}
    if as_json:
        failed = [failed_to_json(one) for one in outcomes if one.error is not None]
        found = {name: _to_json(proposed) for name, proposed in made.items()}
        print_json({"session": str(session), "plates": found, "failed": failed})
    elif not quiet:
        for name, proposed in made.items():
            wrapped(f"{name}: {_said(proposed)}", indent="")
    show_errors(outcomes)
    ctx.exit(exit_code_of(outcomes))


def _to_json(proposed: ProposedPictures) -> dict[str, object]:
    return {
        "boxes": [list(box) for box in proposed.parting.boxes],
        "written": proposed.written,
        "why_not": proposed.why_not,
    }


def _said(proposed: ProposedPictures) -> str:
    count = len(proposed.parting.boxes)
    found = f"{count} pictures" if count else "one picture, or no plain gaps"
    if proposed.why_not:
        return f"{found}; {proposed.why_not}" if count else proposed.why_not
    return f"{found}, written into session.toml" if proposed.written else found
