"""Veiling glare: stray light that lies over the whole picture and lightens its densest parts.

What it is and how it is taken off is in :mod:`platebench.stages.glare`; here it is judged, and
bounded by the plate's densest parts where nothing opaque shows.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from platebench.quality.verdict import Severity, Verdict
from platebench.stages.glare import density_with_glare, glare_from_opaque

_DARK_PERCENTILE = 2.0  # of the cells: a strip or rebate of that share is enough
USEFUL_BOUND = 0.01  # an upper bound above this says more of the plate than of the glare
_ADD_STRIP = "put an opaque strip (black card) on the light box beside the plate and capture again"


@dataclass(frozen=True, slots=True, kw_only=True)
class Glare:
    """Glare as a share of the bare light box.

    Attributes
    ----------
    share : float
        ``g``. An upper bound unless ``opaque``.
    opaque : bool
        Whether it was read on something that lets no light through.
    where : str
        What it was read on.
    """

    share: float
    opaque: bool
    where: Literal["opaque patch", "black mask", "holder", "darkest part of the plate"]


def measure_glare(
    cells: NDArray[np.float64], where: Literal["opaque patch", "black mask", "holder", "plate"]
) -> Glare:
    """Return the glare from means of transmittance over small cells.

    Parameters
    ----------
    cells : ndarray of float64, shape (K,)
        Transmittance averaged over cells of many photosites, so that noise does not set the
        minimum; all of an opaque patch or mask, or all of the plate.
    where : str
        What the cells are cells of.
    """
    if where == "plate":
        darkest = float(np.percentile(cells, _DARK_PERCENTILE))
        return Glare(
            share=glare_from_opaque(darkest), opaque=False, where="darkest part of the plate"
        )
    return Glare(share=glare_from_opaque(float(np.median(cells))), opaque=True, where=where)


def judge_glare(glare: Glare | None) -> Verdict:
    """Return what the glare does to dense parts, or how to make it measurable."""
    if glare is None or (not glare.opaque and glare.share > USEFUL_BOUND):
        return Verdict(
            Severity.NOTE, "glare", "glare is not measurable here: nothing opaque in the picture",
            _ADD_STRIP,
        )  # fmt: skip
    most = "" if glare.opaque else "at most "
    reads = density_with_glare(2.5, glare.share)
    text = (
        f"glare is {most}{100 * glare.share:.2f} % of the bare light box ({glare.where}): "
        f"a density of 2.50 reads {'' if glare.opaque else 'no less than '}{reads:.2f}"
    )
    if glare.share <= 0.001:
        return Verdict(Severity.GOOD, "glare", text)
    remedy = (
        "mask the light box around the plate with black card, darken the room, clean the lens, "
        "use a hood"
    )
    if not glare.opaque:
        return Verdict(Severity.NOTE, "glare", text, _ADD_STRIP)
    severity = Severity.WARN if glare.share > 0.005 else Severity.NOTE
    return Verdict(severity, "glare", text, remedy)
