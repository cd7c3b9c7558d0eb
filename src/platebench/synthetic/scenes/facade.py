"""The sunlit front of a house."""

from __future__ import annotations

import numpy as np

from platebench.synthetic.scenes.brushes import (
    Canvas,
    Plane,
    Rng,
    dab,
    noise,
    over,
    places,
    smooth_step,
    sunlit,
)
from platebench.synthetic.scenes.landscape import cloudy_sky


def facade(shape: tuple[int, int]) -> Plane:
    """Return the sunlit front of a house: ashlar and brick, bays of windows, steps, ivy."""
    rng = np.random.default_rng(1888)
    y, x = places(shape)
    width = shape[1] / shape[0]
    albedo, height = _brickwork(shape, rng, brick=(0.0135, 0.042))
    glass = np.zeros(shape, np.float32)
    ground = smooth_step(0.0, 0.002, y - np.float32(0.60)) + np.zeros_like(x)
    stone, courses = _brickwork(shape, rng, brick=(0.052, 0.13), stone=True)
    albedo, height = over(albedo, stone, ground), over(height, courses, ground)
    for at, thick, out in ((0.075, 0.030, 0.030), (0.108, 0.012, 0.016), (0.595, 0.022, 0.016)):
        band = _slab(y, at - thick / 2, at + thick / 2) + np.zeros_like(x)
        albedo, height = over(albedo, 0.62, band), over(height, out, band)
    count = 5 if width > 1.0 else 3
    reach = (0.5 - 0.5 / count) * width
    bays = np.linspace(0.5 * width - reach, 0.5 * width + reach, count)
    for number, bay in enumerate(bays):
        for row, (top, bottom) in enumerate(((0.165, 0.315), (0.385, 0.565), (0.665, 0.865))):
            if row == 2 and number == count // 2:
                continue
            half = 0.047 if row < 2 else 0.052
            albedo, height, pane = _window(
                albedo, height, (top, bottom), float(bay), half, arched=row == 1
            )
            tone = rng.uniform(0.5, 1.5)
            glass = np.maximum(glass, pane * np.float32(tone))
    albedo, height = _door(albedo, height, 0.5 * width)
    albedo, height, ivy = _ivy(albedo, height, rng, width)
    glass = glass * (ivy < 128)
    stain = noise(shape, rng, size=0.25, octaves=6, stretch=0.35)
    albedo = albedo * np.exp(np.float32(0.10) * stain)
    picture = sunlit(albedo, height, sun=(-0.9, -0.75, 1.0), sky=0.30)
    sky_in_glass = np.float32(0.10) + np.float32(0.5) * smooth_step(
        -0.3, 1.6, noise(shape, rng, size=0.16, octaves=3)
    )
    picture = over(
        picture, picture * np.float32(0.4) + sky_in_glass * glass, (glass > 0) * np.float32(0.8)
    )
    roof = smooth_step(0.0, 0.0015, np.float32(0.058) - y) + np.zeros_like(x)
    picture = over(picture, cloudy_sky(shape, rng), roof)
    street = smooth_step(0.0, 0.002, y - np.float32(0.945)) + np.zeros_like(x)
    setts, rounds = _brickwork(shape, rng, brick=(0.0095, 0.022))
    cobbles = sunlit(setts * np.float32(1.5), rounds * 2, sun=(-0.9, -0.75, 1.0), sky=0.3)
    return over(picture, cobbles, street)


def _brickwork(
    shape: tuple[int, int], rng: Rng, *, brick: tuple[float, float], stone: bool = False
) -> tuple[Plane, Plane]:
    """Return albedo and relief of a wall in running bond."""
    y, x = places(shape)
    row = np.floor(y / np.float32(brick[0]))
    along = x / np.float32(brick[1]) + np.float32(0.5) * np.mod(row, 2)
    col = np.floor(along)
    v, u = y / np.float32(brick[0]) - row, along - col
    joint = 0.0016 if not stone else 0.0022
    edge = np.minimum(np.minimum(v, 1 - v) * brick[0], np.minimum(u, 1 - u) * brick[1])
    face = smooth_step(joint * 0.3, joint, edge.astype(np.float32))
    tones = rng.normal(0, 1, (int(row.max()) + 1, int(col.max()) + 2)).astype(np.float32)
    tone = tones[row.astype(int), col.astype(int)]
    base, spread = (0.52, 0.07) if stone else (0.20, 0.16)
    grit = noise(shape, rng, size=0.01, octaves=3, fall=0.8)
    albedo = np.float32(base) * np.exp(np.float32(spread) * tone + np.float32(0.05) * grit)
    mortar = np.float32(0.42 if stone else 0.36)
    depth = np.float32(0.0035 if stone else 0.0012)
    return over(mortar + 0 * albedo, albedo, face), face * depth


def _slab(values: Plane, low: float, high: float) -> Plane:
    soft = 0.0008
    return smooth_step(low - soft, low + soft, values) * (
        1 - smooth_step(high - soft, high + soft, values)
    )


