"""A sea with sailing boats under towering clouds, and rocks with foam."""

from __future__ import annotations

import cv2
import numpy as np

from platebench.synthetic.scenes.brushes import (
    Plane,
    Rng,
    noise,
    over,
    painted,
    places,
    ridge,
    smooth_step,
    soften,
    stroke,
    sunlit,
)


def shore(shape: tuple[int, int]) -> Plane:
    """Return a sea with a sailing boat under towering clouds, and rocks with foam."""
    rng = np.random.default_rng(1899)
    y, x = places(shape)
    width = shape[1] / shape[0]
    picture = _cumulus(shape, rng, horizon=0.56)
    horizon = 0.56
    depth = np.maximum(y - np.float32(horizon), np.float32(1e-4))
    sea = _waves(shape, rng, depth)
    glitter = np.exp(-(((x - 0.60 * width) / (0.06 + 0.35 * depth)) ** 2)).astype(np.float32)
    crest = np.maximum(sea / (np.float32(0.42) - np.float32(0.17) * smooth_step(0, 0.4, depth)), 0)
    sea += glitter * np.float32(0.55) * smooth_step(0.85, 1.7, crest)
    picture = over(picture, sea, smooth_step(-0.0008, 0.0008, y - np.float32(horizon)))
    headland = np.float32(horizon - 0.045) + np.float32(0.02) * ridge(
        shape[1], shape[0], rng, size=0.3
    )
    headland += smooth_step(0.16 * width, 0.42 * width, x)[0] * np.float32(0.10)
    cliffs = np.float32(0.42) + np.float32(0.05) * noise(shape, rng, size=0.03, stretch=0.4)
    land = smooth_step(-0.001, 0.001, y - headland[None, :])
    land = land * (1 - smooth_step(-0.001, 0.001, y - np.float32(horizon)))
    picture = over(picture, cliffs, land)
    picture = _boat(picture, (0.615, 0.60 * width), 0.30)
    picture = _boat(picture, (0.572, 0.86 * width), 0.07)
    return _rocks(picture, rng)


