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

A soft proof shows what the print will look like by these tables.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from platebench.core.files import atomic_write
from platebench.printing.print_look import PrintLook
from platebench.printing.process import PrintResponse, Process, codes_of, response_of
from platebench.write.colour import (
    lightness_of,
    linear_rgb_of_lab,
    luminance_of,
    rgb_gamma22_profile,
)

LONG_SIDE = 1800  # of the film
_BORDER = 0.05  # of the long side: bare paper around the film
_LEVELS = 4096
_QUALITY = 93


def print_colours(look: PrintLook, densities: NDArray[np.float64]) -> NDArray[np.uint8]:
    """Return the colour of print densities, as RGB of gamma 2.2 with BT.709 primaries.

    Parameters
    ----------
    look : PrintLook
        Paper and hue.
    densities : ndarray of float64, shape (n,)
        Above paper white.

    Returns
    -------
    ndarray of uint8, shape (n, 3)
    """
    linear = linear_rgb_of_lab(look.lab_of(densities))
    return np.asarray(np.rint(255 * linear ** (1 / 2.2)), np.uint8)


def write_soft_proof(
    path: Path, negative: NDArray[np.uint16], response: PrintResponse, look: PrintLook
) -> None:
    """Write a picture of the print that a negative is expected to give.

    Parameters
    ----------
    path : Path
        A JPEG; replaced if it exists.
    negative : ndarray of uint16, shape (M, N)
        The film's values, margins and all, as the print is seen, at the size of the proof.
    response : PrintResponse
        What the process makes of ink.
    look : PrintLook
        Paper and hue.

    Raises
    ------
    WriteError
        If it could not be written.
    """
    levels = np.linspace(0.0, 1.0, _LEVELS)  # ink
    table = print_colours(look, response.density_of(levels))
    index = np.rint((1 - negative / 65535.0) * (_LEVELS - 1)).astype(np.intp)
    picture = table[index]
    edge = max(1, round(_BORDER * max(negative.shape)))
    paper = print_colours(look, np.zeros(1))[0]
    sheet = np.empty((picture.shape[0] + 2 * edge, picture.shape[1] + 2 * edge, 3), np.uint8)
    sheet[...] = paper
    sheet[edge:-edge, edge:-edge] = picture
    with atomic_write(path) as stream:
        Image.fromarray(sheet).save(
            stream,
            "JPEG",
            quality=_QUALITY,
            subsampling=0,
            icc_profile=rgb_gamma22_profile(),
            comment=b"platebench: soft proof",
        )


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
