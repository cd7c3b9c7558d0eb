"""Several pictures on a plate: how many are proposed, how well cut, and none where it is one.

Real scans of plates with three exposures, where a folder of them is named; their single exposures,
cut out with the gaps around them; simulated plates with one picture, flattened and found.
"""

from __future__ import annotations

import argparse
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from platebench.core.settings import PlateSettings, ScanSettings
from platebench.plate.finding.find_pictures import Parting, find_pictures
from platebench.plate.finding.find_plate import find_plate
from platebench.plate.flatten import transmittance_from_counts
from platebench.plate.job import PlateJob
from platebench.plate.light import light_from_blanks
from platebench.plate.look import look_at_plate
from platebench.plate.straighten import plan_straighten, straighten_rows
from platebench.synthetic import (
    CameraModel,
    LightBox,
    PlateModel,
    simulate_blank,
    simulate_plate,
)
from platebench.synthetic.scene import make_scene

WRONG = 0.005  # of the plate's height
APART = 0.06  # of it, about the thirds, where the other method looks
EXPOSURES = 3
SCENES = ("landscape", "shore", "facade", "fern", "still life")
Floats = NDArray[np.float32]


def plates_of(folder: Path) -> Iterator[tuple[int, Floats | None]]:
    """Yield scans as straightened plates, numbered by name; None where the sides are in doubt."""
    for number, path in enumerate(sorted(folder.glob("*.jpg"))):
        job = PlateJob(
            folder=folder,
            output=folder,
            settings=PlateSettings(id="plate", captures=(path.name,), emulsion="light"),
            scan=ScanSettings(shows="positive"),
        )
        view = look_at_plate(job)
        if view.found.doubts or not view.found.found:
            yield number, None
            continue
        plan = plan_straighten(view.picture.shape, view.found.corners)
        yield number, straighten_rows(view.small.image, plan, 0, plan.shape[0])[0]


