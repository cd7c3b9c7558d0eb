"""Veiling glare: stray light that lies over the whole picture and lightens its densest parts.

What it is, how it is measured and taken off is in :mod:`platebench.plate.glare`; here it is
judged, and bounded by the plate's densest parts where nothing opaque shows.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from platebench.measure.checks.verdict import Severity, Verdict
from platebench.plate.glare import Glare, density_with_glare, glare_from_opaque

_DARK_PERCENTILE = 2.0  # of the cells: a strip or rebate of that share is enough
USEFUL_BOUND = 0.01  # an upper bound above this says more of the plate than of the glare
HARMLESS, HARMFUL = 0.001, 0.005  # shares of the bare light box
_ADD_STRIP = (
    "to measure it, lay an opaque strip (black card) on the light box beside the plate and capture "
    "again"
)
_DENSER_MASK = (
    "to measure it, mask with something denser, such as two cards on top of each other, and let "
    "more of it show"
)
_BY_TABLET = "to know it, calibrate with a scan of a step tablet (platebench calibrate)"
_LESS_STRAY = "darken the room, clean the lens, use a hood"
_REDUCE = f"for less of it, mask the light box around the plate with black card, {_LESS_STRAY}"
_REDUCE_MASKED = f"for less of it, {_LESS_STRAY}"
_REDUCE_SCANNED = (
    "for less of it, clean the scanner's glass and mask around the plate with black card"
)


def glare_bound(cells: NDArray[np.float64]) -> float:
    """Return the most that glare can be, by a plate's densest parts: as if they were opaque.

    Parameters
    ----------
    cells : ndarray of float64, shape (K,)
        Transmittance averaged over cells of many photosites, so that noise does not set the
        minimum; all of the plate.

    Returns
    -------
    float
        Share of the bare light box.
    """
    return glare_from_opaque(float(np.percentile(cells, _DARK_PERCENTILE)))


def judge_glare(
    glare: Glare | None,
    bound: float | None = None,
    *,
    masked: bool = False,
    off: bool = False,
    scan: bool = False,
) -> Verdict:
    """Return what the glare does to dense parts, or how to make it measurable.

    Parameters
    ----------
    glare : Glare or None
        As conversion measures it; None where nothing opaque shows.
    bound : float or None
        The most it can be, see :func:`glare_bound`.
    masked : bool
        Whether the plate lies in a black mask or a holder, so that neither need be advised.
    off : bool
        Whether conversion takes it off.
    scan : bool
        Whether the capture is a scan, in which card beside the plate is not read.
    """
    masked = masked or (glare is not None and glare.source in ("black mask", "holder"))
    if glare is not None and glare.shows:
        read_on = "as calibrated" if glare.source == "calibration" else glare.source
        text = (
            f"glare is {100 * glare.share:.2f} % of the bare light box, give or take "
            f"{100 * glare.sigma:.2f} % ({read_on}), so that D 2.50 is captured as "
            f"{density_with_glare(2.5, glare.share):.2f}"
        )
        text += "; convert takes it off" if off else ""
        if glare.share <= HARMLESS:
            return Verdict(Severity.GOOD, "glare", text)
        severity = Severity.WARN if glare.share > HARMFUL else Severity.NOTE
        reduce = _REDUCE_MASKED if masked else _REDUCE
        return Verdict(severity, "glare", text, _REDUCE_SCANNED if scan else reduce)
    where: str = "darkest part of the plate"
    if glare is not None:
        bound, where = glare.share + 2 * glare.sigma, glare.source
    measure_it = _BY_TABLET if scan else _DENSER_MASK if masked else _ADD_STRIP
    if bound is None or bound > USEFUL_BOUND:
        text = "glare cannot be measured here, since nothing opaque shows beside the plate"
        text = "glare is not measured in a scan of a plate" if scan else text
        return Verdict(Severity.NOTE, "glare", text, measure_it)
    text = (
        f"glare is at most {100 * bound:.2f} % of the bare light box ({where}), so that "
        f"D 2.50 is captured as {density_with_glare(2.5, bound):.2f} or more"
    )
    if bound <= HARMLESS:
        return Verdict(Severity.GOOD, "glare", text)
    return Verdict(Severity.NOTE, "glare", text, measure_it)
