"""``platebench archive``: packages of a converted session for the long term."""

from __future__ import annotations

import shlex
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import click

from platebench.archive.file_check import FindingKind
from platebench.cli.options import (
    A_PATH,
    ExampledCommand,
    also_option,
    cluster_option,
    plate_ids,
    print_json,
    session_argument,
    talk_options,
    work_done_by,
    work_options,
)
from platebench.core.shown import LONGEST_PART, shown

if TYPE_CHECKING:
    from platebench.archive.file_check import PackageCheck
    from platebench.archive.pack_session import Packed
    from platebench.archive.reproduce import Remade, Reproduction


_MOST_FINDINGS = 1000  # of one package, a line each


def show_check(check: PackageCheck) -> None:
    """Tell what checking a package found, a line each up to a number, and the verdict."""
    name = shown(check.package, LONGEST_PART)
    for finding in check.findings[:_MOST_FINDINGS]:
        click.echo(f"{name}: {finding}")
    if (more := len(check.findings) - _MOST_FINDINGS) > 0:
        click.echo(f"{name}: and {counted(more, 'finding')} more; --json lists all")
    click.echo(f"{name}: {verdict(check)}")


def show_packed(packed: Sequence[Packed]) -> None:
    """Tell which packages were written, a line each."""
    for one in packed:
        amount = f"{counted(one.check.files, 'file')}, {size(one.check.size)}"
        name, plates = shown(one.package, LONGEST_PART), counted(len(one.plates), "plate")
        click.echo(f"{name}: {plates} ({amount}), read back whole")


def show_reproduction(made: Reproduction) -> None:
    """Tell what came out as it was, what differs and by how much, and what was damaged."""
    for picture in made.remade:
        if picture.damage is not None:
            what = shown(picture.damage.what)
            told = f"the packed one {what}; the one made again {_of_remade(picture)}"
            click.echo(f"{shown(picture.name)}: {told}")
        elif not picture.same_bytes:
            click.echo(f"{shown(picture.name)}: {_of_difference(picture)}")
    for version in made.versions:
        click.echo(f"versions: {version}")
    name = shown(made.package, LONGEST_PART)
    same = sum(picture.same_bytes for picture in made.remade)
    pictures = counted(len(made.remade), "picture")
    click.echo(
        f"{name}: {same} of {pictures} byte for byte"
        if made.remade
        else f"{name}: no picture could be made again"
    )
    kinds = {picture.damage.kind for picture in made.remade if picture.damage is not None}
    if kinds:
        see = f"platebench verify {shown(shlex.quote(str(made.package)), LONGEST_PART)}"
        closed = kinds == {FindingKind.UNREADABLE}
        state = "not all of it can be read" if closed else "the package is damaged"
        click.echo(f"{name}: {state}; see: {see}, and keep what is made again with --output FOLDER")


def _of_remade(picture: Remade) -> str:
    if picture.same_bytes:
        return "is byte for byte what was packed"
    if picture.same_pixels:
        return "has the pixels that were packed, other bytes around them"
    differs = "bytes" if picture.same_pixels is None else "pixels"
    return f"has other {differs} than what was packed, and how far off is unknown"


def _of_difference(picture: Remade) -> str:
    if picture.same_pixels:
        return "same pixels, other bytes around them"
    if picture.difference is not None:
        return str(picture.difference)
    if picture.same_pixels is None:
        return "other bytes"
    return "other pixels; the packed one cannot be opened to compare"


def reproduction_to_json(made: Reproduction) -> dict[str, Any]:
    """Return plain values."""
    from platebench.session.session_report import error_to_json

    return {
        "package": str(made.package),
        "exit_code": int(made.exit_code),
        "exit": made.exit_code.name,
        "versions_that_differ": list(made.versions),
        "pictures": [picture.to_json() for picture in made.remade],
        "errors": {plate: error_to_json(error) for plate, error in made.errors},
    }


