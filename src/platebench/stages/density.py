"""Transmittance to optical density, and the 16-bit code that whole frames travel through.

A frame becomes a positive through one table of 65,536 entries. The code is the half-precision
number nearest to the transmittance, read as an integer: the same fine steps at every density.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

MAX_DENSITY = 4.5


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
    """Return the bits of the nearest IEEE 754 half-precision number.

    Its eleven significant bits hold transmittance to 1 part in 2048, density to 0.0002 D, down to
    D 4.2 (derived: log10(1 + 2**-11)).
    """
    return transmittance.astype(np.float16).view(np.uint16)


def transmittance_of_codes() -> NDArray[np.float64]:
    """Return the transmittance that each of the 65,536 codes stands for; not-a-number is 0."""
    codes = np.arange(65536, dtype=np.uint16).view(np.float16)
    return np.nan_to_num(codes, nan=0.0).astype(np.float64)