def _window(
    albedo: Plane, height: Plane, rows: tuple[float, float], at: float, half: float, *, arched: bool
) -> tuple[Plane, Plane, Plane]:
    y, x = places((albedo.shape[0], albedo.shape[1]))
    top, bottom = rows

    def opening(margin: float) -> Plane:
        low = _slab(y, top - margin, bottom + margin) * _slab(
            x, at - half - margin, at + half + margin
        )
        if not arched:
            return low
        round_top = smooth_step(
            -0.0008,
            0.0008,
            np.float32(half + margin) - np.hypot(y - np.float32(top), x - np.float32(at)),
        )
        return np.maximum(low, round_top * (y < top + 0.01))

    surround = opening(0.014)
    albedo, height = over(albedo, 0.66, surround), over(height, 0.010, surround)
    sill = _slab(y, bottom + 0.010, bottom + 0.020) * _slab(x, at - half - 0.024, at + half + 0.024)
    albedo, height = over(albedo, 0.70, sill), over(height, 0.020, sill)
    key = _slab(y, top - (half if arched else 0) - 0.024, top - (half if arched else 0) + 0.002)
    key = key * _slab(x, at - 0.010, at + 0.010)
    albedo, height = over(albedo, 0.64, key), over(height, 0.016, key)
    hole = opening(0.0)
    albedo, height = over(albedo, 0.75, hole), over(height, -0.018, hole)
    pane = np.zeros_like(hole)
    high = top - (half if arched else 0.0)
    for across in range(4):
        for down in range(4):
            y0 = high + 0.006 + (bottom - high - 0.008) * down / 4
            y1 = high + 0.002 + (bottom - high - 0.008) * (down + 1) / 4
            x0 = at - half + 0.005 + (2 * half - 0.008) * across / 4
            x1 = at - half + 0.001 + (2 * half - 0.008) * (across + 1) / 4
            light = 0.55 + 0.45 * np.sin(12.9 * across + 78.2 * down + 37.7 * at + 11 * top)
            pane = np.maximum(
                pane, _slab(y, y0, y1) * _slab(x, x0, x1) * np.float32(0.3 + 0.7 * light)
            )
    pane = pane * (opening(-0.005) > 0.5)
    albedo = over(albedo, 0.05, (pane > 0).astype(np.float32))
    return albedo, over(height, -0.024, (pane > 0).astype(np.float32)), pane


def _door(albedo: Plane, height: Plane, at: float) -> tuple[Plane, Plane]:
    y, x = places((albedo.shape[0], albedo.shape[1]))
    for side in (-1, 1):  # two columns carrying a porch
        column = at + side * 0.085
        shaft = _slab(y, 0.665, 0.905) * _slab(x, column - 0.017, column + 0.017)
        bulge = np.sqrt(np.maximum(1 - ((x - np.float32(column)) / np.float32(0.0175)) ** 2, 0))
        albedo = over(albedo, 0.70, shaft)
        height = over(height, np.float32(0.018) + np.float32(0.020) * bulge + 0 * y, shaft)
        for low, high in ((0.650, 0.668), (0.893, 0.912)):
            block = _slab(y, low, high) * _slab(x, column - 0.024, column + 0.024)
            albedo, height = over(albedo, 0.72, block), over(height, 0.042, block)
    lintel = _slab(y, 0.618, 0.652) * _slab(x, at - 0.125, at + 0.125)
    albedo, height = over(albedo, 0.68, lintel), over(height, 0.048, lintel)
    leaf = _slab(y, 0.690, 0.912) * _slab(x, at - 0.052, at + 0.052)
    albedo, height = over(albedo, 0.09, leaf), over(height, -0.020, leaf)
    for across in (-0.025, 0.025):
        for low, high in ((0.705, 0.765), (0.778, 0.838), (0.851, 0.900)):
            panel = _slab(y, low, high) * _slab(x, at + across - 0.018, at + across + 0.018)
            height = over(height, -0.023, panel)
    for step in range(3):
        tread = _slab(y, 0.910 + 0.012 * step, 0.922 + 0.012 * step)
        tread = tread * _slab(x, at - 0.13 - 0.02 * step, at + 0.13 + 0.02 * step)
        albedo, height = over(albedo, 0.60, tread), over(height, 0.03 + 0.02 * step, tread)
    return albedo, height


def _ivy(albedo: Plane, height: Plane, rng: Rng, width: float) -> tuple[Plane, Plane, Canvas]:
    shape = (albedo.shape[0], albedo.shape[1])
    tone, mask = np.zeros(shape, np.uint8), np.zeros(shape, np.uint8)
    y_at, x_at = 0.92, 0.035 * width
    stems = [(y_at, x_at + rng.normal(0, 0.02), rng.normal(0.05, 0.12)) for _ in range(26)]
    for y0, x0, lean in stems:
        at, heading = [y0, x0], lean
        for _ in range(int(rng.integers(20, 75))):
            heading = 0.9 * heading + rng.normal(0.01, 0.12)
            at = [at[0] - 0.0085 * np.cos(heading), at[1] + 0.0085 * np.sin(heading)]
            for _ in range(7):
                leaf = (at[0] + rng.normal(0, 0.011), at[1] + rng.normal(0, 0.011))
                size, turn = rng.uniform(0.003, 0.0062), float(rng.uniform(0, 180))
                dab(tone, leaf, (size, size * 0.7), turn, int(rng.uniform(60, 130)))
                dab(mask, leaf, (size, size * 0.7), turn, 255)
    leaves = np.square(tone.astype(np.float32) / 255)
    relief = height + np.float32(0.012) * tone.astype(np.float32) / 130
    return over(albedo, leaves, mask), over(height, relief, mask), mask
