"""``platebench audit``: fixity of a collection, a share at a time."""

from __future__ import annotations

import re
from fractions import Fraction
from pathlib import Path

import click

from platebench.cli.catalogue import audit_to_json, show_audit
from platebench.cli.catalogue_options import catalogue_option, collection_argument, processes
from platebench.cli.options import ExampledCommand, print_json, talk_options

_SHARE = re.compile(r"^\s*(\d{1,6})\s*/\s*(\d{1,6})\s*$")


def _share(_context: click.Context, _parameter: click.Parameter, value: str) -> Fraction:
    match = _SHARE.match(value)
    if match is None or not 0 < int(match[1]) <= int(match[2]):
        raise click.BadParameter(f"{value!r} is no share; write one such as 1/12")
    return Fraction(int(match[1]), int(match[2]))


@click.command(
    "audit",
    cls=ExampledCommand,
    short_help="Check a share of a collection, the oldest checks first.",
    examples=(
        "platebench audit /archive/plates --share 1/12",
        "platebench audit /archive/plates --json",
    ),
)
@collection_argument
@click.option(
    "--share",
    callback=_share,
    default="1/1",
    metavar="N/M",
    help="Share of the packages, such as 1/12 every month.  [default: all]",
)
@click.option("--anew", is_flag=True, help="Do not go on with a round that was interrupted.")
@catalogue_option
@talk_options
@click.pass_context
def command(
    ctx: click.Context,
    collection: Path,
    share: Fraction,
    anew: bool,
    catalogue: Path | None,
    as_json: bool,
    quiet: bool,
) -> None:
    """Read every file of the packages in COLLECTION whose last check is longest ago.

    Each outcome is a line in audits.csv, beside the catalogue, and is in the catalogue too. A run
    that was stopped is gone on with by the next. The exit code is 13 if a package is not as it
    was, or is gone.
    """
    from datetime import datetime

    from platebench.archive.audit import audit_collection
    from platebench.cli.terminal_progress import progress_for

    audit = audit_collection(
        collection,
        day=datetime.now().astimezone().date(),
        share=share,
        anew=anew,
        catalogue=catalogue,
        processes=processes(),
        progress=progress_for(quiet),
    )
    if as_json:
        print_json(audit_to_json(audit))
    elif not quiet:
        show_audit(collection, audit)
    ctx.exit(audit.exit_code)
