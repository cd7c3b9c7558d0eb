"""Find a step tablet in a capture, or a wedge printed from one on a plate.

Rows of even patches (`tablet_plateaus`) are the seed. Along the seed's axis the picture is sampled
straight, the edges between the steps are fitted as a comb of one spacing, and the comb is
lengthened both ways while there is one more even patch, denser or thinner than the last.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from platebench.core.image import PlateImage
from platebench.measure.tablet.comb import Comb, grow_comb
from platebench.measure.tablet.plateaus import find_chains
from platebench.plate.light import LEVEL_REFUSED

Floats = NDArray[np.float32]
Doubles = NDArray[np.float64]

LONG_SIDE = 1600  # pixels of the reduced picture
_MASK = 0.25  # transmittance: two stops, more than lamps drift by
INNER = 0.62  # share of a step's length and width that is read


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FoundTablet:
    """Where the steps of a tablet lie in a capture.

    Attributes
    ----------
    quads : ndarray of float64, shape (steps, 4, 2)
        Inner area of each step, thinnest first: corners ``(row, column)``, pixels of the capture.
    pitch_px : float
        From one step to the next.
    width_px : float
        Across the steps.
    angle_deg : float
        Direction from thin to dense, clockwise from rightwards.
    ends : (str, str)
        What lies beyond the thin and the dense end: "seen" where the tablet ends within the
        frame, "frame" where the frame cuts it off.
    level : float
        Transmittance of the bare light around it; 1.0 where none reaches the frame's border. It
        may be anything: who relies on the blank's light has to refuse what is too far from it.
    """

    quads: Doubles
    pitch_px: float
    width_px: float
    angle_deg: float
    ends: tuple[str, str]
    clear: tuple[bool, bool]
    level: float

    @property
    def steps(self) -> int:
        """Number of steps found."""
        return len(self.quads)


def find_tablet(image: PlateImage) -> FoundTablet | None:
    """Find the longest row of steps in a capture.

    Parameters
    ----------
    image : PlateImage
        Transmittance, (M, N) with the mosaic still interleaved or (M, N, 3).

    Returns
    -------
    FoundTablet or None
        None where there are no ``LEAST_STEPS`` steps in a row.

    """
    small, block = reduced_blocks(image)
    level = bare_level(small)
    bare = level if abs(np.log2(level)) <= LEVEL_REFUSED else 1.0
    best: Comb | None = None
    for chain in find_chains(small):
        comb = grow_comb(small, chain, bare)
        if comb is not None and (best is None or comb.score > best.score):
            best = comb
    return None if best is None else _found(best, block, level)


def reduced_blocks(image: PlateImage) -> tuple[Floats, int]:
    """Return the mean over square blocks, a multiple of the colour pattern, and their side."""
    period = int(np.lcm(*image.pattern.shape))
    block = period * max(1, -(-max(image.shape) // (LONG_SIDE * period)))
    rows, columns = (max(1, n // block) for n in image.shape)
    cut = image.pixels[: rows * block, : columns * block]
    small = cv2.resize(cut, (columns, rows), interpolation=cv2.INTER_AREA) if block > 1 else cut
    if small.ndim == 3:
        small = small.mean(axis=2, dtype=np.float32)
    return np.ascontiguousarray(np.nan_to_num(small, nan=0.0, posinf=0.0, neginf=0.0)), block


def bare_level(small: Floats) -> float:
    """Return the transmittance of bare light that reaches the frame's border; 1 if none does.

    What is even and lets through a quarter of the blank's light or more is taken for bare light;
    what is darker, for a mask.
    """
    rim = max(2, round(0.01 * min(small.shape)))
    border = np.concatenate(
        [small[:rim].ravel(), small[-rim:].ravel(), small[:, :rim].ravel(), small[:, -rim:].ravel()]
    )
    top = float(np.quantile(border, 0.9))
    if top < _MASK:
        return 1.0
    light = border[np.abs(border - top) < 0.05 * top]
    return float(np.median(light)) if light.size > 0.25 * border.size else 1.0


def _found(comb: Comb, block: int, level: float) -> FoundTablet:
    low, high = comb.sides
    middle, half = (low + high) / 2, (high - low) / 2
    quads = []
    for k in range(comb.low, comb.high + 1):
        at = comb.origin + comb.centre(k) * comb.along + middle * comb.across
        a = comb.along * comb.pitch * INNER / 2
        b = comb.across * half * INNER
        quads.append([at - a - b, at + a - b, at + a + b, at - a + b])
    full = (np.array(quads) + 0.5) * block - 0.5
    ends = tuple(
        "seen" if np.isfinite(comb.level(k)) else "frame" for k in (comb.low - 1, comb.high + 1)
    )
    return FoundTablet(
        quads=full,
        pitch_px=comb.pitch * block,
        width_px=2 * half * block,
        angle_deg=float(np.degrees(np.arctan2(comb.along[0], comb.along[1]))),
        ends=(ends[0], ends[1]),
        clear=(comb.stands_clear(comb.low, -1), comb.stands_clear(comb.high, 1)),
        level=level,
    )
