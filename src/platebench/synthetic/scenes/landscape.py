"""A lake among wooded hills, after the manner of blue-sensitive plates: the sky all white."""

from __future__ import annotations

from itertools import pairwise

import cv2
import numpy as np

from platebench.synthetic.scenes.brushes import (
    Canvas,
    Plane,
    Rng,
    dab,
    noise,
    over,
    painted,
    places,
    ridge,
    smooth_step,
    soften,
    stroke,
)


def landscape(shape: tuple[int, int]) -> Plane:
    """Return a lake among wooded hills, a cottage on the far bank, a tree in front."""
    rng = np.random.default_rng(1903)
    y, _ = places(shape)
    width = shape[1] / shape[0]
    picture = cloudy_sky(shape, rng)
    water = 0.62
    for level, rise, size, light, haze in (
        (0.40, 0.070, 0.9, 0.42, 0.80),
        (0.475, 0.050, 0.6, 0.30, 0.50),
        (0.545, 0.040, 0.45, 0.17, 0.20),
    ):
        line = level - rise * ridge(shape[1], shape[0], rng, size=size)
        line += np.float32(0.006 * (1 - haze)) * ridge(shape[1], shape[0], rng, size=0.02)
        woods = noise(shape, rng, size=0.016, octaves=4, fall=0.8, stretch=1.2)
        slope = noise(shape, rng, size=0.35, octaves=4)
        body = np.float32(light) * np.exp(
            np.float32(0.42 * (1 - 0.7 * haze)) * woods + np.float32(0.10) * slope
        )
        mist = np.float32(haze) * smooth_step(0.0, 0.16, y - line[None, :]) * np.float32(0.35)
        body = body + mist * (np.float32(0.75) - body)
        picture = over(picture, body, smooth_step(-0.0012, 0.0012, y - line[None, :]))
    picture = _cottage(picture, (water - 0.012, 0.66 * width))
    picture = _far_trees(picture, rng, water)
    picture = _mirrored_water(picture, rng, water)
    picture = _big_tree(picture, rng, (0.97, 0.13 * width), 0.30)
    return _near_bank(picture, rng)


def cloudy_sky(shape: tuple[int, int], rng: Rng) -> Plane:
    """Return a sky that a blue-sensitive plate shows nearly white."""
    y, _ = places(shape)
    clouds = noise(shape, rng, size=0.5, octaves=6, stretch=2.2)
    sky = np.float32(0.95) + np.float32(0.06) * clouds + np.float32(0.12) * y
    return np.asarray(np.clip(sky, 0.6, 1.3), np.float32)


def _cottage(picture: Plane, at: tuple[float, float]) -> Plane:
    y0, x0 = at
    parts = (
        ([(0, -0.040), (-0.034, -0.040), (-0.034, 0.030), (0, 0.030)], 0.92),
        ([(0, 0.030), (-0.034, 0.030), (-0.056, 0.044), (-0.034, 0.058), (0, 0.058)], 0.60),
        ([(-0.032, -0.044), (-0.056, -0.030), (-0.057, 0.044), (-0.032, 0.029)], 0.24),
        ([(-0.055, -0.015), (-0.070, -0.015), (-0.070, -0.007), (-0.055, -0.007)], 0.35),
        ([(0, -0.010), (-0.020, -0.010), (-0.020, -0.001), (0, -0.001)], 0.10),
        ([(-0.012, -0.030), (-0.022, -0.030), (-0.022, -0.021), (-0.012, -0.021)], 0.10),
        ([(-0.012, 0.010), (-0.022, 0.010), (-0.022, 0.019), (-0.012, 0.019)], 0.10),
        ([(-0.012, 0.040), (-0.022, 0.040), (-0.022, 0.048), (-0.012, 0.048)], 0.08),
    )
    for outline, light in parts:
        shifted = [(y0 + dy, x0 + dx) for dy, dx in outline]
        picture = over(picture, light, painted(picture.shape, [shifted]))
    return picture


def _foliage(
    canvas: Canvas,
    mask: Canvas,
    rng: Rng,
    centre: tuple[float, float],
    radius: float,
    count: int,
    leaf: float,
    tones: tuple[int, int],
) -> None:
    """Paint a cluster of leaves, dark below and at the left, light above and at the right."""
    for _ in range(count):
        angle, reach = rng.uniform(0, 2 * np.pi), radius * np.sqrt(rng.uniform())
        dy, dx = reach * np.sin(angle) * 0.8, reach * np.cos(angle)
        light = 0.5 + 0.5 * (0.7 * dx - dy) / radius + rng.normal(0, 0.22)
        value = int(np.clip(tones[0] + (tones[1] - tones[0]) * light, 0, 255))
        size = leaf * rng.uniform(0.5, 1.4)
        turn = float(rng.uniform(0, 180))
        at = (centre[0] + dy, centre[1] + dx)
        dab(canvas, at, (size, size * 0.55), turn, value)
        dab(mask, at, (size, size * 0.55), turn, 255)