def darkest_near(light: Floats, third: float) -> float:
    """Return where the rows about a third are darkest, by the brighter part of each; a share.

    Another way than the program's: one profile of the whole width, no blocks, no lines fitted, and
    looked for about the third, not about what was proposed.
    """
    rows, columns = light.shape
    inner = np.clip(light[:, columns // 10 : -columns // 10], 0, 1) ** (1 / 2.2)
    profile = np.quantile(inner, 0.8, axis=1)
    low, high = round((third - APART) * rows), round((third + APART) * rows)
    near = profile[low:high]
    first = last = int(near.argmin())
    limit = near[first] + 0.35 * (np.median(near) - near[first])
    while first > 0 and near[first - 1] < limit:
        first -= 1
    while last < near.size - 1 and near[last + 1] < limit:
        last += 1
    return (low + (first + last + 1) / 2) / rows


def single_exposures(light: Floats, found: Parting) -> Iterator[Floats]:
    """Yield each exposure with the gap or rebate around it, as a plate of one picture."""
    edges = [(gap.place - gap.width / 2, gap.place + gap.width / 2) for gap in found.gaps]
    starts = [0.0, *(first for first, _ in edges)]
    ends = [*(last for _, last in edges), 1.0]
    for start, end in zip(starts, ends, strict=True):
        yield light[round(start * len(light)) : round(end * len(light))]


def measure_scans(folder: Path) -> None:
    """Print what becomes of real scans: even numbers were looked at while limits were set."""
    told: dict[str, Counter[str]] = {"even": Counter(), "odd": Counter()}
    for number, light in plates_of(folder):
        count = told["odd" if number % 2 else "even"]
        count["scans"] += 1
        if light is None:
            count["sides in doubt"] += 1
            continue
        found = find_pictures(light, positive=True)
        if not found.boxes:
            continue
        count["proposed"] += 1
        if len(found.boxes) != EXPOSURES:
            count["another number"] += 1
            continue
        for place, gap in enumerate(found.gaps, 1):
            off = abs(gap.place - darkest_near(light, place / EXPOSURES))
            count["cuts"] += 1
            count["cuts off by 0.1 %"] += off > 0.001
            count["cuts off by 0.5 %"] += off > WRONG
        for single in single_exposures(light, found):
            count["single exposures"] += 1
            count["of these parted"] += bool(find_pictures(single, positive=True).boxes)
    for half, count in told.items():
        print(f"  {half:<6}", ", ".join(f"{name} {n}" for name, n in count.items()), flush=True)


def measure_simulated(plates: int, first: int) -> None:
    """Print in how many simulated plates of one picture several are seen."""
    told: Counter[str] = Counter()
    for seed in range(first, first + plates):
        rng = np.random.default_rng(seed)
        rebate = tuple(float(v) for v in rng.uniform(0.0, 5.0, 4))
        plate = PlateModel(
            scene=SCENES[seed % len(SCENES)],
            rebate_mm=rebate,  # type: ignore[arg-type]
            log_exposure=float(rng.uniform(1.0, 2.2)),
            scratches=int(rng.integers(0, 6)),
            dust=int(rng.integers(0, 40)),
            out_of_square_deg=float(rng.uniform(-0.5, 0.5)),
        )
        straight = _straightened(plate, seed)
        told["plates"] += 1
        told["sides in doubt"] += straight is None
        told["parted"] += straight is not None and bool(find_pictures(straight).boxes)
    print("  one   ", ", ".join(f"{name} {n}" for name, n in told.items()), flush=True)


def several_on_plate(
    rng: np.random.Generator, rows: int, columns: int
) -> tuple[Floats, list[NDArray[np.float64]]]:
    """Return the light on a plate of equal pictures, and its gaps' middles down and across.

    A pair shows one scene a little shifted; more are exposures of one scene, a half of the light
    to the next. No light falls into the gaps.
    """
    name = SCENES[int(rng.integers(len(SCENES)))]
    height, width, gap = 360, 420, int(rng.integers(4, 16))
    scene = make_scene(name, (height, width + 12))
    shape = rows * height + (rows - 1) * gap, columns * width + (columns - 1) * gap
    light = np.zeros(shape, np.float32)
    for place in range(rows * columns):
        top, left = place // columns * (height + gap), place % columns * (width + gap)
        shift = 12 * (place % 2)
        part = scene[:, shift : shift + width] * np.float32(2.0 ** -(place // 2))
        light[top : top + height, left : left + width] = part
    truth = [
        (np.arange(1, count) * (step + gap) - gap / 2) / side
        for count, step, side in zip((rows, columns), (height, width), shape, strict=True)
    ]
    return light, truth


def measure_several(plates: int, first: int) -> None:
    """Print how simulated plates of several pictures are parted, against the simulator's truth."""
    for name, (rows, columns) in {"pair": (1, 2), "three": (3, 1), "steps": (2, 3)}.items():
        told: Counter[str] = Counter()
        worst = 0.0
        for seed in range(first, first + plates):
            rng = np.random.default_rng([seed, rows, columns])
            light, truth = several_on_plate(rng, rows, columns)
            rebate = float(rng.uniform(1.0, 4.0))
            size = 60.0 * rows + 2 * rebate, 70.0 * columns + 2 * rebate
            plate = PlateModel(
                scene=light,
                size_mm=size,
                rebate_mm=(rebate,) * 4,
                log_exposure=float(rng.uniform(1.2, 2.2)),
                scratches=int(rng.integers(0, 4)),
                dust=int(rng.integers(0, 30)),
            )
            straight = _straightened(plate, seed)
            told["plates"] += 1
            if straight is None:
                told["sides in doubt"] += 1
                continue
            found = find_pictures(straight)
            told["proposed"] += bool(found.boxes)
            if not found.boxes:
                continue
            # Seen from the emulsion a plate lies reversed; equal pictures lie the same both ways.
            true = np.concatenate(
                [
                    (gaps * (side - 2 * rebate) + rebate) / side
                    for gaps, side in zip(truth, size, strict=True)
                ]
            )
            if len(found.gaps) != true.size:
                told["another number"] += 1
                continue
            off = np.abs(np.array([gap.place for gap in found.gaps]) - true)
            told["cuts"] += off.size
            told["cuts off by 0.5 %"] += int(np.sum(off > WRONG))
            worst = max(worst, float(off.max()))
        counts = ", ".join(f"{what} {n}" for what, n in told.items())
        print(f"  {name:<6} {counts}, worst cut {worst:.2%}", flush=True)


def _straightened(plate: PlateModel, seed: int) -> Floats | None:
    """Return a simulated plate, flattened, found and straightened; None where it is in doubt."""
    box, camera = LightBox(), CameraModel(shape=(700, 1000))
    shot = simulate_plate(plate, box, camera, exposure_s=1 / 16, seed=seed)
    blank = simulate_blank(box, camera, exposure_s=1 / 16, seed=seed + 5000)
    seen = transmittance_from_counts(shot.frame, light_from_blanks([blank]))
    found = find_plate(seen)
    if found.doubts or not found.found:
        return None
    plan = plan_straighten(seen.shape, found.corners)
    return straighten_rows(seen, plan, 0, plan.shape[0])[0]


def main() -> None:
    """Read the command line and print a line a kind."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--scans", type=Path, help="folder of scans with three exposures each")
    parser.add_argument("--plates", type=int, default=100)
    parser.add_argument("--first", type=int, default=4000)
    asked = parser.parse_args()
    if asked.scans is not None:
        measure_scans(asked.scans)
    measure_simulated(asked.plates, asked.first)
    measure_several(max(1, asked.plates // 4), asked.first)


if __name__ == "__main__":
    main()
