"""How near the finder comes to a plate's corners: bare light, masks with wedges, holders, rails.

    python bench/edges.py [--plates 200] [--first 70000] [--kinds mask,rails]

Draws scenes of its own, with physics that the finder's model does not hold: a soft mask edge, light
that leaks on to the mask, the shadow of the glass's thickness on some sides only, patchy bright
lines where the rim refracts, chips, an emulsion poured by hand that stops short of the edge, uneven
light, perspective, noise. For each kind it prints how many of the corners that were not doubted are
off by more than 0.5 % of the long side, how many are within 0.15 %, and how many plates were
doubted. A mask's gap is 0.3 to 3 % of the long side in the middle of a side and at least 0.15 % at
its ends, where the two run up to one degree askew. A closed holder touches the plate all around.
Rails lie across the frame, above and below or left and right of the plate, with a gap as a mask's.
"""

from __future__ import annotations

import argparse
import os
from dataclasses import dataclass

from one_core import ONE_CORE, figure

os.environ.update(ONE_CORE)  # before NumPy is loaded

import cv2
import numpy as np
from numpy.typing import NDArray

from platebench.core.image import PlateImage
from platebench.plate.finding.find_plate import FoundPlate, find_plate

KINDS = ("bright", "mask", "holder", "rails")
SHAPE = (1000, 1340)
FINER = 2
CLOSE, WRONG = 0.15, 0.5  # per cent of the long side
MOST_DOUBTED = {"bright": 0.05, "mask": 0.05, "holder": 0.05, "rails": 0.10}

Doubles = NDArray[np.float64]
Floats = NDArray[np.float32]
Rng = np.random.Generator


@dataclass(frozen=True)
class Scene:
    """A picture as the finder gets it, and the plate's true corners in it."""

    pixels: Floats
    corners: Doubles


def draw(kind: str, seed: int, corners: Doubles | None = None) -> Scene:
    """Draw one scene.

    Parameters
    ----------
    kind : {"bright", "mask", "holder", "rails"}
    seed : int
        Scenes of one seed and several kinds show one plate.
    corners : ndarray of float64, shape (4, 2), optional
        Where it lies, in place of those that are drawn.
    """
    rng = np.random.default_rng([seed, 4099])
    drawn = _corners(rng)
    corners = drawn if corners is None else corners
    away = [FINER * d for d in _depths(corners)]
    long_side = FINER * _long_side(corners)
    pieces = np.random.default_rng([seed, 4099, KINDS.index(kind)])
    scene = _surround(kind, corners, long_side, pieces)
    plate = _plate(away, long_side, rng)
    scene = scene * plate
    if kind == "rails":
        scene = np.minimum(scene, 1.3)
    blur = float(rng.uniform(0.4, 1.1)) * FINER
    scene = cv2.GaussianBlur(scene, (0, 0), blur)
    pixels = cv2.resize(scene, SHAPE[::-1], interpolation=cv2.INTER_AREA)
    glare = float(rng.uniform(0, 0.005))
    pixels = (pixels + glare * pixels.mean()) / (1 + glare)
    pixels *= 1 + float(rng.uniform(0, 0.006)) * _waves(SHAPE, 1.5, rng)
    electrons = float(rng.uniform(20_000, 60_000))
    noise = np.sqrt(np.maximum(pixels, 0) / electrons + (4 / electrons) ** 2)
    pixels = pixels + noise * rng.standard_normal(SHAPE)
    return Scene(pixels.astype(np.float32), corners)


def error_percent(found: FoundPlate, corners: Doubles) -> float:
    """Return how far the worst corner is off, per cent of the long side."""
    off = np.hypot(*(found.corners - corners).T)
    return float(100 * off.max() / _long_side(corners))


def _long_side(corners: Doubles) -> float:
    return float(np.hypot(*(np.roll(corners, -1, axis=0) - corners).T).max())


