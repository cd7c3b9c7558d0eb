"""The same places in two tiles to hundredths of a pixel, and how their light compares.

Windows all over every overlap are cut out of both tiles by the layout so far: turned by a degree,
grain would not match. Phase correlation (C. D. Kuglin and D. C. Hines, Proc. IEEE Int. Conf.
Cybernetics and Society, 1975) finds the rough shift, least squares on the slopes (B. D. Lucas and
T. Kanade, Proc. IJCAI, 1981; both from memory) the rest, with its error.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from platebench.plate.densities import TOP_TRANSMITTANCE
from platebench.plate.joining.fit import Layout
from platebench.plate.joining.pair import Link, grey_codes

Doubles = NDArray[np.float64]
Floats = NDArray[np.float32]
Codes = NDArray[np.uint16]

_WINDOWS = 24  # of a pair, about
_REACH = 6.0  # pixels that a window may be off, at least
_BLUR = 1.2  # pixels; slopes of what is finer are noise
_ALIKE = 0.35  # correlation below which two windows do not show the same
_STRUCTURE = 0.55  # of the contrast of detail left by a blur three times as wide; of noise a third
_LEAST_DETAIL = 0.015  # of that contrast, natural logarithm of the root of light
_FLOOR = 0.04  # pixels; no window is trusted more than this
_KIN = 4 * math.pi * _BLUR**2  # pixels that share their noise, blurred so


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Overlap:
    """What two tiles show of the same part of the plate, window by window.

    Attributes
    ----------
    link : Link
        Middles of the windows that match.
    light : ndarray of float64, shape (n, 2)
        Mean transmittance in either tile.
    clear, missed : int
        Windows with detail that cannot be noise, and those of them that do not match.
    """

    link: Link
    light: Doubles
    clear: int
    missed: int


def window_side(shape: tuple[int, int]) -> int:
    """Return the side of a window in pixels."""
    return min(max(max(shape) // 20 // 8 * 8, 40), 128)


def compare_overlaps(layout: Layout, tiles: Sequence[Codes]) -> list[Overlap]:
    """Return what every two tiles that overlap by the layout show of each other."""
    found = []
    for one in range(len(tiles)):
        for other in range(one + 1, len(tiles)):
            centres = _centres(layout, one, other)
            if len(centres):
                found.append(_compared(layout, tiles, (one, other), centres))
    return found


def inside(places: Doubles, shape: tuple[int, int], margin: float) -> NDArray[np.bool_]:
    """Return which places ``(x, y)`` lie in a tile, so far from its rim."""
    last = np.array([shape[1] - 1, shape[0] - 1]) - margin
    return np.asarray(((places >= margin) & (places <= last)).all(axis=1))


def _centres(layout: Layout, one: int, other: int) -> Doubles:
    """Return the middles of windows, places on the plate, that lie in both tiles."""
    shape = layout.shapes[one]
    side = window_side(shape)
    margin = side / 2 + 3
    xs = np.arange(margin, shape[1] - margin, side / 4)
    ys = np.arange(margin, shape[0] - margin, side / 4)
    grid = np.stack(np.meshgrid(xs, ys), axis=-1).reshape(-1, 2)
    if not len(grid):
        return np.empty((0, 2))
    plate = np.rint(layout.to_plate(one, grid))
    kept = inside(layout.to_tile(other, plate), layout.shapes[other], margin)
    plate = plate[kept]
    if not len(plate):
        return plate
    step = max(side / 2, math.sqrt(len(plate) * (side / 4) ** 2 / _WINDOWS))
    cells = np.floor((plate - plate.min(axis=0)) / step).astype(int)
    _, first = np.unique(cells[:, 0] * 100_000 + cells[:, 1], return_index=True)
    return np.asarray(plate[np.sort(first)])


def _compared(
    layout: Layout, tiles: Sequence[Codes], pair: tuple[int, int], centres: Doubles
) -> Overlap:
    one, other = pair
    side = window_side(layout.shapes[one])
    reach = max(_REACH, side / 12)
    rows, clear, missed = [], 0, 0
    hanning = cv2.createHanningWindow((side, side), cv2.CV_32F)
    for centre in centres:
        first = cut_out(layout, one, tiles[one], centre, side)
        second = cut_out(layout, other, tiles[other], centre, side)
        if first is None or second is None:
            continue
        plain = _has_detail(first) or _has_detail(second)
        clear += plain
        # OpenCV multiplies what it is given by the window, in place.
        guess, _ = cv2.phaseCorrelate(_levelled(first), _levelled(second), hanning)
        shift = np.array(guess)
        error, alike, moved = math.inf, 0.0, second
        for _ in range(3 if np.hypot(*shift) <= reach else 0):
            again = cut_out(layout, other, tiles[other], centre + shift, side)
            if again is None:
                break
            moved = again
            step, error, alike = _step(first, moved)
            shift = shift + step
            if np.hypot(*step) < 0.02:
                break
        if alike < _ALIKE or np.hypot(*shift) > reach:
            missed += plain
            continue
        rows.append([*centre, *shift, 1 / (1 + (error / _FLOOR) ** 2), *_mean_light(first, moved)])
    table = np.array(rows, np.float64).reshape(-1, 7)
    return Overlap(
        link=Link(
            one=one,
            other=other,
            here=layout.to_tile(one, table[:, :2]),
            there=layout.to_tile(other, table[:, :2] + table[:, 2:4]),
            weight=table[:, 4],
            support=len(table),
        ),
        light=table[:, 5:],
        clear=clear,
        missed=missed,
    )


def cut_out(layout: Layout, tile: int, codes: Codes, centre: Doubles, side: int) -> Floats | None:
    """Return the codes of a square of the plate as a tile shows it; None where it leaves the tile.

    Over a window the layout is as good as an affine map.
    """
    ends = np.array([-1.0, 0.0, 1.0]) * (side - 1) / 2
    steps = np.stack(np.meshgrid(ends, ends), axis=-1).reshape(-1, 2)
    there = layout.to_tile(tile, centre + steps)
    solved, *_ = np.linalg.lstsq(np.hstack([steps, np.ones((9, 1))]), there, rcond=None)
    low = np.floor(there.min(axis=0)).astype(int) - 4
    high = np.ceil(there.max(axis=0)).astype(int) + 5
    shape = layout.shapes[tile]
    low, high = np.maximum(low, 0), np.minimum(high, [shape[1], shape[0]])
    if (there < -0.5).any() or (there > np.array([shape[1], shape[0]]) - 0.5).any():
        return None
    part = grey_codes(codes[low[1] : high[1], low[0] : high[0]]).astype(np.float32)
    matrix = np.empty((2, 3))
    matrix[:, :2] = solved[:2].T
    matrix[:, 2] = solved[2] - low - solved[:2].T @ np.full(2, (side - 1) / 2)
    flags = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
    window = cv2.warpAffine(
        part, matrix, (side, side), flags=flags, borderMode=cv2.BORDER_REPLICATE
    )
    return np.asarray(window, np.float32)


def _has_detail(window: Floats) -> bool:
    """Tell whether a window shows more than noise and grain, which a wider blur takes away."""
    light = np.log(np.maximum(window, 0) + np.float32(500))
    spreads = []
    for sigma in (_BLUR, 3 * _BLUR):
        soft = cv2.GaussianBlur(light, (0, 0), sigma)
        spreads.append(float((soft - cv2.GaussianBlur(light, (0, 0), 8 * _BLUR)).std()))
    return spreads[1] > max(_STRUCTURE * spreads[0], _LEAST_DETAIL)


def _levelled(window: Floats) -> Floats:
    """Return detail of a window over its own contrast; an array of its own."""
    light = np.log(np.maximum(window, 0) + np.float32(500))
    detail = light - cv2.GaussianBlur(light, (0, 0), 6.0)
    return np.asarray(detail / (float(detail.std()) + 1e-6), np.float32)


def _step(first: Floats, second: Floats) -> tuple[Doubles, float, float]:
    """Return the shift that is left, its standard error, and how alike two windows are."""
    rim = 4
    one, two = (
        cv2.GaussianBlur(np.log(np.maximum(w, 0) + np.float32(500)), (0, 0), _BLUR)
        for w in (first, second)
    )
    one, two = (w - cv2.GaussianBlur(w, (0, 0), 8 * _BLUR) for w in (one, two))
    mean = (one + two) / 2
    across = cv2.Sobel(mean, cv2.CV_32F, 1, 0, scale=1 / 8)[rim:-rim, rim:-rim].ravel()
    down = cv2.Sobel(mean, cv2.CV_32F, 0, 1, scale=1 / 8)[rim:-rim, rim:-rim].ravel()
    a, b = (w[rim:-rim, rim:-rim].ravel().astype(np.float64) for w in (one, two))
    alike = float(np.corrcoef(a, b)[0, 1]) if a.std() > 0 and b.std() > 0 else 0.0
    slopes = np.stack([across, down], axis=1).astype(np.float64)
    normal = slopes.T @ slopes
    if np.linalg.det(normal) <= 1e-12 * np.trace(normal) ** 2 or not np.trace(normal):
        return np.zeros(2), math.inf, alike
    off = a - b  # b(x) = a(x - d): b - a = -slope d
    step = np.linalg.solve(normal, slopes.T @ off)
    rest = off - slopes @ step
    spread = np.linalg.inv(normal) * float(rest @ rest) / len(a) * _KIN
    return np.asarray(step), math.sqrt(float(np.linalg.eigvalsh(spread)[-1])), alike


def _mean_light(first: Floats, second: Floats) -> tuple[float, float]:
    scale = math.sqrt(TOP_TRANSMITTANCE) / 65535
    one, other = (float(np.square(w.astype(np.float64) * scale).mean()) for w in (first, second))
    return one, other


def log_gains(count: int, overlaps: Sequence[Overlap]) -> Doubles:
    """Return the logarithm of each tile's light over the mean of all, shape (n,).

    Logarithms with mean 0: a plain fit of gains makes them all smaller, and the plate denser.
    Bright windows count more, since glare and noise move dark ones.
    """
    one = np.concatenate([np.full(len(o.light), o.link.one) for o in overlaps])
    other = np.concatenate([np.full(len(o.light), o.link.other) for o in overlaps])
    light = np.maximum(np.concatenate([o.light for o in overlaps]), 1e-5)
    step = np.log(light[:, 0] / light[:, 1])
    weight = light.mean(axis=1) / (light.mean(axis=1) + 0.02)
    system = np.zeros((len(step) + 1, count))
    system[np.arange(len(step)), one] = 1
    system[np.arange(len(step)), other] = -1
    system[-1] = 1
    wanted = np.append(step, 0.0)
    trust = np.ones(len(step))
    gains = np.zeros(count)
    for _ in range(12):
        rows = np.sqrt(np.append(weight * trust, 1.0))
        gains = np.linalg.lstsq(system * rows[:, None], wanted * rows, rcond=None)[0]
        trust = 1 / np.sqrt(1 + np.square((step - gains[one] + gains[other]) / 0.003))
    return np.asarray(gains - gains.mean())
