"""A table by a window: jug, bottle, bowl and fruit, seen by parallel lines of sight."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator

from platebench.synthetic.scenes.brushes import (
    Plane,
    Rng,
    noise,
    places,
    smooth_step,
    soften,
)

Profile = tuple[tuple[float, float], ...]
"""``(height, radius)`` from the foot up, picture heights."""

_VIEW = np.deg2rad(16.0)  # the camera looks down a little
_TABLE_ROW = 0.735  # row of the table's middle
_BACK, _FRONT = -0.62, 0.42  # of the table top, picture heights, towards the viewer
_SUN = np.array([0.62, -0.58, 0.53])  # up, right, front: a window high on the left
_SUN = _SUN / np.linalg.norm(_SUN)
_STEPS = 56


@dataclass(frozen=True, slots=True, kw_only=True)
class Turned:
    """A thing turned on a wheel or a lathe, or grown nearly so.

    Attributes
    ----------
    at : (float, float)
        Right of the picture's middle, and towards the viewer, picture heights.
    profile : Profile
        Outline from the foot up.
    lift : float
        Height of the foot over the table.
    albedo, gloss : float
        Share of light scattered, and strength of the window's reflection.
    wall : float
        Thickness of an open vessel; 0 for solid.
    mottle : float
        Relative spots of colour.
    shades : bool
        Whether it throws a shadow; small parts that hide in others' need not.
    """

    at: tuple[float, float]
    profile: Profile
    lift: float = 0.0
    albedo: float = 0.4
    gloss: float = 0.2
    wall: float = 0.0
    mottle: float = 0.0
    shades: bool = True

    def outside(self, up: Plane, right: Plane, front: Plane) -> Plane:
        """Return roughly how far points lie outside the surface; negative inside."""
        heights, radii = np.array(self.profile, np.float32).T
        level = up - np.float32(self.lift)
        radius = np.interp(level, heights, radii).astype(np.float32)
        across = np.hypot(right - np.float32(self.at[0]), front - np.float32(self.at[1]))
        side = across - radius
        if self.wall:
            side = np.abs(side + np.float32(self.wall / 2)) - np.float32(self.wall / 2)
            floor = np.maximum(across - radius, level - np.float32(heights[0] + 2 * self.wall))
            side = np.minimum(side, floor)
        ends = np.maximum(heights[0] - level, level - heights[-1])
        return np.asarray(np.maximum(side, ends), np.float32)


def still_life(shape: tuple[int, int]) -> Plane:
    """Return jug, bottle, candlestick, bowl and fruit on a cloth, lit from a window."""
    rng = np.random.default_rng(1867)
    things = _things()
    up, right, front, which, normal = _first_hits(shape, things)
    shade = _shadows(shape, things, up, right, front, which)
    picture = _setting(shape, rng, up, right, which, shade)
    mottle = noise(shape, rng, size=0.05, octaves=5, fall=0.7)
    for index, thing in enumerate(things):
        mask = which == index
        if mask.any():
            spots = np.exp(np.float32(thing.mottle) * mottle[mask])
            n = tuple(part[mask] for part in normal)
            picture[mask] = _shaded(thing, n, shade[mask], up[mask]) * spots
    return soften(picture, 0.0007)


def _things() -> list[Turned]:
    jug: Profile = (
        (0.0, 0.075), (0.01, 0.082), (0.06, 0.112), (0.12, 0.128), (0.17, 0.126), (0.22, 0.108),
        (0.27, 0.078), (0.31, 0.062), (0.35, 0.060), (0.385, 0.068), (0.40, 0.074),
    )  # fmt: skip
    bottle: Profile = (
        (0.0, 0.055), (0.006, 0.060), (0.20, 0.060), (0.25, 0.056), (0.29, 0.040), (0.33, 0.024),
        (0.38, 0.020), (0.445, 0.019), (0.447, 0.024), (0.462, 0.024), (0.465, 0.018),
    )  # fmt: skip
    stick: Profile = (
        (0.0, 0.075), (0.008, 0.074), (0.016, 0.060), (0.03, 0.030), (0.045, 0.018), (0.06, 0.028),
        (0.075, 0.018), (0.13, 0.013), (0.16, 0.026), (0.18, 0.014), (0.20, 0.016), (0.215, 0.040),
        (0.222, 0.042), (0.226, 0.022), (0.25, 0.021),
    )  # fmt: skip
    candle: Profile = (
        (0.0, 0.0155),
        (0.15, 0.0150),
        (0.158, 0.010),
        (0.161, 0.002),
        (0.178, 0.0015),
    )
    bowl: Profile = (
        (0.0, 0.050), (0.012, 0.048), (0.018, 0.055), (0.04, 0.100), (0.07, 0.136), (0.10, 0.158),
        (0.115, 0.165),
    )  # fmt: skip
    things = [
        Turned(
            at=(-0.26, -0.12),
            profile=_smooth(jug),
            albedo=0.52,
            gloss=0.25,
            mottle=0.06,
            wall=0.009,
        ),
        Turned(at=(0.02, -0.25), profile=_smooth(bottle), albedo=0.02, gloss=1.1),
        Turned(at=(0.43, -0.20), profile=_smooth(stick), albedo=0.16, gloss=0.8),
        Turned(at=(0.43, -0.20), profile=candle, lift=0.245, albedo=0.85, gloss=0.05),
        Turned(at=(0.17, 0.03), profile=_smooth(bowl), albedo=0.72, gloss=0.35, wall=0.010),
    ]
    for number, angle in enumerate(np.linspace(-1.15, 1.75, 90)):  # the jug's handle, bead by bead
        at = (-0.335 - 0.105 * float(np.cos(angle)), -0.12)
        lift = 0.255 + 0.105 * float(np.sin(angle))
        bead = _ball(0.0125 + 0.0035 * abs(float(np.sin(angle))))
        things.append(
            Turned(at=at, profile=bead, lift=lift, albedo=0.52, gloss=0.12, shades=number % 9 == 0)
        )
    apple = _fruit(0.058, 0.92, dimple=0.30)
    for at, lift, scale in (
        ((0.10, 0.03), 0.055, 1.0), ((0.21, 0.09), 0.052, 0.95), ((0.24, -0.02), 0.060, 1.02),
        ((0.165, 0.02), 0.125, 0.98),
    ):  # fmt: skip
        profile = tuple((h * scale, r * scale) for h, r in apple)
        things.append(
            Turned(at=at, profile=profile, lift=lift, albedo=0.13, gloss=0.35, mottle=0.22)
        )
    pear: Profile = (
        (0.0, 0.015), (0.01, 0.035), (0.04, 0.054), (0.07, 0.055), (0.10, 0.043), (0.13, 0.029),
        (0.155, 0.022), (0.17, 0.012), (0.174, 0.003), (0.205, 0.003),
    )  # fmt: skip
    things.append(
        Turned(at=(-0.08, 0.20), profile=_smooth(pear), albedo=0.30, gloss=0.2, mottle=0.18)
    )
    lemon = tuple((h, r) for h, r in _fruit(0.045, 1.0, dimple=0.0))
    things.append(Turned(at=(0.40, 0.16), profile=lemon, albedo=0.26, gloss=0.25, mottle=0.08))
    things.append(Turned(at=(0.50, 0.10), profile=apple, albedo=0.13, gloss=0.35, mottle=0.22))
    return things


def _smooth(profile: Profile, points: int = 400) -> Profile:
    """Return the profile through the same points without kinks."""
    heights, radii = np.array(profile).T
    curve = PchipInterpolator(heights, radii)
    at = np.linspace(heights[0], heights[-1], points)
    return tuple((float(h), float(r)) for h, r in zip(at, curve(at), strict=True))


def _ball(radius: float) -> Profile:
    angles = np.linspace(-np.pi / 2, np.pi / 2, 17)
    return tuple((float(radius * np.sin(a)), float(radius * np.cos(a))) for a in angles)


def _fruit(radius: float, squat: float, *, dimple: float) -> Profile:
    angles = np.linspace(-np.pi / 2, np.pi / 2, 61)
    height = radius * squat * (1 + np.sin(angles))
    width = radius * np.cos(angles) ** (1 - 0.25 * dimple) * (1 + 0.10 * dimple * np.sin(angles))
    stem = ((float(height[-1]), 0.0035), (float(height[-1] + 0.3 * dimple * radius), 0.003))
    body = tuple((float(h), float(max(w, 0.0035))) for h, w in zip(height, width, strict=True))
    return body[:-1] + stem if dimple else body


def _axes(shape: tuple[int, int]) -> tuple[Plane, Plane]:
    """Return the picture's own up (m, n) and right (m, n), picture heights from the table."""
    y, x = places(shape)
    up = (np.float32(_TABLE_ROW) - y) + 0 * x
    right = (x - np.float32(shape[1] / shape[0] / 2)) + 0 * y
    return up, right


