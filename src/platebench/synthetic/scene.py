"""Procedural pictures for plates."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Plane = NDArray[np.float32]


SCENES: tuple[str, ...] = ("landscape",)


def make_scene(name: str, shape: tuple[int, int]) -> Plane:
    """Return relative luminances, 1 = white."""
    y, x = np.mgrid[0 : 1 : shape[0] * 1j, 0 : 1 : shape[1] * 1j]
    hills = 0.45 + 0.08 * np.sin(7 * x + 1) + 0.03 * np.sin(23 * x)
    picture = np.where(y < hills, 0.9 - 0.5 * y, 0.05 + 0.25 * y * (1 + np.sin(40 * x * y)) / 2)
    return np.asarray(picture, np.float32)
