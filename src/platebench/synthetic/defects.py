"""What time and hands do to a plate: chips, flakes, scratches, pinholes, dust, uneven coating."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from platebench.synthetic.shapes import Blob, Stroke

if TYPE_CHECKING:
    from platebench.synthetic.plate import PlateModel

Shapes = tuple[Blob | Stroke, ...]
Rng = np.random.Generator


@dataclass(frozen=True, slots=True)
class Defects:
    """All defects of one plate, in millimetres on it."""

    chips: tuple[Blob, ...]
    flakes: Shapes
    scratches: Shapes
    pinholes: Shapes
    dust: Shapes


def draw_defects(plate: PlateModel, streams: dict[str, Rng]) -> Defects:
    """Draw the defects a plate asks for, each kind from its own stream."""
    return Defects(
        chips=_chips(plate, streams["chips"]),
        flakes=_flakes(plate, streams["flakes"]),
        scratches=_scratches(plate, streams["scratches"]),
        pinholes=_pinholes(plate, streams["pinholes"]),
        dust=_dust(plate, streams["dust"]),
    )


def coating_field(rng: Rng) -> NDArray[np.float32]:
    """Return a coarse relief of a coating poured and tilted by hand, within -1 .. 1.

    Returns
    -------
    ndarray of float32, shape (25, 33)
        Spread over the plate; slow waves, a flow to one side, a thick bead at one corner.
    """
    y, x = np.mgrid[-1:1:25j, -1:1:33j]
    relief = np.zeros(y.shape)
    for octave in (0.5, 1.0, 2.0):
        fy, fx = rng.normal(0, octave, 2)
        relief += np.cos(np.pi * (fy * y + fx * x) + rng.uniform(0, 2 * np.pi)) / (1 + octave)
    angle = rng.uniform(0, 2 * np.pi)
    relief += 0.8 * (y * np.sin(angle) + x * np.cos(angle))
    corner = rng.choice([-1, 1], 2)
    relief += 1.5 * np.exp(-((y - corner[0]) ** 2 + (x - corner[1]) ** 2) / 0.05)
    return np.asarray(relief / np.abs(relief).max(), np.float32)


def _waves(rng: Rng, strength: float) -> tuple[tuple[float, float], ...]:
    return tuple(
        (float(rng.normal(0, strength / n)), float(rng.uniform(0, 2 * np.pi))) for n in range(1, 5)
    )


def _on_rim(plate: PlateModel, rng: Rng) -> tuple[float, float]:
    half_h, half_w = plate.size_mm[0] / 2, plate.size_mm[1] / 2
    along = float(rng.uniform(-0.95, 0.95))
    side = int(rng.integers(4))
    if side < 2:
        return (half_h if side else -half_h), along * half_w
    return along * half_h, (half_w if side == 3 else -half_w)


def _chips(plate: PlateModel, rng: Rng) -> tuple[Blob, ...]:
    short = min(plate.size_mm)
    chips = []
    for number in range(plate.chips):
        at_corner = number % 3 == 2
        rim = _on_rim(plate, rng)
        corner = rng.choice([-0.5, 0.5], 2) * np.asarray(plate.size_mm)
        size = short * float(np.clip(rng.lognormal(-4.2, 0.5), 0.003, 0.04))
        if at_corner:
            rim, size = (float(corner[0]), float(corner[1])), size * 1.6
        chips.append(Blob(rim, size, _waves(rng, 0.12)))
    return tuple(chips)


def _flakes(plate: PlateModel, rng: Rng) -> Shapes:
    short = min(plate.size_mm)
    return tuple(
        Blob(_on_rim(plate, rng), short * float(rng.uniform(0.008, 0.028)), _waves(rng, 0.40))
        for _ in range(plate.flakes)
    )


def _anywhere(plate: PlateModel, rng: Rng) -> tuple[float, float]:
    y, x = rng.uniform(-0.5, 0.5, 2) * np.asarray(plate.size_mm)
    return float(y), float(x)


def _curve(
    rng: Rng, start: tuple[float, float], length: float, bend: float
) -> tuple[tuple[float, float], ...]:
    angle = float(rng.uniform(0, 2 * np.pi))
    turn = float(rng.normal(0, bend))
    points = [start]
    for _ in range(8):
        y, x = points[-1]
        points.append((y + length / 8 * np.sin(angle), x + length / 8 * np.cos(angle)))
        angle += turn / 8 + float(rng.normal(0, bend / 8))
    return tuple(points)


def _scratches(plate: PlateModel, rng: Rng) -> Shapes:
    short = min(plate.size_mm)
    return tuple(
        Stroke(
            _curve(rng, _anywhere(plate, rng), short * float(rng.uniform(0.05, 0.5)), 0.3),
            width=float(rng.uniform(0.02, 0.08)),
            strength=float(rng.uniform(0.3, 1.0)),
        )
        for _ in range(plate.scratches)
    )


def _pinholes(plate: PlateModel, rng: Rng) -> Shapes:
    return tuple(
        Blob(_anywhere(plate, rng), float(rng.uniform(0.03, 0.15))) for _ in range(plate.pinholes)
    )


def _dust(plate: PlateModel, rng: Rng) -> Shapes:
    dust: list[Blob | Stroke] = []
    for number in range(plate.dust):
        at, strength = _anywhere(plate, rng), float(rng.uniform(0.4, 1.0))
        size = float(np.clip(rng.lognormal(-2.3, 0.6), 0.02, 0.5))
        waves = _waves(rng, 0.3)
        hair = _curve(rng, at, float(rng.uniform(1, 6)), 3.0)
        if number % 8 == 7:
            dust.append(Stroke(hair, 0.03, strength))
        else:
            dust.append(Blob(at, size, waves, strength))
    return tuple(dust)
