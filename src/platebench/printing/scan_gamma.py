"""Whether a scan of a print was read with the gamma it was coded by.

A wrong gamma multiplies every density of a print by one factor, assumed over true: curve, noise and
spread of the patches keep their shape, so nothing within a print shows it. (The edges of patches
would, since light adds up in them; but paper scatters light and scanners sharpen, and in a trial on
invented edges those moved the gamma that edges ask for from 0.2 to 4 times the true one.) What does
show it is one density known from elsewhere: full black read by a densitometer. Without that there
are bounds, wide ones: what paper can reach, and what the process usually reaches.
"""

from __future__ import annotations

from pathlib import Path

from platebench.errors import ChartError
from platebench.printing.process import Process

DEEPEST = 2.4  # D above paper white; glossy silver papers reach about 2.2 (from memory)
UNUSUAL = 1.35  # times deeper or weaker than the process's own black; papers differ that much
OTHER_GAMMA = 1.8  # the other one that scanners have used by default; from memory
# A densitometer sees the print by another geometry and colour, and scanners have flare.
_APART, _SHARE = 0.05, 0.07  # D, and share of the density


def gamma_notes(
    path: Path,
    black: float,
    assumed: float | None,
    *,
    known: float | None = None,
    process: Process | None = None,
) -> tuple[str, ...]:
    """Return what speaks for or against a scan's gamma.

    Parameters
    ----------
    path : Path
        The scan, for messages.
    black : float
        Full black as read, D above paper white.
    assumed : float or None
        The gamma that was assumed; None where the file says how it is coded.
    known : float or None
        Full black as a densitometer reads it, D above paper white.
    process : Process, optional
        With the black that it usually reaches.

    Raises
    ------
    ChartError
        If what was read contradicts the density known.

    Examples
    --------
    >>> gamma_notes(Path("a.tif"), 1.38, None)
    ()
    """
    if known is not None:
        return _against_known(path, black, assumed, known)
    notes = []
    usual = None if process is None else process.look.d_max
    if black > DEEPEST:
        notes.append(
            f"full black reads {black:.2f} D, deeper than any paper prints: {_cause(assumed)}"
        )
    elif process is not None and usual and not 1 / UNUSUAL < black / usual < UNUSUAL:
        fits = "" if assumed is None else f" (gamma {assumed * usual / black:.1f} would fit)"
        status = process.look.status[0].words
        notes.append(
            f"full black reads {black:.2f} D where {process.name} prints about {usual:.2f} "
            f"({status}): if the print does not look that unusual, {_cause(assumed)}{fits}"
        )
    if assumed is not None:
        other = OTHER_GAMMA if abs(assumed - OTHER_GAMMA) > 0.2 else 2.2
        notes.append(
            "nothing within a print shows a wrong gamma, for it multiplies all densities alike: "
            f"full black, {black:.2f} D by gamma {assumed:g}, would be "
            f"{black * other / assumed:.2f} D by {other:g}; measure it with a densitometer and "
            "give it, or scan with a colour profile"
        )
    return tuple(notes)


def _against_known(
    path: Path, black: float, assumed: float | None, known: float
) -> tuple[str, ...]:
    if abs(black - known) > _APART + _SHARE * known:
        what = f"reads {black:.2f} D in full black, where you give {known:.2f} D"
        remedy = "scan it again without automatic levels, or correct that density"
        if assumed is not None:
            fits = assumed * known / black
            remedy = f"gamma {fits:.2f} would fit; give it if the scan is coded so, else {remedy}"
        raise ChartError(path, what, remedy)
    if assumed is None:
        return ()
    return (f"gamma {assumed:g} agrees with the full black you give, {known:.2f} D",)


def _cause(assumed: float | None) -> str:
    if assumed is None:
        return "the scanner changed tones; scan again without automatic levels and contrast"
    return "the scan was coded by another gamma, or its tones were changed"