def verdict(check: PackageCheck) -> str:
    """Return the outcome in a few words, and what to do."""
    amount = f"{counted(check.files, 'file')}, {size(check.size)}"
    if check.valid:
        return f"complete and unchanged ({amount})"
    word = "complete, but changed" if check.complete else "not complete"
    remedies = ", and ".join(check.remedies)
    return f"{word}: {counted(len(check.faults), 'finding')} ({amount}); {remedies}"


def counted(number: int, what: str) -> str:
    """Return a number with its noun.

    Examples
    --------
    >>> counted(1, "file"), counted(2, "file")
    ('1 file', '2 files')
    """
    return f"{number} {what}" if number == 1 else f"{number} {what}s"


def size(count: int) -> str:
    """Return bytes for people, units of 1000 as disks are sold.

    Examples
    --------
    >>> size(412), size(1_530_000)
    ('412 bytes', '1.5 MB')
    """
    if count < 1000:
        return f"{count} bytes"
    amount, unit = count / 1000, "kB"
    for larger in ("MB", "GB", "TB"):
        if amount >= 1000:
            amount, unit = amount / 1000, larger
    return f"{amount:.1f} {unit}"


@click.command(
    "archive",
    cls=ExampledCommand,
    short_help="Pack masters, positives, recipe and records for the long term.",
    examples=(
        "platebench archive shelf-3",
        "platebench archive shelf-3 --captures --output /archive/plates",
        "platebench archive shelf-3 --each",
        "platebench archive shelf-3 --plate plate-07 --plate plate-09",
    ),
)
@session_argument
@click.option(
    "--plate",
    "plates",
    multiple=True,
    metavar="ID",
    shell_complete=plate_ids,
    help="Only this plate, in a package of its own; repeat for several.  [default: all]",
)
@click.option("--each", is_flag=True, help="A package for every plate, not one for all.")
@click.option(
    "--output",
    type=A_PATH,
    metavar="FOLDER",
    help="Folder of packages.  [default: SESSION/packages]",
)
@click.option(
    "--converted",
    type=A_PATH,
    metavar="FOLDER",
    help="Folder of results that convert wrote.  [default: SESSION/converted]",
)
@click.option(
    "--name",
    default="",
    metavar="NAME",
    help="Name of the package.  [default: the session folder's]",
)
@click.option("--captures", is_flag=True, help="Pack raws or scans, blank and dark frames, too.")
@click.option("--colour", is_flag=True, help="Masters of red, green and blue.")
@also_option
@click.option("--no-masters", is_flag=True, help="Leave the masters out.")
@cluster_option
@work_options
@talk_options
def command(
    session: Path,
    plates: tuple[str, ...],
    each: bool,
    output: Path | None,
    converted: Path | None,
    name: str,
    captures: bool,
    colour: bool,
    also: tuple[Literal["gamma", "channels"], ...],
    no_masters: bool,
    cluster: str | None,
    jobs: int | None,
    memory: int | None,
    as_json: bool,
    quiet: bool,
) -> None:
    """Pack the converted SESSION: archive masters, positives, records, recipe, plate log, report.

    A package is a folder after BagIt 1.0 with SHA-256 and SHA-512 of every file. It is built
    beside its place, read back, and only then gets its name; one that is there is never replaced.
    Without --captures the recipe holds the digests of the captures: keep the files yourself.
    """
    from datetime import datetime

    from platebench.archive.pack_session import PACKAGES, PackOptions, pack_session
    from platebench.cli.terminal_progress import progress_for

    options = PackOptions(
        captures=captures, masters=not no_masters, colour=colour, also=also, each=each, name=name
    )
    output = session / PACKAGES if output is None else output
    with work_done_by(cluster, session, output) as (folder, to):
        packed = pack_session(
            folder,
            now=datetime.now().astimezone(),
            to=to,
            converted=converted,
            plates=plates,
            options=options,
            workers=jobs,
            memory=memory,
            progress=progress_for(quiet),
        )
    if as_json:
        print_json(
            {"packages": [one.check.to_json() | {"plates": list(one.plates)} for one in packed]}
        )
    elif not quiet:
        show_packed(packed)
