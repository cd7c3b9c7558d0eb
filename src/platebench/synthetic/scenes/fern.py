"""A pressed fern with two grasses, mounted on paper."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from platebench.synthetic.scenes.brushes import (
    Plane,
    Rng,
    noise,
    over,
    painted,
    soften,
    stroke,
    sunlit,
)


def fern(shape: tuple[int, int]) -> Plane:
    """Return a pressed fern with two grasses, mounted on paper with strips and a label."""
    rng = np.random.default_rng(1843)
    width = shape[1] / shape[0]
    paper = np.float32(0.66) * np.exp(
        np.float32(0.035) * noise(shape, rng, size=0.3, octaves=8, fall=0.75)
    )
    tone, mask = np.zeros(shape, np.uint8), np.zeros(shape, np.uint8)
    middle = 0.5 * width
    room = min(1.0, width / 1.1)  # on an upright plate everything is narrower
    _frond(tone, mask, rng, (0.93, middle - 0.02), 0.80, lean=-0.05, curl=0.20, spread=0.34 * room)
    _frond(
        tone,
        mask,
        rng,
        (0.90, middle + 0.04),
        0.44 * room,
        lean=0.62,
        curl=0.40,
        spread=0.17 * room,
    )
    _frond(
        tone,
        mask,
        rng,
        (0.91, middle - 0.06),
        0.40 * room,
        lean=-0.66,
        curl=-0.35,
        spread=0.15 * room,
    )
    for side in (-1, 1):
        _grass(tone, mask, rng, (0.92, middle + side * 0.24 * width), side * 0.17 * room)
    soft = mask.astype(np.float32) / 255
    relief = soften(soft, 0.0016) * np.float32(0.0045)
    curl = np.float32(0.0012) * noise(shape, rng, size=0.04, octaves=3) * soft
    leaves = np.square(tone.astype(np.float32) / 255)
    albedo = over(paper, leaves, mask)
    for at, lean in (((0.80, middle - 0.02), 0.1), ((0.30, middle + 0.012), -0.25)):
        strip = _oblong(at, (0.011, 0.045), lean)
        band = painted(shape, [strip])
        albedo = over(albedo, 0.74, band)
        relief = relief + np.float32(0.003) * soften(band.astype(np.float32) / 255, 0.001)
    label = painted(shape, [_oblong((0.925, width - 0.16), (0.085, 0.24), 0.012)])
    albedo = over(albedo, 0.80, label)
    relief = relief + np.float32(0.0012) * (label.astype(np.float32) / 255)
    albedo = over(albedo, 0.10, _handwriting(shape, rng, (0.903, width - 0.262), 0.20))
    return sunlit(albedo, relief + curl, sun=(-0.7, -0.7, 0.8), sky=0.35)


def _oblong(
    at: tuple[float, float], size: tuple[float, float], lean: float
) -> list[tuple[float, float]]:
    c, s = np.cos(lean), np.sin(lean)
    corners = ((-0.5, -0.5), (-0.5, 0.5), (0.5, 0.5), (0.5, -0.5))
    return [
        (
            float(at[0] + c * dy * size[0] + s * dx * size[1]),
            float(at[1] - s * dy * size[0] + c * dx * size[1]),
        )
        for dy, dx in corners
    ]


def _leaflet(
    foot: tuple[float, float], angle: float, length: float, width: float, rng: Rng
) -> list[tuple[float, float]]:
    """Return the outline of a small leaf with a toothed edge; angle 0 points up."""
    t = np.linspace(0, 1, 11)
    half = width * np.sin(np.pi * t**0.75) * (1 + 0.18 * np.cos(np.arange(11) * np.pi))
    bend = 0.10 * length * t**2 * rng.normal(0.6, 0.3)
    along = np.concatenate([t, t[::-1]]) * length
    across = np.concatenate([half + bend, (-half + bend)[::-1]])
    c, s = np.cos(angle), np.sin(angle)
    ys, xs = foot[0] - along * c + across * s, foot[1] + along * s + across * c
    return [(float(y), float(x)) for y, x in zip(ys, xs, strict=True)]


def _frond(
    tone: NDArray[np.uint8],
    mask: NDArray[np.uint8],
    rng: Rng,
    foot: tuple[float, float],
    length: float,
    *,
    lean: float,
    curl: float,
    spread: float,
) -> None:
    """Paint a twice-divided frond; ``lean`` and ``curl`` are angles, radians clockwise."""
    pairs, at, angle = int(length / 0.0235), foot, lean
    spine = [at]
    for pair in range(pairs):
        t = pair / (pairs - 1)
        step = length / pairs
        angle = lean + curl * t**1.5
        at = (at[0] - step * np.cos(angle), at[1] + step * np.sin(angle))
        spine.append(at)
        if t < 0.13:
            continue
        reach = (
            spread * np.sin(np.pi * min(0.26 + 0.80 * (t - 0.13), 1.0)) ** 1.1 * (1.03 - t) ** 0.3
        )
        for side in (-1, 1):
            _pinna(tone, mask, rng, at, angle + side * (1.32 - 0.45 * t), reach, side)
    for width, value in ((0.0050, 92), (0.0022, 150)):
        stroke(tone, spine, width, value)
        stroke(mask, spine, width)


def _pinna(
    tone: NDArray[np.uint8],
    mask: NDArray[np.uint8],
    rng: Rng,
    foot: tuple[float, float],
    angle: float,
    reach: float,
    side: int,
) -> None:
    if reach < 0.009:
        return
    count = max(int(reach / 0.0068), 3)
    droop = side * rng.normal(0.10, 0.05)
    shade = rng.normal(0, 9)
    at, line = foot, [foot]
    for number in range(count):
        t = number / count
        heading = angle + droop * t
        at = (at[0] - reach / count * np.cos(heading), at[1] + reach / count * np.sin(heading))
        line.append(at)
        size = 0.0135 * (1 - t) ** 0.6 * min(1.0, 9 * reach) + 0.0035
        for turn in (-1, 1):
            leaf = _leaflet(at, heading + turn * (1.05 - 0.3 * t), size * rng.uniform(0.85, 1.1),
                            0.0033, rng)  # fmt: skip
            value = int(np.clip(88 + 14 * turn * side + shade + rng.normal(0, 8), 40, 150))
            fixed = painted_into(tone, leaf, value)
            painted_into(mask, leaf, 255, fixed)
    stroke(tone, line, 0.0013, 128)
    stroke(mask, line, 0.0013)


def painted_into(
    canvas: NDArray[np.uint8],
    outline: Sequence[tuple[float, float]],
    value: int,
    fixed: NDArray[np.int32] | None = None,
) -> NDArray[np.int32]:
    """Paint one polygon in place; return its points in OpenCV's own units."""
    if fixed is None:
        at = np.asarray(outline, np.float64)[:, ::-1] * canvas.shape[0] * 16
        fixed = np.rint(at).astype(np.int32).reshape(-1, 1, 2)
    cv2.fillPoly(canvas, [fixed], value, cv2.LINE_AA, 4)
    return fixed