def _corners(rng: Rng) -> Doubles:
    width = SHAPE[1] * rng.uniform(0.5, 0.72)
    high, wide = sorted((width * rng.uniform(0.68, 0.85), width))
    high = min(high, 0.72 * SHAPE[0])
    box = np.array([[-high, -wide], [-high, wide], [high, wide], [high, -wide]]) / 2
    box[:, 1] *= 1 + rng.normal(0, 0.004) * box[:, 0] / high  # perspective
    box[:, 0] *= 1 + rng.normal(0, 0.004) * box[:, 1] / wide
    box[1:3, 1] += np.array([1, -1]) * rng.uniform(-0.004, 0.004) * high  # cut askew
    turn = np.deg2rad(rng.uniform(-3, 3))
    spin = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    middle = np.array(SHAPE) / 2 + rng.uniform(-0.03, 0.03, 2) * np.array(SHAPE)
    return np.asarray(box @ spin.T + middle)


def _depths(corners: Doubles) -> list[Floats]:
    """Return how far each place of the fine grid lies inside each side, in pixels of the frame."""
    rows = (np.arange(SHAPE[0] * FINER, dtype=np.float32) - (FINER - 1) / 2) / FINER
    columns = (np.arange(SHAPE[1] * FINER, dtype=np.float32) - (FINER - 1) / 2) / FINER
    depths = []
    for first, second in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        along = (second - first) / np.hypot(*(second - first))
        inward = np.array([along[1], -along[0]])
        depth = np.add.outer(inward[0] * (rows - first[0]), inward[1] * (columns - first[1]))
        depths.append(depth.astype(np.float32))
    return depths


def _waves(shape: tuple[int, int], cycles: float, rng: Rng) -> Floats:
    """Return a slow random relief with standard deviation 1."""
    coarse = rng.standard_normal((max(4, round(4 * cycles)), max(4, round(5 * cycles))))
    relief = cv2.resize(coarse.astype(np.float32), shape[::-1], interpolation=cv2.INTER_CUBIC)
    return np.asarray((relief - relief.mean()) / relief.std(), np.float32)


