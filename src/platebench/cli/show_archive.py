"""How packages and what became of them are told to people."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from platebench.archive.findings import PackageCheck


def show_check(check: PackageCheck) -> None:
    """Tell what checking a package found, a line each, and the verdict."""
    for finding in check.findings:
        click.echo(f"{check.package}: {finding}")
    click.echo(f"{check.package}: {verdict(check)}")


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
