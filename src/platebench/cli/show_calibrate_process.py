"""How a calibration of a process is told."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from platebench.cli.show_lines import show_cautions, wrapped

if TYPE_CHECKING:
    from platebench.printing.calibrate_process import CalibratedProcess


def show_calibration(done: CalibratedProcess) -> None:
    """Print the cautions, the figures, the notes and the files."""
    from platebench.cautions import FIRST, cautions_for

    lines = [line for c in cautions_for(done.process.hazards) for line in c.lines()]
    show_cautions([FIRST, *lines, *done.process.cautions])
    found = done.calibration
    response, count = found.response, len(found.prints)
    prints = "1 print" if count == 1 else f"{count} prints"
    click.echo(f"{done.process.name}: {prints} of the step chart, {len(response.ink)} points")
    click.echo(f"  full black      {response.d_max:.2f} D above paper white")
    click.echo(f"  under full ink  {response.d_min:z.2f} D above paper white")
    click.echo(f"  noise           {found.noise:.3f} D a patch")
    click.echo(f"  evenness        {found.evenness:.2f} D over the sheet, at half black; taken off")
    click.echo(f"  left over       {found.residual:.3f} D RMS, levels from the curve")
    if count > 1:
        drift = max(done.fit.tone_drift) - min(done.fit.tone_drift)
        click.echo(f"  drift           {drift:.3f} D between prints, at half black")
    scales = done.process.scales
    if len(scales) == 1:
        said = f"{scales[0].typical:.2f} log units ({scales[0].status[1].words})"
        click.echo(f"  exposure scale  {said}")
    if done.process.band is not None:
        click.echo(f"  prints by       {done.process.band.words}")
    for note in done.notes:
        wrapped(f"{note[0].upper()}{note[1:]}.")
    for path in done.files:
        click.echo(str(path))
