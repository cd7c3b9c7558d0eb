"""How many test strips an unknown paper needs, and how near the time and scale then are.

Papers are drawn afresh for each seed: scale 0.8 to 2.6 log units from the first tint to 0.03 D
below full black, speed up to three stops off the guess, curves of four shapes (even, long toe, long
shoulder, steep), 0.008 D of noise a step, steps timed by hand (0.2 s and 2 %). The strip is planned
with the profile's range, which holds the true scale; "no process" plans without.

    python bench/exposure_strips.py --papers 500 --seed 1
"""

from __future__ import annotations

import argparse
import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import betainc

from one_core import figure
from platebench.printing.printing_time import (
    FIRST_TINT,
    TOLERANCE,
    MisplacedStripError,
    PrintingTime,
    find_printing_time,
)
from platebench.printing.process import ExposureScale, Process
from platebench.printing.process_file import load_process, process_folders
from platebench.printing.strip_plan import ANY_SCALE, StripPlan, plan_strip, scale_range

SHAPES = ((2.0, 2.0), (3.0, 1.5), (1.5, 3.5), (5.0, 5.0))  # of a cumulative beta distribution


@dataclass(frozen=True)
class Paper:
    """Density above white by log exposure, as the draw has it."""

    d_max: float
    scale: float
    black_s: float
    shape: tuple[float, float]

    def density(self, log_t: np.ndarray) -> np.ndarray:
        """Return what exposures print, D above white."""
        share = np.linspace(0, 1, 20_001)
        curve = self.d_max * betainc(*self.shape, share)
        tint, black = np.interp([FIRST_TINT, self.d_max - TOLERANCE], curve, share)
        place = black + (log_t - math.log10(self.black_s)) / self.scale * (black - tint)
        return np.interp(place, share, curve)


def draw(rng: np.random.Generator) -> Paper:
    return Paper(
        d_max=rng.uniform(1.0, 2.1),
        scale=rng.uniform(0.8, 2.6),
        black_s=2000 * 2 ** rng.uniform(-3, 3),
        shape=SHAPES[rng.integers(len(SHAPES))],
    )


def expose(
    paper: Paper, plan: StripPlan, rng: np.random.Generator, process: Process | None
) -> PrintingTime:
    times = np.array(plan.times_s)
    timed = np.cumsum(np.array(plan.card_s) + rng.normal(0, 0.2, len(times)) * (times > 2))
    true = np.maximum(timed, times / 2) * np.exp(rng.normal(0, 0.02))
    read = paper.density(np.log10(true)) + rng.normal(0, 0.008, len(times))
    return find_printing_time("strip", plan.times_s, read.tolist(), process=process)


def run(
    paper: Paper, rng: np.random.Generator, process: Process | None, within: float
) -> tuple[int, PrintingTime | None]:
    """Return how many strips it took, four at most, and the last reading."""
    scale = ANY_SCALE if process is None else scale_range(process.scales)
    plan = plan_strip(2000, within, scale)
    for count in range(1, 5):
        try:
            found = expose(paper, plan, rng, process)
        except MisplacedStripError as error:
            plan = error.next_strip
            continue
        if found.scale is not None:
            return count, found
        assert found.next_strip is not None
        plan = found.next_strip
    return 5, None


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--papers", type=int, default=500)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    salted = load_process("salted-paper", process_folders(None, None))

    def of_range(rng: np.random.Generator, paper: Paper) -> Process:
        width = rng.uniform(0.2, 0.7)
        low = paper.scale - rng.uniform(0, width)
        known = ExposureScale(
            low=low, typical=low + width / 2, high=low + width, status=salted.scales[0].status
        )
        return replace(salted, scales=(known,))

    kinds: dict[str, Callable[[np.random.Generator, Paper], Process | None]] = {
        "process known": of_range,
        "no process": lambda _rng, _paper: None,
    }
    for name, process_of in kinds.items():
        for within in (2.5, 1.0):
            rng = np.random.default_rng(options.seed)
            counts, time_off, scale_off = [], [], []
            for _ in range(options.papers):
                paper = draw(rng)
                count, found = run(paper, rng, process_of(rng, paper), within)
                counts.append(count)
                if found is not None and found.scale is not None:
                    time_off.append(math.log2(found.seconds / paper.black_s))
                    scale_off.append((found.scale - paper.scale) / found.step)
            shares = [100 * np.mean([least <= n <= most for n in counts])
                      for least, most in ((1, 1), (2, 2), (3, 9))]  # fmt: skip
            said = f"{name}, guess within {within:g} stops"
            figure(f"{said}: one strip; two; three or more", f"{shares[0]:.1f}; {shares[1]:.1f}; "
                   f"{shares[2]:.1f} %", ">= 80 %; rest; 0")  # fmt: skip
            off = np.abs(time_off)
            figure(f"{said}: time off, median; 95 %", f"{np.median(off):.2f}; "
                   f"{np.quantile(off, 0.95):.2f} stop")  # fmt: skip
            off = np.abs(scale_off)
            figure(f"{said}: scale off, in steps, median; 95 %", f"{np.median(off):.2f}; "
                   f"{np.quantile(off, 0.95):.2f}")  # fmt: skip


if __name__ == "__main__":
    main()
