"""How near the picture's border within the rebate is found, and how often a plate is cut wrong.

    python bench/picture_border.py [--plates 150] [--first 9000]

Draws plates of its own, straightened and reduced as a conversion measures them: scenes of the
simulator, rebates of 1.5 to 5 mm that nearly every side has, a picture that leans in its holder
(0.4 degrees, one standard deviation), a lip with a penumbra of 0.05 to 0.25 mm, a rim darkened by
the bevel, strokes scratched into the rebate, on one plate in seven a side that light has struck,
grain, noise. A cut is wrong where it leaves more than 0.5 mm of rebate in the middle of a side, or
takes more than 1 mm of picture; beside no rebate, the rim of the glass is meant to go as well.
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

from platebench.core.formats import FORMATS
from platebench.plate.densities import EDGE_STRIP, MEASURED_LONG_SIDE, picture_border
from platebench.synthetic.plate import EmulsionCurve
from platebench.synthetic.scene import SCENES, scene_near

Floats = NDArray[np.float32]

LEFT_OVER, LOST = 0.5, 1.0  # mm


@dataclass(frozen=True)
class Plate:
    """Transmittance, pixels per mm, and how deep each side's rebate is in its middle, mm."""

    light: Floats
    per_mm: float
    rebates: tuple[float, ...]


def draw(seed: int) -> Plate:
    """Draw a plate; sides are top, right, bottom, left."""
    rng = np.random.default_rng([seed, 977])
    size = FORMATS[int(rng.integers(len(FORMATS)))]
    down, across = size.short_mm, size.long_mm
    if rng.random() < 0.4:
        down, across = across, down
    per_mm = MEASURED_LONG_SIDE / size.long_mm
    shape = round(down * per_mm), round(across * per_mm)
    curve = EmulsionCurve(base_fog=rng.uniform(0.08, 0.3), gamma=rng.uniform(0.5, 1.1))
    scene = scene_near(str(rng.choice(SCENES)), shape)
    scene = np.ascontiguousarray(scene, np.float32)
    scene = cv2.resize(scene, shape[::-1], interpolation=cv2.INTER_AREA)
    picture = curve.density(np.log10(np.maximum(scene, 1e-6)) + rng.uniform(0.6, 2.2))
    rebates = tuple(float(rng.uniform(1.5, 5)) if rng.random() < 0.9 else 0.0 for _ in range(4))
    lean, penumbra = np.tan(np.deg2rad(rng.normal(0, 0.4))), rng.uniform(0.05, 0.25)
    y, x = ((np.arange(n) + 0.5) / per_mm for n in shape)
    y, x = y[:, None], x[None, :]
    # Clockwise: the top border goes down to the right, the left one out to the bottom.
    askew_x, askew_y = lean * (x - across / 2), lean * (y - down / 2)
    depths = (y - askew_x, across - x - askew_y, down - y + askew_x, x + askew_y)
    lit = np.ones(shape)
    for rebate, depth in zip(rebates, depths, strict=True):
        if rebate:
            lit = lit * np.clip((depth - rebate) / penumbra + 0.5, 0, 1)
    density = curve.base_fog + lit * (picture - curve.base_fog)
    if rng.random() < 1 / 7:
        struck = np.maximum(depths[int(rng.integers(4))], 0)
        density = density + rng.uniform(0.1, 0.8) * np.exp(-struck / rng.uniform(1, 6))
    rim = np.minimum(np.minimum(y, down - y), np.minimum(x, across - x))
    density = density + rng.uniform(0.2, 1.0) * np.clip(1 - rim / rng.uniform(0.1, 0.4), 0, 1)
    strokes = np.zeros(shape, np.float32)
    for _ in range(int(rng.integers(0, 12))):  # a number, scratched into the rebate
        place = int(rng.uniform(0.2, 0.4) * shape[1]), int(rng.integers(2, 20))
        end = place[0] + int(rng.integers(-8, 9)), place[1] + int(rng.integers(-8, 9))
        cv2.line(strokes, place, end, 1.0, 2)
    density = density * (1 - strokes) + 0.05 * strokes
    density = density + rng.standard_normal(shape) * 0.012 * np.sqrt(np.maximum(density, 0.05))
    light = cv2.GaussianBlur(10.0 ** -np.maximum(density, 0.03), (0, 0), rng.uniform(0.4, 0.9))
    return Plate(light.astype(np.float32), per_mm, rebates)


def main() -> None:
    """Run the benchmark."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--plates", type=int, default=150)
    parser.add_argument("--first", type=int, default=9000)
    asked = parser.parse_args()
    errors, wrong, cut, clear = [], [], 0, 0
    for seed in range(asked.first, asked.first + asked.plates):
        plate = draw(seed)
        found = picture_border(plate.light)
        if any(ends is None for ends in found):
            continue
        cut += 1
        off = [
            float(np.mean(ends)) / plate.per_mm - rebate
            for ends, rebate in zip(found, plate.rebates, strict=True)
            if ends is not None
        ]
        errors += [one for one, rebate in zip(off, plate.rebates, strict=True) if rebate]
        rim = EDGE_STRIP[0] * min(plate.light.shape) / plate.per_mm
        lost = [
            one - (0 if rebate else rim) for one, rebate in zip(off, plate.rebates, strict=True)
        ]
        if min(off) < -LEFT_OVER or max(lost) > LOST:
            wrong.append(seed)
        clear += sum(not rebate for rebate in plate.rebates)
    away = np.abs(errors)
    figure("plates whose picture was found", f"{cut} of {asked.plates}")
    figure("of them cut wrong", f"{len(wrong)}" + f" (seeds {wrong})" * bool(wrong), "0")
    if errors:
        value = f"{np.median(away):.2f}; {np.quantile(away, 0.95):.2f}; {away.max():.2f} mm"
        figure("border in the middle of a side, median; 95 %; worst", value)
    figure("sides without a rebate among them", str(clear))


if __name__ == "__main__":
    main()
