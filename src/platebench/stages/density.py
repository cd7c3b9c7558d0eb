"""Transmittance to optical density, and the 16-bit code that whole frames travel through.

A frame becomes a positive through one table of 65,536 entries. The code is the square root of
transmittance, so that its steps stay fine, in density, where plates are dense.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

MAX_DENSITY = 4.5
TOP_TRANSMITTANCE = 1.6
_CODES_PER_ROOT = 65535.0 / float(np.sqrt(TOP_TRANSMITTANCE))


def density_from_transmittance(
    transmittance: NDArray[np.float32], *, max_density: float = MAX_DENSITY
) -> NDArray[np.float32]:
    """Return optical density D = -log10(T).

    Parameters
    ----------
    transmittance : ndarray of float32, any shape
        Linear transmittance; 1.0 is the bare light box. Dimensionless.
    max_density : float
        Ceiling (D). Transmittance at or below ``10 ** -max_density``, zero and negatives
        included, gives exactly this.

    Returns
    -------
    ndarray of float32, same shape
        Density; negative where T > 1.

    Raises
    ------
    ValueError
        If ``max_density`` is not positive.

    References
    ----------
    D = log10(1/T), opacity 1/T: C. E. K. Mees, *The Fundamentals of Photography*.

    Examples
    --------
    >>> density_from_transmittance(np.array([1.0, 0.1, 0.0], np.float32)).tolist()
    [0.0, 1.0, 4.5]
    """
    if max_density <= 0:
        raise ValueError(f"max_density must be > 0 D, got {max_density}")
    floor = np.float32(10.0**-max_density)
    density = np.negative(np.log10(np.maximum(transmittance, floor))) + np.float32(0.0)
    return np.asarray(np.minimum(density, np.float32(max_density)), np.float32)


def code_from_transmittance(transmittance: NDArray[np.float32]) -> NDArray[np.uint16]:
    """Return square-root codes: 0 for T <= 0, 65535 for T >= ``TOP_TRANSMITTANCE``.

    One step is 0.0002 D at D 2 and 0.0005 D at D 3 (derived: dD = 2 log10(e) / code).
    """
    roots = cv2.sqrt(transmittance)  # not-a-number below 0, which becomes code 0
    return np.asarray(
        cv2.addWeighted(roots, _CODES_PER_ROOT, roots, 0.0, 0.0, dtype=cv2.CV_16U), np.uint16
    )


def transmittance_of_codes() -> NDArray[np.float64]:
    """Return the transmittance that each of the 65,536 codes stands for."""
    return np.asarray((np.arange(65536) / _CODES_PER_ROOT) ** 2, np.float64)