def _grass(
    tone: NDArray[np.uint8],
    mask: NDArray[np.uint8],
    rng: Rng,
    foot: tuple[float, float],
    lean: float,
) -> None:
    """Paint a grass stalk with two blades and an ear."""
    t = np.linspace(0, 1, 24)
    ys, xs = foot[0] - 0.74 * t, foot[1] + lean * t**1.7
    stalk = [(float(y), float(x)) for y, x in zip(ys, xs, strict=True)]
    stroke(tone, stalk, 0.0022, 120)
    stroke(mask, stalk, 0.0022)
    for start, turn in ((4, 0.55), (9, -0.5)):
        blade = _leaflet(stalk[start], np.sign(lean) * turn, 0.30, 0.0065, rng)
        painted_into(mask, blade, 255, painted_into(tone, blade, 104))
    tip = np.array(stalk[-8:])
    for number, at in enumerate(np.repeat(tip, 4, axis=0)):
        side = -1 if number % 2 else 1
        offset = (at[0] - 0.007 * (number % 4), at[1])
        seed = _leaflet(offset, side * 0.45 + lean, rng.uniform(0.020, 0.030), 0.0032, rng)
        painted_into(mask, seed, 255, painted_into(tone, seed, int(rng.normal(118, 14))))
        awn = [seed[5], (seed[5][0] - 0.03, seed[5][1] + side * 0.016)]
        stroke(tone, awn, 0.0009, 105)
        stroke(mask, awn, 0.0009)


def _handwriting(
    shape: tuple[int, int], rng: Rng, at: tuple[float, float], length: float
) -> NDArray[np.uint8]:
    """Return three lines of a pen's loops that spell nothing."""
    ink = np.zeros(shape, np.uint8)
    for line in range(3):
        x, end = at[1], at[1] + length * (1.0, 0.62, 0.8)[line]
        y0 = at[0] + 0.022 * line
        while x < end:
            word = rng.uniform(0.025, 0.06)
            t = np.linspace(0, 1, int(word * 1600))
            loops = np.cumsum(rng.normal(0, 1, t.size))
            phase = 2 * np.pi * word * 150 * t + 0.15 * loops
            tall = 0.0030 * (1 + 0.9 * (np.sin(0.23 * phase + line) > 0.75))
            points = zip(
                y0 - tall * np.sin(phase), x + word * t + 0.0022 * np.cos(phase), strict=True
            )
            stroke(ink, [(float(a), float(b)) for a, b in points], 0.0010)
            x += word + 0.012
    return ink
