"""How packages and what became of them are told to people."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import click

from platebench.archive.bag_paths import shown

if TYPE_CHECKING:
    from platebench.archive.findings import PackageCheck
    from platebench.archive.pack_session import Packed
    from platebench.archive.reproduce import Reproduction


def show_check(check: PackageCheck) -> None:
    """Tell what checking a package found, a line each, and the verdict."""
    name = shown(str(check.package))
    for finding in check.findings:
        click.echo(f"{name}: {finding}")
    click.echo(f"{name}: {verdict(check)}")


def show_packed(packed: Sequence[Packed]) -> None:
    """Tell which packages were written, a line each."""
    for one in packed:
        amount = f"{counted(one.check.files, 'file')}, {size(one.check.size)}"
        name, plates = shown(str(one.package)), counted(len(one.plates), "plate")
        click.echo(f"{name}: {plates} ({amount}), read back whole")


def show_reproduction(made: Reproduction) -> None:
    """Tell what came out as it was, and what differs and by how much."""
    for picture in made.remade:
        if picture.same_bytes:
            continue
        if picture.same_pixels:
            click.echo(f"{picture.name}: same pixels, other bytes around them")
        elif picture.difference is not None:
            click.echo(f"{picture.name}: {picture.difference}")
        elif picture.same_pixels is None:
            click.echo(f"{picture.name}: other bytes")
        else:
            click.echo(f"{picture.name}: other pixels; there is no whole one to compare with")
    for version in made.versions:
        click.echo(shown(f"versions: {version}"))
    same = sum(picture.same_bytes for picture in made.remade)
    pictures = counted(len(made.remade), "picture")
    click.echo(f"{shown(str(made.package))}: {same} of {pictures} byte for byte")


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
    """Return the outcome in a few words."""
    amount = f"{counted(check.files, 'file')}, {size(check.size)}"
    if check.valid:
        return f"complete and unchanged ({amount})"
    word = "complete, but changed" if check.complete else "not complete"
    return f"{word}: {counted(len(check.faults), 'finding')} ({amount})"


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
