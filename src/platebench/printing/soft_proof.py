"""How the print is expected to look: its density, the paper's white, the process's hue."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from platebench.fsio import atomic_write
from platebench.outputs.icc import rgb_gamma22_profile
from platebench.outputs.lab_colour import linear_rgb_of_lab
from platebench.printing.print_look import PrintLook
from platebench.printing.print_response import PrintResponse

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
