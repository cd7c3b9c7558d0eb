"""How the times of a plate printed itself are told."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import click

from platebench.cli.show_lines import show_cautions, wrapped

if TYPE_CHECKING:
    from platebench.session.print_plate import DirectPrint


def show_direct_prints(made: Sequence[DirectPrint], cautions: Sequence[str]) -> None:
    """Print the cautions, then each plate's times."""
    show_cautions(cautions)
    for one in made:
        times, advice = one.times, one.advice
        click.echo(f"{one.plate.plate_id}, {advice.title}, against {one.reference}")
        for doubt in one.doubts:
            wrapped(f"In doubt: {doubt}.")
        difference = f"10 ^ ({times.base:z.2f} - {times.reference_base:z.2f})"
        wrapped(f"Time factor {times.for_base:.3g}: {difference}, by base plus fog.")
        if one.times_what:
            wrapped(f"1 x is {one.times_what}.")
        for name, said in one.said_times():
            wrapped(f"{name[0].upper()}{name[1:]}: {said}.")
        wrapped(f"Range {advice.density_range:.2f}: {advice.verdict}; {advice.lost()}.")
        wrapped(f"Compared: {advice.density_note}.")
        if not one.plate.calibrated:
            wrapped("Not calibrated with a step tablet: dense plates read thinner than they are.")
        click.echo(f"  {one.sheet}\n")
