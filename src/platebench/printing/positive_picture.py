"""A positive as a print negative is made from it: a person's edits, as the file has them."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from platebench.errors import PrintNegativeError
from platebench.image import CaptureKind
from platebench.stages.read_capture import read_capture
from platebench.stages.reading import tiff_structure as tiff
from platebench.stages.reading.file_kind import FileKind, find_kind

_REMEDY = "save it as a grey TIFF of 16 bits, not merged to 8"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PositivePicture:
    """A toned picture and what its codes mean.

    Attributes
    ----------
    codes : ndarray of uint16, shape (M, N)
    luminance : ndarray of float64, shape (65536,)
        Linear light of each code, 0 to 1, by the file's own colour profile.
    ppi : float or None
        Pixels per inch of the plate, as the file says.
    notes : tuple of str
        How the file was read.
    """

    codes: NDArray[np.uint16]
    luminance: NDArray[np.float64]
    ppi: float | None
    notes: tuple[str, ...]


def read_positive(path: Path) -> PositivePicture:
    """Read a positive for printing.

    Raises
    ------
    CaptureError
        If it is missing, damaged or cut off.
    PrintNegativeError
        If it is not a grey TIFF of 16 bits.
    """
    found = find_kind(path)
    if found.kind is not FileKind.TIFF or found.structure is None:
        raise PrintNegativeError(path, "is no TIFF", _REMEDY)
    pages = found.structure.directories  # without any it is damaged, which reading it will say
    bits = max((max(page.tags.get(tiff.BITS, (1,))) for page in pages), default=16)
    if bits < 16:
        what = f"has {bits:g} bits a pixel, too few steps of tone for a negative"
        raise PrintNegativeError(path, what, _REMEDY)
    frame = read_capture(path)
    if frame.channels != 1 or frame.info.kind is not CaptureKind.SCAN or frame.curve is None:
        raise PrintNegativeError(path, "is in colour", _REMEDY)
    curve = np.asarray(frame.curve, np.float64)
    return PositivePicture(
        codes=frame.counts,
        luminance=np.clip(curve / curve[-1], 0.0, 1.0),
        ppi=frame.info.ppi,
        notes=frame.info.notes,
    )