def _first_hits(
    shape: tuple[int, int], things: Sequence[Turned]
) -> tuple[Plane, Plane, Plane, NDArray[np.int16], tuple[Plane, Plane, Plane]]:
    """Return where each pixel's line of sight first meets table, wall or a thing.

    Returns
    -------
    up, right, front : ndarray of float32, shape (m, n)
        The place met.
    which : ndarray of int16
        Index of the thing; -1 table, -2 wall, -3 the cloth's fall in front.
    normal : three planes
        Its upward, rightward and forward parts; for things only.
    """
    v, right = _axes(shape)
    c, s = np.float32(np.cos(_VIEW)), np.float32(np.sin(_VIEW))
    front = -v / s  # table: up = 0; a sight line is up = v / c + s / c * (front) below
    which = np.full(shape, -1, np.int16)
    up = np.zeros(shape, np.float32)
    wall, fall = front < _BACK, front > _FRONT
    which[wall], which[fall] = -2, -3
    front = np.clip(front, _BACK, _FRONT).astype(np.float32)
    up = np.where(wall | fall, (v + s * front) / c, up).astype(np.float32)
    normal = tuple(np.zeros(shape, np.float32) for _ in range(3))
    for index, thing in enumerate(things):
        _hit(index, thing, v, (up, right, front), which, normal)
    return up, right, front, which, (normal[0], normal[1], normal[2])


