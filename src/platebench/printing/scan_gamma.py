"""Whether a scan of a print was read with the gamma it was coded by.

A wrong gamma multiplies every density of a print by one factor, assumed over true: curve, noise and
spread of the patches keep their shape, so nothing within a print shows it. (The edges of patches
would, since light adds up in them. But print curves, paper that scatters light and scanners that
sharpen make edges lopsided too: in a trial, not kept, on 1,200 invented ones the gamma by which
they are even ran from 0.2 to 4 times the true one, or there was none.) What does
show it is one density known from elsewhere: a patch read by a densitometer, of a middle tone best,
where a scanner's flare changes little. Without that there are bounds, wide ones: what paper can
reach, and what the process usually reaches.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

from platebench.core.errors import ChartError
from platebench.printing.process import Process

DEEPEST = 2.4  # D above paper white; glossy silver papers reach about 2.2 (from memory)
UNUSUAL = 1.35  # times deeper or weaker than the process's own black; papers differ that much
USUAL_GAMMA, OTHER_GAMMA = 2.2, 1.8  # what scanners have used by default; from memory
FLARE = 0.01  # share of paper white that a flatbed may add to everything; common practice
# A densitometer sees a print by another geometry and colour than a scanner.
_APART, _SHARE = 0.03, 0.04  # D, and share of the density


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownPatch:
    """A patch of a print as a densitometer reads it.

    Attributes
    ----------
    name : str
        As on the sheet: row and column of a chart, number of a strip's step.
    density : float
        Above paper white, D.
    """

    name: str
    density: float

    def agrees(self, read: float) -> bool:
        """Tell whether a scan that reads so much may be right, its flare included.

        Examples
        --------
        >>> patch = KnownPatch(name="C7", density=0.70)
        >>> [patch.agrees(0.70 * times) for times in (1, 0.96, 1.8 / 2.2, 2.2 / 1.8)]
        [True, True, False, False]
        """
        apart = _APART + _SHARE * self.density
        with_flare = -math.log10((10**-self.density + FLARE) / (1 + FLARE))
        return with_flare - apart <= read <= self.density + apart

    def tells(self) -> bool:
        """Tell whether it would show the two usual gammas taken for one another."""
        times = OTHER_GAMMA / USUAL_GAMMA
        return not (self.agrees(self.density * times) or self.agrees(self.density / times))


def gamma_notes(
    black: float,
    assumed: float | None,
    *,
    process: Process | None = None,
) -> tuple[str, ...]:
    """Return what speaks for or against a scan's gamma where no density is known.

    Parameters
    ----------
    black : float
        Full black as read, D above paper white.
    assumed : float or None
        The gamma that was assumed; None where the file says how it is coded.
    process : Process, optional
        With the black that it usually reaches.

    Examples
    --------
    >>> gamma_notes(1.38, None)
    ()
    """
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
        other = OTHER_GAMMA if abs(assumed - OTHER_GAMMA) > 0.2 else USUAL_GAMMA
        notes.append(
            "nothing within a print shows a wrong gamma, for it multiplies all densities alike: "
            f"full black, {black:.2f} D by gamma {assumed:g}, would be "
            f"{black * other / assumed:.2f} D by {other:g}; measure a middle tone with a "
            "densitometer and give it, or scan with a colour profile"
        )
    return tuple(notes)


def against_known(
    path: Path, read: float, assumed: float | None, known: KnownPatch
) -> tuple[str, ...]:
    """Return what a patch of known density says of a scan's gamma.

    Parameters
    ----------
    path : Path
        The scan, for messages.
    read : float
        The patch in it, D above paper white.
    assumed : float or None
        As for :func:`gamma_notes`.
    known : KnownPatch

    Raises
    ------
    ChartError
        If what was read contradicts it.
    """
    if not known.agrees(read):
        what = f"reads {read:.2f} D in patch {known.name}, where you give {known.density:.2f} D"
        remedy = "scan it again without automatic levels, or correct that density"
        if assumed is not None and read > 0:
            fits = assumed * known.density / read
            remedy = f"gamma {fits:.2f} would fit; give it if the scan is coded so, else {remedy}"
        raise ChartError(path, what, remedy)
    if assumed is None:
        return ()
    said = f"gamma {assumed:g} agrees with patch {known.name}, {known.density:.2f} D"
    if not known.tells():
        said += (
            f", but that patch could not tell {OTHER_GAMMA:g} from {USUAL_GAMMA:g}: give one of "
            "0.5 to 1.2 D"
        )
    return (said,)


def _cause(assumed: float | None) -> str:
    if assumed is None:
        return "the scanner changed tones; scan again without automatic levels and contrast"
    return "the scan was coded by another gamma, or its tones were changed"
