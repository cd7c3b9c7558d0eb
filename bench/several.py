"""Several plates in a frame: how many are found, how well, and what goes wrong unsaid.

Simulated frames, see ``platebench.synthetic.several``; ``--first`` is the first seed.
"""

from __future__ import annotations

import argparse
from collections import Counter

import numpy as np
from numpy.typing import NDArray

from platebench.plate.finding.find_plate import FoundPlate
from platebench.plate.finding.find_plates import find_plates
from platebench.plate.flatten import transmittance_from_counts
from platebench.plate.light import light_from_blanks
from platebench.synthetic import simulate_blank
from platebench.synthetic.several import Group, Kind, SeveralPlates, simulate_several

CLOSE = 0.0025  # of the long side
WRONG = 0.005
KINDS: tuple[Kind, ...] = ("bright", "mask", "touch", "crack")
Doubles = NDArray[np.float64]


def found_in(shot: SeveralPlates, seed: int) -> tuple[FoundPlate, ...]:
    """Return what is found in a simulated frame, flattened with a blank of its own noise."""
    blank = simulate_blank(shot.box, shot.camera, exposure_s=1 / 15, seed=seed + 5000)
    return find_plates(transmittance_from_counts(shot.frame, light_from_blanks([blank])))


def error_of(found: FoundPlate, truth: Doubles) -> float:
    """Return the largest distance of a corner from its place, share of the long side.

    Corners are compared as they lie nearest: which one is called the first is no error here.
    """
    long_side = np.hypot(*(np.roll(truth, -1, axis=0) - truth).T).max()
    turns = [np.hypot(*(np.roll(found.corners, k, axis=0) - truth).T).max() for k in range(4)]
    return float(min(turns) / long_side)


def beside(found: FoundPlate, truth: Doubles) -> bool:
    """Tell whether the middle of what was found lies within a true outline."""
    middle = found.corners.mean(axis=0)
    ahead, away = np.roll(truth, -1, axis=0) - truth, middle - truth
    return bool((ahead[:, 1] * away[:, 0] - ahead[:, 0] * away[:, 1] > 0).all())


def judge(group: Group, found: tuple[FoundPlate, ...]) -> Counter[str]:
    """Count what became of a group.

    A capture that ends as one entry in doubt is kept whole: nothing in it is lost unsaid.
    """
    told: Counter[str] = Counter()
    kept_whole = len(found) == 1 and bool(found[0].doubts)
    if group.kind == "plate":
        told["plates"] += 1
        own = [plate for plate in found if beside(plate, group.corners[0])]
        error = error_of(own[0], group.corners[0]) if own else 1.0
        told["found"] += len(own) == 1
        told["close"] += error < CLOSE
        told["doubted"] += bool(own and own[0].doubts)
        told["close, doubted"] += error < CLOSE and bool(own[0].doubts)
        told["off, doubted"] += error >= WRONG and bool(own and own[0].doubts)
        doubted = bool(own and own[0].doubts) or kept_whole
        told["off, not doubted"] += error >= WRONG and not doubted
        return told
    hull = np.concatenate(list(group.corners))
    inside = [
        plate
        for plate in found
        if (plate.corners.mean(axis=0) > hull.min(axis=0)).all()
        and (plate.corners.mean(axis=0) < hull.max(axis=0)).all()
    ]
    right = len(inside) == len(group.corners) and all(
        min(error_of(plate, truth) for plate in inside) < WRONG * (1 + 2 * (group.kind == "crack"))
        for truth in group.corners
    )
    flagged = kept_whole or (bool(inside) and all(plate.doubts for plate in inside))
    told[group.kind] += 1
    told[f"{group.kind} right"] += right
    told[f"{group.kind} flagged"] += flagged and not right
    told[f"{group.kind} wrong, unsaid"] += not right and not flagged
    return told


def measure(kind: Kind, seeds: range, *, loud: bool = False) -> Counter[str]:
    """Return the counts over frames of a kind."""
    told: Counter[str] = Counter()
    for seed in seeds:
        shot = simulate_several(seed, kind)
        found = found_in(shot, seed)
        here = Counter(frames=1)
        for group in shot.groups:
            here += judge(group, found)
        wanted = sum(group.kind == "plate" for group in shot.groups)
        apart = wanted == len(shot.groups)
        if apart:
            here["frames counted right"] += len(found) == wanted and here["found"] == wanted
        told += here
        if loud:
            wrong = here["plates"] - here["close"] or any("unsaid" in k for k in here)
            wrong = wrong or (apart and not here["frames counted right"]) or here["doubted"]
            if wrong:
                print(kind, seed, dict(here), flush=True)
                for plate in found:
                    if plate.doubts:
                        print("   ", plate.doubts, flush=True)
    return told


def main() -> None:
    """Read the command line and print a line a kind."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--frames", type=int, default=20)
    parser.add_argument("--first", type=int, default=7000)
    parser.add_argument("--kind", choices=KINDS, action="append")
    parser.add_argument("--loud", action="store_true", help="name the frames that went wrong")
    asked = parser.parse_args()
    for kind in asked.kind or KINDS:
        told = measure(kind, range(asked.first, asked.first + asked.frames), loud=asked.loud)
        print(
            f"  {kind:<8}", ", ".join(f"{name} {count}" for name, count in told.items()), flush=True
        )


if __name__ == "__main__":
    main()
