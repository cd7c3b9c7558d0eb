"""The code of archive masters: sixteen bits, linear in transmittance.

``T = code / 60000`` and ``D = -log10(code / 60000)``: one formula, which the file itself states.
The bare light box has code 60000, so that light a little brighter than it still has a code.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

CODES_OF_LIGHT = 60_000
NO_READING = 65_535  # the sensor clipped, or there was more light than the bare light box
FORMULA = f"D = -log10(value / {CODES_OF_LIGHT})"


def linear_codes(
    transmittance: NDArray[np.float32], valid: NDArray[np.bool_] | None = None
) -> NDArray[np.uint16]:
    """Return the nearest code of each transmittance.

    Parameters
    ----------
    transmittance : ndarray of float32, shape (M, N) or (M, N, 3)
        Linear, 1.0 is the bare light box. Below 0 becomes 0; above 1.0922 ``NO_READING``.
    valid : ndarray of bool, shape (M, N), or None
        False where the sensor clipped: ``NO_READING``.

    Returns
    -------
    ndarray of uint16, same shape
        Half a code is 0.0036 D at D 3 (derived: log10(60.5 / 60)).

    Examples
    --------
    >>> linear_codes(np.array([[1.0, 0.001, -0.01, 2.0]], np.float32)).tolist()
    [[60000, 60, 0, 65535]]
    """
    scaled = transmittance * np.float32(CODES_OF_LIGHT)
    np.rint(scaled, out=scaled)
    codes = np.clip(scaled, 0, NO_READING, out=scaled).astype(np.uint16)
    if valid is not None:
        codes[~valid] = NO_READING
    return codes
