"""Even patches in a row: the first sight of a step tablet, wherever and however it lies.

A tablet shows as a row of even patches of one size, side by side at one spacing, each denser than
the one before. The patches are found as regions without slope on a reduced picture; no increment
of density is assumed, so a wedge compressed by an emulsion's curve is found as well.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

Floats = NDArray[np.float32]
Doubles = NDArray[np.float64]

FLOOR = 3e-4  # added to transmittance before the logarithm: noise about zero stays finite
SLOPES = (0.03, 0.015, 0.007)  # D a pixel: what still counts as even, coarse to fine
_LEAST_AREA = 24  # pixels of a patch
_LARGEST_SHARE = 0.04  # of the picture
_ALIKE = 1.35  # ratio of the sizes of neighbouring patches
_FULL = (0.75, 1.12)  # area over that of a rectangle of the same moments
_LEAST_CHAIN = 3


@dataclass(frozen=True, slots=True, eq=False)
class Chain:
    """Even patches in a row.

    Attributes
    ----------
    first : ndarray of float64, shape (2,)
        Middle of the first patch, ``(row, column)``.
    step : ndarray of float64, shape (2,)
        From one middle to the next.
    half_width : float
        Half the patches' extent across the row, pixels.
    count : int
        Patches, gaps included.
    """

    first: Doubles
    step: Doubles
    half_width: float
    count: int
    range: float


@dataclass(frozen=True, slots=True, eq=False)
class _Patches:
    """Regions without slope: middle, second moments, mean density."""

    centre: Doubles  # (K, 2)
    spread: Doubles  # (K, 2, 2)
    density: Doubles  # (K,)

    def extent(self, k: int, along: Doubles) -> float:
        """Return the length of a patch along a direction, were it a rectangle."""
        return float(np.sqrt(12 * (along @ self.spread[k] @ along) + 1))


def log_density(transmittance: Floats) -> Floats:
    """Return ``-log10(T + FLOOR)`` with noise below zero cut off."""
    lit = np.maximum(transmittance, 0) + np.float32(FLOOR)
    return np.asarray(-np.log10(lit), np.float32)


def find_chains(small: Floats, *, keep: int = 6) -> list[Chain]:
    """Return the most promising rows of patches, best first.

    Parameters
    ----------
    small : ndarray of float32, shape (m, n)
        Reduced transmittance.
    """
    specks_off = cv2.medianBlur(log_density(small), 3)
    smooth = np.asarray(cv2.GaussianBlur(specks_off, (0, 0), 0.8), np.float32)
    across = cv2.Sobel(smooth, cv2.CV_32F, 1, 0, scale=1 / 8)
    down = cv2.Sobel(smooth, cv2.CV_32F, 0, 1, scale=1 / 8)
    slope = cv2.magnitude(across, down)
    chains: list[Chain] = []
    for limit in SLOPES:
        patches = _patches(smooth, np.asarray(slope < limit))
        chains += _chains_of(patches)
    chains.sort(key=lambda chain: (-chain.count, -chain.range))
    distinct: list[Chain] = []
    for chain in chains:
        if not any(_same_row(chain, other) for other in distinct):
            distinct.append(chain)
        if len(distinct) == keep:
            break
    return distinct


def _patches(smooth: Floats, even: NDArray[np.bool_]) -> _Patches:
    count, labels, stats, centres = cv2.connectedComponentsWithStats(
        even.view(np.uint8), connectivity=4
    )
    area = stats[:, cv2.CC_STAT_AREA].astype(np.float64)
    fits = (area >= _LEAST_AREA) & (area <= _LARGEST_SHARE * even.size)
    fits[0] = False
    rows, cols = np.nonzero(fits[labels])
    which = np.asarray(labels[rows, cols], np.intp)
    dy = rows - centres[which, 1]
    dx = cols - centres[which, 0]
    moments = [
        np.bincount(which, v, count) / np.maximum(area, 1) for v in (dy * dy, dy * dx, dx * dx)
    ]
    spread = np.stack([np.stack(moments[:2], -1), np.stack(moments[1:], -1)], -1)
    full = area / np.maximum(12 * np.sqrt(np.maximum(np.linalg.det(spread), 1e-9)), 1e-9)
    density = np.bincount(which, smooth[rows, cols], count) / np.maximum(area, 1)
    good = np.flatnonzero(fits & (full > _FULL[0]) & (full < _FULL[1]))
    return _Patches(centres[good][:, ::-1].astype(np.float64), spread[good], density[good])


def _chains_of(patches: _Patches) -> Iterator[Chain]:
    if len(patches.density) < _LEAST_CHAIN:
        return
    tree = cKDTree(patches.centre)
    longest = np.sqrt(12 * np.linalg.eigvalsh(patches.spread)[:, 1])
    done: set[tuple[int, int]] = set()
    for start in range(len(patches.density)):
        for other in tree.query_ball_point(patches.centre[start], 1.6 * longest[start] + 8):
            if other == start or (start, other) in done or not _neighbours(patches, start, other):
                continue
            row = _follow(patches, tree, start, other)
            done.update(pairwise(row))
            if len(row) >= _LEAST_CHAIN:
                yield _chain(patches, row)


def _neighbours(patches: _Patches, one: int, other: int) -> bool:
    """Tell whether ``other`` may be the next, denser step after ``one``."""
    apart = patches.centre[other] - patches.centre[one]
    pitch = float(np.hypot(*apart))
    rise = patches.density[other] - patches.density[one]
    if not 0.01 < rise < 0.8 or pitch < 4:
        return False
    along = apart / pitch
    across = np.array([-along[1], along[0]])
    lengths = [patches.extent(k, along) for k in (one, other)]
    widths = [patches.extent(k, across) for k in (one, other)]
    if max(lengths) > _ALIKE * min(lengths) or max(widths) > _ALIKE * min(widths):
        return False
    gap = pitch - sum(lengths) / 2  # the slope between two steps, and what smoothing adds
    turned = max(abs(along @ patches.spread[k] @ across) for k in (one, other))
    return -1 < gap < max(8.0, 0.5 * pitch) and turned * 12 < 0.35 * max(lengths) * max(widths)


def _follow(patches: _Patches, tree: cKDTree, start: int, other: int) -> list[int]:
    row = [start, other]
    while True:
        pitch = (patches.centre[row[-1]] - patches.centre[row[0]]) / (len(row) - 1)
        reach = 0.2 * float(np.hypot(*pitch))
        near = tree.query_ball_point(patches.centre[row[-1]] + pitch, reach)
        near = [k for k in near if k not in row and _neighbours(patches, row[-1], k)]
        if not near:
            return row
        aim = patches.centre[row[-1]] + pitch
        row.append(min(near, key=lambda k: float(np.hypot(*(patches.centre[k] - aim)))))


def _chain(patches: _Patches, row: list[int]) -> Chain:
    places = np.arange(len(row))
    fit = np.polyfit(places, patches.centre[row], 1)
    along = fit[0] / np.hypot(*fit[0])
    across = np.array([-along[1], along[0]])
    return Chain(
        first=fit[1],
        step=fit[0],
        half_width=float(np.median([patches.extent(k, across) for k in row])) / 2,
        count=len(row),
        range=float(patches.density[row[-1]] - patches.density[row[0]]),
    )


def _same_row(one: Chain, other: Chain) -> bool:
    """Tell whether two chains are parts of one row."""
    pitch = float(np.hypot(*one.step))
    if np.hypot(*(one.step - other.step)) > 0.1 * pitch:
        return False
    along = one.step / pitch
    middle = other.first + other.step * (other.count - 1) / 2 - one.first
    off = abs(middle[0] * -along[1] + middle[1] * along[0])
    at = float(middle @ along) / pitch
    return bool(off < one.half_width and -1 < at < one.count)
