"""How far a stated size holds, and how often a mixed box's formats are proposed right.

    python bench/true_size.py [--boxes 400] [--drawn 20] [--first 5000]

A box holds six plates of formats drawn at random, each side cut 0 to 1 % under, up to half a degree
out of square, 0.8 to 3 mm thick. All lie under one pinhole camera, which leans (0.4 degrees, one
standard deviation, either way), stands at 1.8 to 4 times the longest plate and has a lens with up
to 0.2 % of distortion at the frame's corner. A hand measures the long side of one plate with a
caliper (0.1 mm, one standard deviation). Two kinds of corners:

- *scattered*: true corners with errors of a heavy-tailed draw, 0.01 to 0.04 % of the frame each;
- *found*: scenes drawn as in ``bench/edges.py``, bare light or mask, at 1340 pixels; plates that
  the finder doubts are left out.

Counted: sides of plates that were not measured (by the session's scale), and short sides of those
that were, within two stated standard errors; and formats.
"""

from __future__ import annotations

import argparse
import os
from dataclasses import dataclass, field, replace

from one_core import ONE_CORE, figure

os.environ.update(ONE_CORE)  # before NumPy is loaded

import numpy as np
from numpy.typing import NDArray

import edges
from platebench.core.formats import CUT_UNDER, FORMATS, PlateFormat
from platebench.core.image import PlateImage
from platebench.core.settings import PlateSettings
from platebench.plate.finding.find_plate import find_plate
from platebench.plate.likely_format import likely_format
from platebench.plate.plate_scale import GLASS, scale_of

Doubles = NDArray[np.float64]
Rng = np.random.Generator

PLATES = 6
LONGEST = 305.0  # mm: all formats up to 10x12 in and 24x30 cm
FRAME = edges.SHAPE


@dataclass(frozen=True)
class Camera:
    """A pinhole over the plates; lengths in mm, pixels for the focal length."""

    distance: float
    focal: float
    lean: Doubles
    distortion: float


@dataclass
class Tally:
    """Errors over stated errors, and what became of the formats."""

    others: list[float] = field(default_factory=list)
    measured: list[float] = field(default_factory=list)
    stated: list[float] = field(default_factory=list)
    formats: list[str] = field(default_factory=list)


def draw_box(rng: Rng) -> tuple[list[PlateFormat], list[Doubles], Camera]:
    """Return formats, true sizes (down, across) and the camera over them."""
    known = [one for one in FORMATS if one.long_mm <= LONGEST]
    box = [known[k] for k in rng.integers(len(known), size=PLATES)]
    sizes = []
    for one in box:
        size = np.array([one.short_mm, one.long_mm]) * (1 - rng.uniform(0, CUT_UNDER, 2))
        sizes.append(size if rng.random() < 0.7 else size[::-1])
    longest = max(one.long_mm for one in box)
    distance = rng.uniform(1.8, 4) * longest
    tallest = max(float(size[0]) for size in sizes)
    per_mm = min(0.72 * FRAME[1] / longest, 0.8 * FRAME[0] / tallest)
    return (
        box,
        sizes,
        Camera(
            distance=distance,
            focal=per_mm * distance,
            lean=np.deg2rad(rng.normal(0, 0.4, 2)),
            distortion=float(rng.uniform(-0.002, 0.002)),
        ),
    )


def seen_by(camera: Camera, size: Doubles, rng: Rng) -> Doubles:
    """Return a plate's corners in the frame, (row, column)."""
    down, across = size / 2
    askew = np.tan(np.deg2rad(rng.uniform(-0.5, 0.5))) * down
    flat = np.array(
        [[-down, -across], [-down, across + askew], [down, across - askew], [down, -across]]
    )
    turn = np.deg2rad(rng.uniform(-3, 3))
    flat = flat @ np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    flat += rng.uniform(-0.03, 0.03, 2) * np.array(FRAME) * camera.distance / camera.focal
    places = np.column_stack([flat, np.full(4, rng.uniform(0.8, 3.0))])
    (sin_a, sin_b), (cos_a, cos_b) = np.sin(camera.lean), np.cos(camera.lean)
    one = np.array([[cos_a, 0, sin_a], [0, 1, 0], [-sin_a, 0, cos_a]])
    other = np.array([[1, 0, 0], [0, cos_b, sin_b], [0, -sin_b, cos_b]])
    places = places @ (one @ other).T
    pixels = camera.focal * places[:, :2] / (camera.distance - places[:, 2:])
    radius = np.sum(pixels**2, axis=1, keepdims=True) / (np.hypot(*FRAME) / 2) ** 2
    return np.asarray(pixels * (1 + camera.distortion * radius) + (np.array(FRAME) - 1) / 2)


