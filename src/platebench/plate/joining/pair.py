"""Which tiles of a plate overlap, and which places show the same: features, paired.

All pairs are tried, so the order of the captures does not matter. Features are those of D. G. Lowe
("Distinctive image features from scale-invariant keypoints", Int. J. Computer Vision, 2004), found
where detail stands out of its surroundings, so that a bald sky is paired by its grain and specks.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from platebench.plate.densities import transmittance_of_codes

Doubles = NDArray[np.float64]
Codes = NDArray[np.uint16]

LONG_SIDE = 1500  # of the picture features are found in
LEAST_PAIRED = 12  # places of two tiles that agree
_FEATURES = 1500  # a tile
_RATIO = 0.8  # of the nearest feature's distance to the next one's
_NEAR = 3.0  # pixels of the reduced picture
_SCALE, _TURN = 0.03, 6.0  # by which tiles of one plate may differ; degrees
_KEPT = 200  # places of a pair that go into the fit
_FLOOR = 0.003  # transmittance below which all is alike
_FINE, _WIDE = 6.0, 18.0  # sigma of what is taken off, and over which it is levelled, pixels


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Features:
    """What a tile can be known again by.

    Attributes
    ----------
    places : ndarray of float64, shape (n, 2)
        ``(x, y)`` in pixels of the tile.
    marks : ndarray of float32, shape (n, 128)
    factor : float
        Pixels of the tile for one of the picture they were found in.
    shape : (int, int)
        Rows and columns of the tile.
    """

    places: Doubles
    marks: NDArray[np.float32]
    factor: float
    shape: tuple[int, int]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Link:
    """Places of two tiles that show the same place of the plate.

    Attributes
    ----------
    one, other : int
        Which tiles.
    here, there : ndarray of float64, shape (n, 2)
        ``(x, y)`` in either tile.
    weight : ndarray of float64, shape (n,)
        How far each is trusted.
    support : int
        Places that agreed, those that are not kept too.
    """

    one: int
    other: int
    here: Doubles
    there: Doubles
    weight: Doubles
    support: int


def grey_codes(codes: Codes) -> Codes:
    """Return one code a pixel: of colours, the green."""
    return codes if codes.ndim == 2 else codes[..., 1]


def features_of(codes: Codes, *, long_side: int = LONG_SIDE) -> Features:
    """Return the features of a tile.

    Parameters
    ----------
    codes : ndarray of uint16, shape (M, N) or (M, N, 3)
        Codes of its transmittance.
    """
    rows, columns = codes.shape[:2]
    block = max(1, round(max(rows, columns) / long_side))
    small = _reduced(codes, block)
    finder = cv2.SIFT.create(nfeatures=_FEATURES, contrastThreshold=0.01, edgeThreshold=20)
    points, marks = finder.detectAndCompute(_levelled(small), None)
    places = np.array([point.pt for point in points], np.float64).reshape(-1, 2)
    if marks is None:
        marks = np.empty((0, 128), np.float32)
    return Features(
        places=(places + 0.5) * block - 0.5,
        marks=np.asarray(marks, np.float32),
        factor=float(block),
        shape=(rows, columns),
    )


def _reduced(codes: Codes, block: int) -> NDArray[np.float32]:
    """Return transmittance, means over blocks; a few rows of the codes at a time."""
    rows, columns = codes.shape[0] // block, codes.shape[1] // block
    small = np.empty((rows, columns), np.float32)
    light = transmittance_of_codes().astype(np.float32)
    step = max(1, 512 // block)
    for top in range(0, rows, step):
        bottom = min(top + step, rows)
        part = grey_codes(codes[top * block : bottom * block, : columns * block])
        small[top:bottom] = cv2.resize(
            light[part], (columns, bottom - top), interpolation=cv2.INTER_AREA
        )
    return small


def _levelled(small: NDArray[np.float32]) -> NDArray[np.uint8]:
    """Return detail over its surroundings' own contrast, in 8 bits."""
    density = np.log10(np.maximum(small, 0) + np.float32(_FLOOR))
    detail = density - cv2.GaussianBlur(density, (0, 0), _FINE)
    contrast = np.sqrt(cv2.GaussianBlur(detail * detail, (0, 0), _WIDE)) + np.float32(1e-4)
    return np.asarray(np.clip(128 + 32 * detail / contrast, 0, 255), np.uint8)


def links_between(features: Sequence[Features]) -> list[Link]:
    """Return the pairs of tiles that overlap, all pairs tried."""
    links = []
    for one in range(len(features)):
        for other in range(one + 1, len(features)):
            link = _link(one, other, features[one], features[other])
            if link is not None:
                links.append(link)
    return links


def _link(one: int, other: int, first: Features, second: Features) -> Link | None:
    if min(len(first.places), len(second.places)) < LEAST_PAIRED:
        return None
    mine, theirs = _alike(first.marks, second.marks)
    if len(mine) < LEAST_PAIRED:
        return None
    here, there = first.places[mine], second.places[theirs]
    near = _NEAR * max(first.factor, second.factor)
    turn, kept = cv2.estimateAffinePartial2D(
        here, there, method=cv2.RANSAC, ransacReprojThreshold=near, maxIters=4000, confidence=0.999
    )
    if turn is None:
        return None
    inside = np.asarray(kept).ravel() > 0
    scale = float(np.hypot(turn[0, 0], turn[1, 0]))
    degrees = abs(float(np.degrees(np.arctan2(turn[1, 0], turn[0, 0]))))
    if inside.sum() < LEAST_PAIRED or abs(scale - 1) > _SCALE or degrees > _TURN:
        return None
    chosen = _spread_out(here[inside], first.shape)
    here, there = here[inside][chosen], there[inside][chosen]
    return Link(
        one=one,
        other=other,
        here=here,
        there=there,
        weight=np.ones(len(here)),
        support=int(inside.sum()),
    )


def _alike(
    first: NDArray[np.float32], second: NDArray[np.float32]
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Return features that are each other's nearest, and far nearer than the next one.

    One product of matrices is several times faster than OpenCV's matcher.
    """
    apart = first @ second.T
    apart *= -2
    apart += np.square(second).sum(axis=1)
    nearest = apart.argmin(axis=1)
    mine = np.arange(len(first))
    back = apart.argmin(axis=0)
    best = apart[mine, nearest]
    apart[mine, nearest] = np.inf
    own = np.square(first).sum(axis=1)
    good = best + own < _RATIO**2 * (apart.min(axis=1) + own)
    good &= back[nearest] == mine
    return mine[good], nearest[good]


def _spread_out(places: Doubles, shape: tuple[int, int]) -> NDArray[np.intp]:
    """Return which places to keep, at most ``_KEPT``: by turns from all cells."""
    side = max(shape) / 24
    cells = np.floor(places / side).astype(int)
    keys = cells[:, 1] * 1000 + cells[:, 0]
    order = np.argsort(keys, kind="stable")
    starts = np.r_[True, np.diff(keys[order]) != 0]
    firsts = np.maximum.accumulate(np.where(starts, np.arange(len(order)), 0))
    within = np.arange(len(order)) - firsts
    return np.sort(order[np.argsort(within, kind="stable")[:_KEPT]])
