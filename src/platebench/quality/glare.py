"""Veiling glare: stray light that lies over the whole picture and lightens its densest parts.

Model: ``T_measured = (T + g) / (1 + g)``, g a constant share of the bare light box.
J. J. McCann and A. Rizzi, "Veiling glare: the dynamic range limit of HDR images", J. Soc. Inf.
Display 2007; measured by ISO 9358 (glare) and ISO 18844 (flare) with opaque patches.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from platebench.quality.verdict import Severity, Verdict

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


def glare_from_opaque(transmittance: float) -> float:
    """Return g from the transmittance measured where the true one is 0: ``T / (1 - T)``.

    Examples
    --------
    >>> round(glare_from_opaque(0.005 / 1.005), 6)
    0.005
    """
    measured = min(max(transmittance, 0.0), 0.999)
    return measured / (1 - measured)


def density_with_glare(density: float, glare: float) -> float:
    """Return the density that is measured in place of ``density``.

    Examples
    --------
    >>> round(density_with_glare(3.0, 0.005), 2)
    2.22
    """
    return -math.log10((10**-density + glare) / (1 + glare))


def density_off_by(glare: float, error: float) -> float:
    """Return the density from which glare costs more than ``error``.

    ``(T + g) / (1 + g) = T 10^error`` solved for T.

    Parameters
    ----------
    glare : float
        ``g``, more than 0.
    error : float
        Density units (D), more than 0.

    Examples
    --------
    >>> d = density_off_by(0.005, 0.05)
    >>> round(d - density_with_glare(d, 0.005), 6)
    0.05
    """
    factor = (1 + glare) * 10**error - 1
    return math.log10(factor / glare)


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