def scattered(corners: Doubles, rng: Rng) -> Doubles:
    """Return corners as a finder might give them."""
    spread = rng.uniform(0.0001, 0.0004) * max(FRAME)
    return np.asarray(corners + spread * rng.standard_t(4, corners.shape) / np.sqrt(2))


def found(corners: Doubles, seed: int, kind: str) -> Doubles | None:
    """Return the corners that the finder gives in a scene of its own; None where it doubts."""
    scene = edges.draw(kind, seed, corners)
    plate = find_plate(PlateImage(pixels=scene.pixels))
    return None if plate.doubts else plate.corners


def measure_box(seed: int, tally: Tally, *, drawn: bool) -> None:
    """Draw a box, measure one plate of it by caliper, and count."""
    rng = np.random.default_rng([seed, 1513, int(drawn)])
    box, sizes, camera = draw_box(rng)
    plates = []
    for n, (one, size) in enumerate(zip(box, sizes, strict=True)):
        corners = seen_by(camera, size, rng)
        kind = ("bright", "mask")[seed % 2]
        seen = found(corners, 10 * seed + n, kind) if drawn else scattered(corners, rng)
        if seen is not None:
            plates.append((one, size, seen))
    if len(plates) < 2:
        return
    k = int(rng.integers(len(plates)))
    caliper = float(plates[k][1].max() + rng.normal(0, 0.1))
    measured = PlateSettings(id="measured", captures=(), long_mm=caliper)
    scale = scale_of(plates[k][2], measured, FRAME)
    assert scale is not None and scale.error is not None
    share = float(np.hypot(scale.error, GLASS))  # as start states it
    per_mm = scale.pixels_per_mm
    other = replace(measured, long_mm=0.0, scale=(per_mm, per_mm * share))
    for place, (one, size, seen) in enumerate(plates):
        known = scale_of(seen, measured if place == k else other, FRAME)
        assert known is not None and known.glass_sigma_mm is not None
        pairs = sorted(zip(size[::-1], known.glass_mm, known.glass_sigma_mm, strict=True))
        off = [(mm - true) / sigma for true, mm, sigma in pairs]
        (tally.measured if place == k else tally.others).extend(off[: 1 if place == k else 2])
        if place != k:
            tally.stated.append(pairs[1][2] / pairs[1][1])
        likely = likely_format(known)
        assert likely is not None
        names = [name for name, _ in likely.shares]
        right = one.name in names
        sure = "sure" if likely.proposed else "named" if names else "none"
        tally.formats.append(f"{sure} {'right' if right else 'wrong'}")


def tell(tally: Tally, corners: str) -> None:
    """Print what was counted."""
    if not tally.formats:
        return
    for what, errors in (
        ("by another plate's caliper", tally.others),
        ("short side by its own long one", tally.measured),
    ):
        off = np.array(errors)
        within, rms = np.mean(np.abs(off) < 2), np.sqrt(np.mean(off**2))
        value = f"{within:.1%} of {off.size}; rms {rms:.2f}"
        figure(f"corners {corners}: {what}: within 2 standard errors", value, "93 %")
    figure(
        f"corners {corners}: stated error of a long side, median", f"{np.median(tally.stated):.2%}"
    )
    n = len(tally.formats)
    shares = {kind: tally.formats.count(kind) for kind in set(tally.formats)}
    for kind in ("sure right", "sure wrong", "named right"):
        figure(f"corners {corners}: format {kind}", f"{shares.get(kind, 0) / n:.1%} of {n}")


def main() -> None:
    """Run the benchmark."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--boxes", type=int, default=400)
    parser.add_argument("--drawn", type=int, default=20)
    parser.add_argument("--first", type=int, default=5000)
    asked = parser.parse_args()
    for corners, count in (("scattered", asked.boxes), ("found", asked.drawn)):
        tally = Tally()
        for seed in range(asked.first, asked.first + count):
            measure_box(seed, tally, drawn=corners == "found")
        tell(tally, corners)


if __name__ == "__main__":
    main()
