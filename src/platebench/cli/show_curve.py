"""How characteristic curves are told: a table, what follows from several, what to know."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from platebench.cli.show_lines import wrapped

if TYPE_CHECKING:
    from platebench.sensitometry.curve_job import CurveReport


def show_curves(report: CurveReport, written: Sequence[Path]) -> None:
    """Print the figures of each plate side by side, then notes, each said once."""
    from platebench.sensitometry.curve_table import comparison_lines, table_rows, time_lines

    names = [plate.name for plate in report.plates]
    rows = [("", names), *table_rows(report.plates)]
    first = max(len(title) for title, _ in rows)
    widths = [max(len(cells[n]) for _, cells in rows) for n in range(len(names))]
    for title, cells in rows:
        shown = "  ".join(cell.ljust(width) for cell, width in zip(cells, widths, strict=True))
        click.echo(f"{title:<{first}}  {shown}".rstrip())
    lines = comparison_lines(report.plates, report.differences, report.law)
    if report.law is not None:
        lines += time_lines(report.law, report.wanted)
    if lines:
        click.echo()
    for line in lines:
        wrapped(line, indent="")
    said: dict[str, list[str]] = {note: [] for note in report.notes}
    for plate in report.plates:
        for note in plate.notes:
            said.setdefault(note, []).append(plate.name)
    if said:
        click.echo("\nWorth knowing:")
    for note, of in said.items():
        named = f" ({', '.join(of)})" if 0 < len(of) < len(names) else ""
        wrapped(f"{note}{named}")
    for path in written:
        click.echo(str(path))
