"""Which ink each tone of a plate gets: the two aims of a print negative.

``positive``: the print shows what the toned positive shows. Lightness (CIE L*, of reflectance
relative to the paper) is mapped in a straight line from the full black to the lightest tone that
can be reached, which is the paper's white (100) unless full ink does not hold it::

    L*print = L*black + (L*white - L*black) L*positive / 100

so tones keep their order and their even spacing, and the print uses all the process can give.

``facsimile``: the film holds the plate's own densities, its range made as long as the exposure
scale: with ``x = (D - D_black) / (D_white - D_black)``, 0 to 1, the print gets what the process's
own curve gives through the share ``x`` of its scale.

Either way the print density wanted goes back through the measured response to ink.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from platebench.outputs.lab_colour import lightness_of, luminance_of
from platebench.printing.print_response import PrintResponse, codes_of, response_of
from platebench.printing.process import Process

Aim = Literal["positive", "facsimile"]
Floats = NDArray[np.float64]
WEDGE_STEPS = 11
_DENSEST_T = 1e-9


def print_density(lightness: Floats, response: PrintResponse) -> Floats:
    """Return the print density that stands for a positive's lightness.

    Parameters
    ----------
    lightness : ndarray of float64
        CIE L* of the positive, 0 to 100.
    response : PrintResponse
        The process, whose black and white are the ends.

    Returns
    -------
    ndarray of float64
        Density above paper white: reflection density D = -log10 R (ISO 5-4), R relative to the
        paper.

    Examples
    --------
    >>> response = PrintResponse(ink=(0.0, 1.0), density=(1.0, 0.0))
    >>> print_density(np.array([0.0, 50.0, 100.0]), response).round(3).tolist()
    [1.0, 0.406, 0.0]
    """
    black, white = (
        float(lightness_of(10.0**-density)) for density in (response.d_max, response.d_min)
    )
    wanted = black + (white - black) * np.clip(lightness, 0.0, 100.0) / 100.0
    return -np.log10(luminance_of(wanted)) + 0.0


def table_from_positive(luminance: Floats, response: PrintResponse) -> NDArray[np.uint16]:
    """Return the print negative's 16-bit value for each value of the positive.

    Parameters
    ----------
    luminance : ndarray of float64, shape (65536,)
        Linear light of each code of the positive, 0 to 1.
    response : PrintResponse
        The process, printer included.

    Returns
    -------
    ndarray of uint16, shape (65536,)
        ``65535 (1 - ink)``; never rises where luminance rises.
    """
    return codes_of(response.ink_for(print_density(lightness_of(luminance), response)))


def table_from_plate(
    transmittance: Floats, process: Process, *, black_at: float, white_at: float
) -> NDArray[np.uint16]:
    """Return the print negative's 16-bit value for each transmittance of the plate.

    Parameters
    ----------
    transmittance : ndarray of float64, shape (65536,)
        True transmittance of each code.
    process : Process
        Its curve, and its response if it is calibrated.
    black_at, white_at : float
        The plate's densities that are to print full black and paper white, D.

    Raises
    ------
    ValueError
        If ``white_at`` is not above ``black_at``.
    """
    if not white_at > black_at:
        raise ValueError(f"need white_at > black_at, got {white_at} and {black_at}")
    density = -np.log10(np.maximum(transmittance, _DENSEST_T))
    share = np.clip((density - black_at) / (white_at - black_at), 0.0, 1.0)
    ideal = response_of(replace(process, calibration=None))  # ink there is the share held back
    response = response_of(process)
    wanted = ideal.density_of(share) * (response.d_max / ideal.d_max)
    return codes_of(response.ink_for(wanted))


def wedge_inks(response: PrintResponse) -> tuple[float, ...]:
    """Return inks that print from full black to paper white in even steps of lightness."""
    steps = np.linspace(0.0, 100.0, WEDGE_STEPS)
    inks = response.ink_for(print_density(steps, response))
    inks[0], inks[-1] = 0.0, 1.0
    return tuple(float(ink) for ink in inks)