def _plate(away: list[Floats], long_side: float, rng: Rng) -> Floats:
    """Return what the plate lets through, 1 beyond it."""
    shape = away[0].shape
    rim = np.minimum.reduce(away)
    coarse = (shape[0] // 4, shape[1] // 4)

    def spread(relief: Floats) -> Floats:
        return np.asarray(cv2.resize(relief, shape[::-1]), np.float32)

    picture = 0.5 * _waves(coarse, 2, rng) + 0.35 * _waves(coarse, 8, rng)
    picture += 0.2 * _waves(coarse, 40, rng)
    middle = rng.uniform(0.5, 1.3)
    fog = float(rng.uniform(0.06, 0.25))
    density = spread(fog + np.clip(middle + rng.uniform(0.3, 0.8) * picture, 0, 2.2))
    covered = [float(rng.uniform(0.01, 0.03)) if rng.random() < 0.6 else 0.0 for _ in away]
    lip = np.ones(shape, np.float32)
    for depth, share in zip(away, covered, strict=True):
        if share:
            lip *= np.clip((depth - share * long_side) / 2 + 0.5, 0, 1)
    density = fog + lip * (density - fog)
    if rng.random() < 0.5:  # poured by hand: the emulsion stops short of the edge
        edge = 0.006 * long_side * (spread(_waves(coarse, 3, rng)) + rng.uniform(-0.5, 1))
        density = density * np.clip((rim - edge) / 3 + 0.5, 0, 1)
    through = 0.917 * 10 ** -density.astype(np.float32)
    patchy = np.clip(1 + spread(_waves(coarse, 12, rng)), 0, 3)
    for depth in away:
        if rng.random() < 0.5:  # the glass's thickness, seen askew
            wide = float(rng.uniform(0.0005, 0.003)) * long_side
            shade = float(rng.uniform(0.2, 0.9)) * np.clip(1 - depth / wide, 0, 1)
            through *= 1 - shade * (depth > 0)
        if rng.random() < 0.4:  # and where it refracts
            wide, at = float(rng.uniform(0.5, 1.5)) * FINER, float(rng.uniform(0, 4)) * FINER
            bright = float(rng.uniform(0.02, 0.2)) * np.exp(-np.square((depth - at) / wide))
            through += patchy * bright * (depth > 0)
    inside = np.clip(rim + 0.5, 0, 1)
    for _ in range(int(rng.integers(0, 7))):  # chips
        k = int(rng.integers(4))
        places = np.argwhere(np.abs(away[k][::8, ::8]) < 6) * 8
        if len(places):
            row, column = places[rng.integers(len(places))]
            size = (int(rng.uniform(0.002, 0.015) * long_side) + 1,) * 2
            chip = np.zeros(shape, np.float32)
            cv2.ellipse(chip, (int(column), int(row)), size, 0, 0, 360, 1.0, -1)
            inside *= 1 - chip
    return np.asarray(1 + inside * (through - 1), np.float32)


def _surround(kind: str, corners: Doubles, long_side: float, rng: Rng) -> Floats:
    """Return the light around and under the plate."""
    shape = (SHAPE[0] * FINER, SHAPE[1] * FINER)
    if kind == "bright":
        return np.ones(shape, np.float32)
    frame = corners
    if kind in ("mask", "rails"):
        frame = _opening(corners, long_side / FINER, rng)
    inside = [FINER * d for d in _depths(frame)]
    if kind == "rails":
        first = int(rng.integers(2))
        inside = [inside[first], inside[first + 2]]
    soft = float(rng.uniform(0.5, 3))  # the card's edge is not in focus, nor sharp
    lies = np.minimum.reduce(inside)
    light = np.clip(lies / soft + 0.5, 0, 1)
    card = 10 ** -float(rng.uniform(2.3, 4))
    leak = float(rng.uniform(0, 0.012)) * np.exp(np.minimum(lies, 0) / (0.02 * long_side))
    light = card + leak * (1 - light) + light * (1 - card)
    if kind in ("holder", "rails"):
        wide = float(rng.uniform(0.04, 0.09)) * long_side
        light = np.where(lies < -wide, 1.0, light)
    return np.asarray(light, np.float32)


def _opening(corners: Doubles, long_side: float, rng: Rng) -> Doubles:
    """Return the corners of an opening around the plate, each side with a gap and a turn."""
    lines = []
    for first, second in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        run = second - first
        length = float(np.hypot(*run))
        along = run / length
        inward = np.array([along[1], -along[0]])
        gap = float(rng.uniform(0.003, 0.03)) * long_side
        most = np.arctan((gap - 0.0015 * long_side) / (length / 2))
        turn = float(rng.uniform(-1, 1)) * min(np.deg2rad(1.0), most)
        middle = (first + second) / 2 - gap * inward
        lines.append((middle, np.cos(turn) * inward + np.sin(turn) * along))
    opening = []
    for (p, n), (q, m) in zip(lines[-1:] + lines[:-1], lines, strict=True):
        opening.append(np.linalg.solve(np.stack([n, m]), [n @ p, m @ q]))
    return np.array(opening)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--plates", type=int, default=200)
    parser.add_argument("--first", type=int, default=70_000)
    parser.add_argument("--kinds", default=",".join(KINDS))
    parser.add_argument("--each", action="store_true", help="Print every plate off or doubted.")
    asked = parser.parse_args()
    cv2.setNumThreads(1)
    for kind in asked.kinds.split(","):
        wrong = near = sure = 0
        for seed in range(asked.first, asked.first + asked.plates):
            scene = draw(kind, seed)
            found = find_plate(PlateImage(pixels=scene.pixels))
            error = error_percent(found, scene.corners)
            if found.found and not found.doubts:
                sure, near, wrong = sure + 1, near + (error <= CLOSE), wrong + (error > WRONG)
            if asked.each and (found.doubts or error > CLOSE):
                print(f"    {kind} {seed}: {error:.2f} % off, {'; '.join(found.doubts) or 'sure'}")
        count = asked.plates
        figure(f"{kind}: undoubted off by more than {WRONG} %", f"{wrong} of {sure}", "0")
        figure(f"{kind}: undoubted within {CLOSE} %", f"{near / max(sure, 1):.1%}", ">= 98 %")
        most = MOST_DOUBTED[kind]
        figure(f"{kind}: doubted", f"{(count - sure) / count:.1%} of {count}", f"<= {most:.0%}")


if __name__ == "__main__":
    main()