def _hit(
    index: int,
    thing: Turned,
    v: Plane,
    at: tuple[Plane, Plane, Plane],
    which: NDArray[np.int16],
    normal: tuple[Plane, ...],
) -> None:
    up, right, front = at
    c, s = np.float32(np.cos(_VIEW)), np.float32(np.sin(_VIEW))
    rows = v.shape[0]
    heights, radii = np.array(thing.profile).T
    widest = float(radii.max())
    low = c * (thing.lift + heights[0]) - s * (thing.at[1] + widest)
    high = c * (thing.lift + heights[-1]) - s * (thing.at[1] - widest)
    r0, r1 = int((_TABLE_ROW - high) * rows) - 1, int((_TABLE_ROW - low) * rows) + 2
    middle = v.shape[1] / 2 + thing.at[0] * rows
    c0, c1 = int(middle - widest * rows) - 1, int(middle + widest * rows) + 2
    box = (slice(max(r0, 0), max(r1, 0)), slice(max(c0, 0), max(c1, 0)))
    seen, sideways = v[box], right[box]
    if seen.size == 0:
        return
    near, far = thing.at[1] + widest, thing.at[1] - widest
    previous = np.full(seen.shape, np.float32(near), np.float32)
    hit = np.full(seen.shape, np.nan, np.float32)
    open_ = np.ones(seen.shape, bool)
    for depth in np.linspace(near, far, _STEPS * (3 if thing.wall else 1), dtype=np.float32):
        inside = open_ & (thing.outside((seen + s * depth) / c, sideways, depth + 0 * seen) < 0)
        hit[inside] = depth
        open_ &= ~inside
        previous[open_] = depth
    found = ~np.isnan(hit)
    outer, inner = previous[found], hit[found]
    for _ in range(9):
        half = (outer + inner) / 2
        within = thing.outside((seen[found] + s * half) / c, sideways[found], half) < 0
        inner, outer = np.where(within, half, inner), np.where(within, outer, half)
    place_up = (seen[found] + s * inner) / c
    nearer = np.zeros(seen.shape, bool)
    nearer[found] = inner > front[box][found]
    keep = nearer[found]
    up[box][nearer], front[box][nearer], which[box][nearer] = place_up[keep], inner[keep], index
    tilt = _normal(thing, place_up[keep], sideways[found][keep], inner[keep])
    for part, values in zip(normal, tilt, strict=True):
        part[box][nearer] = values


def _normal(thing: Turned, up: Plane, right: Plane, front: Plane) -> tuple[Plane, Plane, Plane]:
    e = np.float32(0.0015)
    parts = (
        thing.outside(up + e, right, front) - thing.outside(up - e, right, front),
        thing.outside(up, right + e, front) - thing.outside(up, right - e, front),
        thing.outside(up, right, front + e) - thing.outside(up, right, front - e),
    )
    length = np.sqrt(parts[0] ** 2 + parts[1] ** 2 + parts[2] ** 2) + np.float32(1e-9)
    return parts[0] / length, parts[1] / length, parts[2] / length


