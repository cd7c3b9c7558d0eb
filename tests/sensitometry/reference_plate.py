"""The reference plate S2: a curve given by a formula, whose figures were derived apart from it.

Derived for this project (shared check values, section 4) with sp(z) = ln(1 + e^z):
D(x) = 0.10 + g [sp(5 (x - xt)) / 5 - sp(4 (x - xs)) / 4], x = log10 H in lux seconds. It meets
ISO 6's contrast condition exactly and has a speed of 2.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

G, XT, XS = 0.6853841953, -0.4122485236, 2.1877514764
BARE_LOG_H = 2.50
TABLET = np.round(0.05 + 0.15 * np.arange(21), 2)
LOG_H = BARE_LOG_H - TABLET

# Printed with the plate, steps 1 to 21.
DENSITIES = np.array(
    [
        *(1.8305, 1.7974, 1.7498, 1.6871, 1.6110, 1.5249, 1.4320),
        *(1.3349, 1.2353, 1.1343, 1.0326, 0.9305, 0.8284, 0.7265),
        *(0.6253, 0.5258, 0.4297, 0.3401, 0.2616, 0.1993, 0.1558),
    ]
)


def density(log_h: ArrayLike) -> Floats:
    x = np.asarray(log_h, np.float64)
    rise = np.logaddexp(0.0, 5 * (x - XT)) / 5 - np.logaddexp(0.0, 4 * (x - XS)) / 4
    return np.asarray(0.10 + G * rise)


def dense_log_h() -> Floats:
    """The whole curve, a reading each hundredth: interpolation leaves no error worth naming."""
    return np.arange(-250, 401) / 100