def _far_trees(picture: Plane, rng: Rng, water: float) -> Plane:
    rows, cols = picture.shape
    canvas, mask = np.zeros((rows, cols), np.uint8), np.zeros((rows, cols), np.uint8)
    width = cols / rows
    for _ in range(46):
        at = rng.uniform(0, width)
        if abs(at - 0.66 * width) < 0.085:
            continue
        tall = rng.uniform(0.018, 0.05)
        for layer in range(4):
            centre = (water - tall * (0.35 + 0.2 * layer), at + rng.normal(0, tall * 0.18))
            _foliage(canvas, mask, rng, centre, tall * (0.5 - 0.08 * layer), 60, 0.0018, (62, 118))
    return over(picture, np.square(canvas.astype(np.float32) / 255), mask)


def _mirrored_water(picture: Plane, rng: Rng, water: float) -> Plane:
    rows, cols = picture.shape
    y, x = places((rows, cols))
    depth = y - np.float32(water)
    ripple = noise((rows, cols), rng, size=0.05, octaves=5, fall=0.7, stretch=7)
    breeze = smooth_step(0.2, 1.4, noise((rows, cols), rng, size=0.5, octaves=3, stretch=6))
    grow = np.clip(depth, 0, None)
    wobble = ripple * (np.float32(0.0015) + np.float32(0.03) * grow)
    source = (np.float32(water) - grow * np.float32(1.05) + wobble) * rows - 0.5
    across = (x + ripple * np.float32(0.002)) * rows - 0.5 + np.zeros_like(depth)
    mirror = cv2.remap(
        soften(picture, 0.0012),
        across.astype(np.float32),
        source.astype(np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REFLECT,
    )
    mirror = mirror * np.float32(0.72) + np.float32(0.02)
    mirror = over(mirror, 0.62 * np.exp(0.15 * ripple), breeze * np.float32(0.55))
    edge = np.exp(-((depth / 0.003) ** 2)) * np.float32(0.5)
    return over(picture, over(mirror, 0.10, edge), smooth_step(-0.001, 0.001, depth + 0 * x))


def _near_bank(picture: Plane, rng: Rng) -> Plane:
    rows, cols = picture.shape
    y, x = places((rows, cols))
    width = cols / rows
    line = 0.90 + 0.10 * smooth_step(0.15 * width, 0.75 * width, x)[0]
    line = line + np.float32(0.012) * ridge(cols, rows, rng, size=0.25)
    turf = np.float32(0.11) * np.exp(
        np.float32(0.35) * noise((rows, cols), rng, size=0.02, octaves=4, stretch=0.5)
    )
    picture = over(picture, turf, smooth_step(-0.002, 0.004, y - line[None, :]))
    canvas, mask = np.zeros((rows, cols), np.uint8), np.zeros((rows, cols), np.uint8)
    for _ in range(1500):
        col = rng.uniform(0, width)
        foot = line[min(int(col * rows), cols - 1)] + rng.uniform(0.0, 0.11)
        tall = rng.uniform(0.012, 0.035) * (0.7 + 5 * max(foot - 0.9, 0))
        lean = rng.normal(0.15, 0.35) * tall
        blade = [(foot, col), (foot - 0.6 * tall, col + 0.3 * lean), (foot - tall, col + lean)]
        value = int(np.clip(rng.normal(88, 28), 35, 190))
        stroke(canvas, blade, 0.0011, value)
        stroke(mask, blade, 0.0011, 255)
    return over(picture, np.square(canvas.astype(np.float32) / 255), mask)


def _big_tree(picture: Plane, rng: Rng, foot: tuple[float, float], trunk: float) -> Plane:
    rows, cols = picture.shape
    canvas, mask = np.zeros((rows, cols), np.uint8), np.zeros((rows, cols), np.uint8)
    twigs: list[tuple[float, float]] = []

    def grow(
        at: tuple[float, float], angle: float, length: float, thick: float, depth: int
    ) -> None:
        line, heading = [at], angle
        for _ in range(4):
            heading += rng.normal(0, 0.09)
            y0, x0 = line[-1]
            line.append((y0 - length / 4 * np.cos(heading), x0 + length / 4 * np.sin(heading)))
        for shift, share, value in ((0, 1, 46), (0.16, 0.66, 64), (0.30, 0.34, 92)):
            for piece, ends in enumerate(pairwise(line)):
                wide = thick * (1 - 0.11 * piece)
                stroke(canvas, [(p[0], p[1] + wide * shift) for p in ends], wide * share, value)
                stroke(mask, ends, wide)
        twigs.extend(line[2:] if depth <= 2 else [])
        if depth == 0:
            return
        for fork in np.linspace(-1, 1, 3 if depth > 1 else 2):
            turn = heading + 0.52 * fork + rng.normal(0, 0.16)
            grow(line[-1], turn, length * rng.uniform(0.58, 0.80), thick * 0.55, depth - 1)

    grow(foot, 0.06, trunk, 0.034, 4)
    for twig in twigs:
        _foliage(canvas, mask, rng, twig, 0.036, 60, 0.0030, (32, 108))
    bark = np.exp(np.float32(0.22) * noise((rows, cols), rng, size=0.02, octaves=4, stretch=0.25))
    tree = np.square(canvas.astype(np.float32) / 255) * bark
    return over(picture, tree, mask)