def _shadows(
    shape: tuple[int, int],
    things: Sequence[Turned],
    up: Plane,
    right: Plane,
    front: Plane,
    which: NDArray[np.int16],
) -> Plane:
    """Return the share of the window each place sees, found on a coarser grid and spread."""
    small = (max(shape[0] // 4, 2), max(shape[1] // 4, 2))

    def coarse(plane: Plane) -> Plane:
        picked = cv2.resize(plane, small[::-1], interpolation=cv2.INTER_NEAREST)
        return np.asarray(picked, np.float32)

    places_, owner = [coarse(p) for p in (up, right, front)], coarse(which.astype(np.float32))
    light = np.ones(small, np.float32)
    for step in np.geomspace(0.012, 0.75, 26).astype(np.float32):
        at = [p + np.float32(d) * step for p, d in zip(places_, _SUN, strict=True)]
        for index, thing in enumerate(things):
            if not thing.shades:
                continue
            clear = thing.outside(at[0], at[1], at[2]) / (np.float32(0.13) * step) + np.float32(0.5)
            own = (owner == index) & (step < 0.12)
            np.minimum(light, np.where(own, 1, np.clip(clear, 0, 1)), out=light)
    soft = cv2.GaussianBlur(light, (0, 0), 0.8)
    return np.asarray(cv2.resize(soft, shape[::-1], interpolation=cv2.INTER_CUBIC), np.float32)


def _shaded(thing: Turned, normal: tuple[Plane, ...], shade: Plane, up: Plane) -> Plane:
    up_n, right_n, front_n = normal
    facing = (
        up_n * np.float32(_SUN[0]) + right_n * np.float32(_SUN[1]) + front_n * np.float32(_SUN[2])
    )
    direct = np.maximum(facing, 0) * np.clip(shade, 0, 1)
    sky = np.float32(0.10) + np.float32(0.07) * up_n + np.float32(0.05) * np.maximum(right_n, 0)
    bounce = np.float32(0.10) * np.maximum(-up_n, 0) * np.exp(-np.maximum(up, 0) / np.float32(0.1))
    body = np.float32(thing.albedo) * (direct * np.float32(1.15) + sky + bounce)
    c, s = np.float32(np.cos(_VIEW)), np.float32(np.sin(_VIEW))
    to_eye = up_n * s + front_n * c
    mirror = (2 * to_eye * up_n - s, 2 * to_eye * right_n, 2 * to_eye * front_n - c)
    across = mirror[1] / np.maximum(mirror[0] + np.float32(0.9), np.float32(0.05))
    window = smooth_step(-0.95, -0.88, across) * (1 - smooth_step(-0.42, -0.35, across))
    window = window * smooth_step(0.18, 0.24, mirror[0]) * (1 - smooth_step(0.70, 0.76, mirror[0]))
    bars = np.float32(1) - (
        smooth_step(-0.03, -0.015, -np.abs(across + np.float32(0.65)))
        + smooth_step(-0.025, -0.012, -np.abs(mirror[0] - np.float32(0.46)))
    ) * np.float32(0.7)
    rim = (1 - np.clip(to_eye, 0, 1)) ** 4
    gleam = window * np.clip(bars, 0, 1) * np.float32(0.75) + rim * np.float32(0.16)
    return np.asarray(body + np.float32(thing.gloss) * gleam, np.float32)


def _setting(
    shape: tuple[int, int],
    rng: Rng,
    up: Plane,
    right: Plane,
    which: NDArray[np.int16],
    shade: Plane,
) -> Plane:
    """Return wall, table cloth and its fall over the edge."""
    weave = noise(shape, rng, size=0.006, octaves=2, fall=0.9)
    creases = noise(shape, rng, size=0.45, octaves=3, stretch=1.6)
    cloth = np.float32(0.50) * np.exp(np.float32(0.05) * creases + np.float32(0.025) * weave)
    fade = np.exp(-((right + np.float32(0.15)) ** 2) / np.float32(0.9))
    table = cloth * (np.float32(0.18) + np.float32(0.80) * shade * fade)
    folds = np.sin(right * np.float32(31) + np.float32(2.2) * creases) + np.float32(0.5) * np.sin(
        right * np.float32(73) + np.float32(3) * creases
    )
    fall = cloth * (np.float32(0.36) + np.float32(0.13) * folds) * fade
    glow = np.exp(-(((right - 0.25) / 0.55) ** 2) - ((up - 0.35) / 0.45) ** 2)
    plaster = noise(shape, rng, size=0.6, octaves=7, fall=0.6)
    wall = (np.float32(0.030) + np.float32(0.15) * glow) * np.exp(np.float32(0.08) * plaster)
    wall = wall * (np.float32(0.45) + np.float32(0.55) * shade)
    picture = np.where(which == -2, wall, table)
    picture = np.where(which == -3, fall, picture)
    return np.asarray(picture, np.float32)