def _cumulus(shape: tuple[int, int], rng: Rng, *, horizon: float) -> Plane:
    """Return towering clouds, each heaped of puffs, lit from the upper right."""
    y, x = places(shape)
    width = shape[1] / shape[0]
    heap = np.full(shape, -1.0, np.float32)
    clouds = (  # row of the base, place along the width, breadth, height
        (0.30, 0.22, 0.50, 0.26),
        (0.44, 0.80, 0.42, 0.20),
        (0.47, 0.45, 0.20, 0.05),
        (0.50, 0.10, 0.24, 0.05),
        (0.515, 0.92, 0.20, 0.04),
        (0.14, 0.66, 0.26, 0.07),
    )
    for base, at, broad, tall in clouds:
        cloud = np.full(shape, -1.0, np.float32)
        for _ in range(170):
            across = rng.uniform(-1, 1) * rng.uniform(0.3, 1)
            rise = tall * (1 - across**2) * rng.uniform(0, 1) ** 0.7
            radius = (0.10 * tall + 0.012) * rng.uniform(0.35, 1.25) * (1.15 - 0.6 * rise / tall)
            centre = (base - rise, at * width + across * broad / 2 * width)
            _puff(cloud, centre, radius, depth=0.5 * rise + rng.uniform(0, 0.5) * radius)
        flat = np.minimum(cloud, (np.float32(base + 0.03) - y) * np.float32(0.3))
        np.maximum(heap, np.where(y > base + 0.012, flat, cloud), out=heap)
    frayed = noise(shape, rng, size=0.05, octaves=6, fall=0.62)
    bent = noise(shape, rng, size=0.03, octaves=5, fall=0.65)
    rows = np.float32(shape[0])
    ragged = cv2.remap(
        heap.astype(np.float32),
        ((x + np.float32(0.006) * bent) * rows - 0.5).astype(np.float32),
        ((y + np.float32(0.006) * frayed) * rows - 0.5).astype(np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    cover = smooth_step(-0.010, 0.018, soften(np.maximum(ragged, -0.05), 0.003))
    solid = soften(np.maximum(ragged, 0), 0.0045) + np.float32(0.0009) * frayed
    dy, dx = np.gradient(solid * rows)
    lit = (np.float32(0.55) + np.float32(0.75) * dy - np.float32(0.55) * dx) / np.sqrt(
        1 + dy**2 + dx**2
    )
    tone = np.float32(0.74) + np.float32(0.62) * np.clip(lit, 0, 1)
    tone = soften(tone.astype(np.float32), 0.0015)
    sky = np.float32(0.56) + np.float32(0.26) * smooth_step(0, horizon, y + 0 * x)
    return over(np.asarray(sky, np.float32), tone, cover * np.float32(0.97))


def _puff(heap: Plane, centre: tuple[float, float], radius: float, depth: float) -> None:
    rows, cols = heap.shape
    r0, r1 = int((centre[0] - radius) * rows), int((centre[0] + radius) * rows) + 1
    c0, c1 = int((centre[1] - radius) * rows), int((centre[1] + radius) * rows) + 1
    box = (slice(max(r0, 0), max(min(r1, rows), 0)), slice(max(c0, 0), max(min(c1, cols), 0)))
    y = (np.arange(rows, dtype=np.float32)[box[0]] + 0.5) / rows - np.float32(centre[0])
    x = (np.arange(cols, dtype=np.float32)[box[1]] + 0.5) / rows - np.float32(centre[1])
    bulge = np.float32(radius**2) - y[:, None] ** 2 - x[None, :] ** 2
    round_ = np.sqrt(np.maximum(bulge, 0)) + np.float32(depth)
    np.maximum(heap[box], np.where(bulge > 0, round_, -1), out=heap[box])


def _waves(shape: tuple[int, int], rng: Rng, depth: Plane) -> Plane:
    """Return sea swell in perspective: crests looked up on a receding plane."""
    rows, cols = shape
    tile = noise((768, 768), rng, size=0.09, octaves=6, fall=0.66, stretch=1.7)
    tile = np.float32(0.9) - np.float32(1.5) * np.abs(tile)  # folded: sharp crests, round troughs
    tile = np.block([[tile, tile[:, ::-1]], [tile[::-1], tile[::-1, ::-1]]]).astype(np.float32)
    _, x = places(shape)
    far = np.float32(0.05) / (depth + np.float32(0.015))
    v = np.mod(far * 2600 + 300, 1536) + np.zeros((1, cols), np.float32)
    u = np.mod((x - np.float32(cols / rows / 2)) * far * 4200 + 768, 1536)
    swell = cv2.remap(
        tile, u.astype(np.float32), v.astype(np.float32), cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )  # fmt: skip
    calm = smooth_step(-0.02, 0.06, depth)
    sea = np.float32(0.42) - np.float32(0.17) * smooth_step(0, 0.4, depth)
    return np.asarray(sea * np.exp(np.float32(0.50) * swell * calm), np.float32)


def _boat(picture: Plane, at: tuple[float, float], size: float) -> Plane:
    y0, x0 = at
    hull = [
        (-0.02, -0.42),
        (0.05, -0.37),
        (0.062, 0.22),
        (-0.03, 0.40),
        (0.002, 0.1),
        (0.004, -0.1),
    ]
    main = [(-0.06, 0.02), (-0.80, 0.035), (-0.92, -0.10), (-0.62, -0.30), (-0.08, -0.36)]
    jib = [(-0.05, 0.08), (-0.70, 0.055), (-0.35, 0.22), (-0.03, 0.40)]

    def placed(points: list[tuple[float, float]], flip: float = 1.0) -> list[tuple[float, float]]:
        return [(y0 + flip * size * dy, x0 + size * dx) for dy, dx in points]

    shape = picture.shape
    for part, light in ((main, 0.10), (jib, 0.12), (hull, 0.30)):  # on the water
        shadow = soften(painted(shape, [placed(part, -0.55)]).astype(np.float32) / 255, 0.004)
        below = smooth_step(0.0, 0.004, places(shape)[0] - np.float32(y0 + 0.03 * size))
        picture = over(picture, picture * np.float32(1 - light), shadow * below)
    y, x = places(shape)
    belly = np.float32(0.80) + np.float32(0.16) * np.sin(
        (x - np.float32(x0)) / np.float32(size) * 5
    )
    for seam in np.arange(-0.35, 0.4, 0.085):
        near = np.abs((x - np.float32(x0)) / np.float32(size) - np.float32(seam))
        belly = belly * (1 - np.float32(0.10) * np.exp(-((near / 0.006) ** 2)))
    picture = over(picture, belly + 0 * y, painted(shape, [placed(main)]))
    picture = over(picture, belly * np.float32(1.08) + 0 * y, painted(shape, [placed(jib)]))
    picture = over(picture, 0.07, painted(shape, [placed(hull)]))
    lines = np.zeros(shape, np.uint8)
    stroke(lines, placed([(0.0, 0.03), (-0.92, 0.03)]), 0.010 * size)
    stroke(lines, placed([(-0.07, 0.02), (-0.08, -0.38)]), 0.008 * size)
    stroke(lines, placed([(-0.78, 0.03), (-0.95, -0.12)]), 0.008 * size)
    stroke(lines, placed([(-0.72, 0.04), (-0.03, 0.41)]), 0.003 * size)
    return over(picture, 0.08, lines)


def _rocks(picture: Plane, rng: Rng) -> Plane:
    rows, cols = picture.shape
    y, x = places((rows, cols))
    width = cols / rows
    crags = noise((rows, cols), rng, size=0.22, octaves=7, fall=0.6, stretch=1.3)
    height = np.float32(0.055) * np.abs(crags) + np.float32(0.02) * crags
    left = np.exp(-(((x - 0.10 * width) / (0.26 * width)) ** 2))
    right = np.exp(-(((x - 1.00 * width) / (0.20 * width)) ** 2))
    line = np.float32(1.03) - np.float32(0.22) * left - np.float32(0.17) * right - height
    ground = np.float32(0.12) * np.exp(np.float32(0.35) * crags)
    stone = sunlit(ground + np.float32(0.03), height * 2, sun=(-0.8, 0.9, 0.6), sky=0.25)
    above = y - line
    spray = noise((rows, cols), rng, size=0.05, octaves=6, fall=0.75)
    foam = np.exp(-(((above + 0.012) / (0.016 + 0.006 * spray)) ** 2)).astype(np.float32)
    picture = over(picture, 0.95, np.clip(foam * smooth_step(-1.2, 0.8, spray), 0, 1))
    return over(picture, stone, smooth_step(-0.001, 0.003, above))
