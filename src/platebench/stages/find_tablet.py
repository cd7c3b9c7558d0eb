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

from platebench.image import Encoding, PlateImage
from platebench.stages.tablet_plateaus import Chain, find_chains, log_density

Floats = NDArray[np.float32]
Doubles = NDArray[np.float64]

LONG_SIDE = 1600  # pixels of the reduced picture
LEAST_STEPS = 4
BARE = 0.955  # of the bare light: more than film or glass lets through (0.92: two surfaces)
INNER = 0.62  # share of a step's length and width that is read
_REACH = 2.6  # half widths sampled to each side of the axis
_CELL = 0.3  # half of the part of a step that is looked at, in steps
_LEAST_RANGE = 0.15  # D between the first and the last step
_SMALLEST_STEP = 0.004  # D


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
        Transmittance of the bare light around it; 1.0 where none reaches the frame's border.
    """

    quads: Doubles
    pitch_px: float
    width_px: float
    angle_deg: float
    ends: tuple[str, str]
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
        TRANSMITTANCE, (M, N) with the mosaic still interleaved or (M, N, 3).

    Returns
    -------
    FoundTablet or None
        None where there are no ``LEAST_STEPS`` steps in a row.

    Raises
    ------
    ValueError
        If the picture is not transmittance.
    """
    if image.encoding is not Encoding.TRANSMITTANCE:
        raise ValueError(f"find_tablet needs transmittance, got {image.encoding}")
    small, block = reduced_blocks(image)
    level = bare_level(small)
    best: _Comb | None = None
    for chain in find_chains(small):
        comb = _grow(small, chain, level)
        if comb is not None and (best is None or comb.score > best.score):
            best = comb
    return None if best is None else _found(best, image.shape, block, level)


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
    """Return the transmittance of bare light that reaches the frame's border; 1 if none does."""
    rim = max(2, round(0.01 * min(small.shape)))
    border = np.concatenate(
        [small[:rim].ravel(), small[-rim:].ravel(), small[:, :rim].ravel(), small[:, -rim:].ravel()]
    )
    top = float(np.quantile(border, 0.9))
    if not 0.85 < top < 1.2:
        return 1.0
    light = border[np.abs(border - top) < 0.05 * top]
    return float(np.median(light)) if light.size > 0.25 * border.size else 1.0


class _Comb:
    """A straightened strip and the comb of steps fitted to it.

    Places along the strip are pixels of the reduced picture from the seed's first step, which is
    step 0; the comb has steps ``low`` to ``high``, both included.
    """

    def __init__(self, small: Floats, chain: Chain) -> None:
        self.pitch = float(np.hypot(*chain.step))
        self.along = chain.step / self.pitch
        self.across = np.array([-self.along[1], self.along[0]])
        self.origin, self.half = chain.first.copy(), chain.half_width
        diagonal = float(np.hypot(*small.shape))
        self.start = -int(diagonal)
        reach = int(np.ceil(_REACH * self.half)) + 4
        t = np.arange(self.start, int(diagonal) + 1, dtype=np.float64)
        v = np.arange(-reach, reach + 1, dtype=np.float64)
        inside = self._within(small.shape, t)
        t = t[inside]
        self.start = int(t[0])
        rows = self.origin[0] + t[None] * self.along[0] + v[:, None] * self.across[0]
        cols = self.origin[1] + t[None] * self.along[1] + v[:, None] * self.across[1]
        self.strip = cv2.remap(
            small, cols.astype(np.float32), rows.astype(np.float32), cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_CONSTANT, borderValue=float("nan"),
        )  # fmt: skip
        self.v = v
        self.low, self.high = 0, chain.count - 1
        self.phase = 0.0
        self.sides = (-self.half, self.half)
        self._profile()

    def _within(self, shape: tuple[int, int], t: Doubles) -> NDArray[np.bool_]:
        rows = self.origin[0] + t * self.along[0]
        cols = self.origin[1] + t * self.along[1]
        return (rows > -1) & (rows < shape[0]) & (cols > -1) & (cols < shape[1])

    def _profile(self) -> None:
        low, high = self.sides
        middle, half = (low + high) / 2, (high - low) / 2
        core = self.strip[np.abs(self.v - middle) <= 0.6 * half]
        seen = np.isfinite(core).mean(axis=0) > 0.5
        self.light = np.full(core.shape[1], np.nan)
        self.light[seen] = np.nanmedian(core[:, seen], axis=0)
        self.density = np.where(seen, log_density(np.nan_to_num(self.light).astype(np.float32)), np.nan)

    def centre(self, k: int) -> float:
        """Return the place of a step's middle along the strip."""
        return self.phase + self.pitch * k

    def cell(self, k: int, half: float = _CELL) -> slice:
        """Return the columns of the strip in the middle of a step."""
        a = self.centre(k) - half * self.pitch - self.start
        b = self.centre(k) + half * self.pitch - self.start
        return slice(max(0, int(np.ceil(a))), max(0, int(np.floor(b)) + 1))

    @property
    def score(self) -> tuple[int, float]:
        """Return steps, then range of density."""
        return self.high - self.low + 1, self.level(self.high) - self.level(self.low)

    def level(self, k: int) -> float:
        """Return the density of a step; not a number where less than half of it is seen."""
        values = self.density[self.cell(k)]
        wanted = 2 * _CELL * self.pitch
        values = values[np.isfinite(values)]
        return float(np.median(values)) if values.size >= 0.5 * wanted else float("nan")

    def scatter(self, k: int) -> float:
        """Return the standard error of a step's density on the reduced picture."""
        values = self.density[self.cell(k)]
        values = values[np.isfinite(values)]
        if values.size < 3:
            return float("inf")
        return float(np.std(np.diff(values)) / np.sqrt(2 * values.size))

    def is_step(self, k: int, before: int, bare: float) -> bool:
        """Tell whether there is an even patch at ``k`` that goes on from its neighbour."""
        here, there = self.level(k), self.level(before)
        if not np.isfinite(here) or not np.isfinite(there):
            return False
        if 10**-here > BARE * bare:
            return False
        rise = (here - there) * (1 if k > before else -1)
        noise = float(np.hypot(self.scatter(k), self.scatter(before)))
        if rise < max(_SMALLEST_STEP, 3 * noise) or rise > 0.8:
            return False
        values = self.density[self.cell(k)]
        values = values[np.isfinite(values)]
        half = len(values) // 2
        slope = abs(np.median(values[:half]) - np.median(values[half:]))
        if slope > max(0.4 * rise, 4 * noise):
            return False
        between = self.density[self._between(k, before)]
        between = between[np.isfinite(between)]
        slack = max(0.5 * rise, 0.03, 6 * noise)
        low, high = min(here, there) - slack, max(here, there) + slack
        return bool(np.mean((between >= low) & (between <= high)) > 0.9) and self._even_across(
            k, rise, noise
        )

    def _between(self, k: int, before: int) -> slice:
        a, b = sorted((self.centre(k), self.centre(before)))
        return slice(max(0, int(a) - self.start), max(0, int(b) - self.start))

    def _even_across(self, k: int, rise: float, noise: float) -> bool:
        low, high = self.sides
        middle, half = (low + high) / 2, (high - low) / 2
        part = self.strip[:, self.cell(k)]
        one = part[(self.v < middle) & (self.v > middle - 0.6 * half)]
        other = part[(self.v > middle) & (self.v < middle + 0.6 * half)]
        if not np.isfinite(one).any() or not np.isfinite(other).any():
            return False
        pair = log_density(np.array([np.nanmedian(one), np.nanmedian(other)], np.float32))
        return bool(abs(pair[0] - pair[1]) < max(0.5 * rise, 0.02, 6 * noise))

    def refit(self) -> None:
        """Fit phase and pitch to the edges between the steps."""
        slope = np.abs(np.gradient(np.nan_to_num(self.density, nan=0.0)))
        places, edges, weights = [], [], []
        for k in range(self.low, self.high):
            middle = self.centre(k) + self.pitch / 2 - self.start
            reach = max(2.0, 0.28 * self.pitch)
            a, b = max(0, round(middle - reach)), round(middle + reach) + 1
            part = slope[a:b] - np.median(slope[a:b]) if b - a > 2 else np.zeros(0)
            part = np.maximum(part, 0)
            if part.sum() < 1e-4:
                continue
            rise = self.level(k + 1) - self.level(k)
            places.append(k + 0.5)
            edges.append(float((part * np.arange(a, a + part.size)).sum() / part.sum()) + self.start)
            weights.append(float(np.clip(rise, 0.005, 0.1)))
        if len(places) < 3:
            return
        keep = np.ones(len(places), bool)
        for _ in range(3):
            fit = np.polyfit(np.array(places)[keep], np.array(edges)[keep], 1, w=np.array(weights)[keep])
            off = np.abs(np.polyval(fit, places) - edges)
            keep = off <= max(1.5, 3 * float(np.median(off)))
            if keep.sum() < 3:
                return
        self.pitch, self.phase = float(fit[0]), float(fit[1])

    def find_sides(self) -> None:
        """Move both long sides to where the steps end across the axis."""
        found: dict[int, list[float]] = {-1: [], 1: []}
        for k in range(self.low, self.high + 1):
            with np.errstate(all="ignore"):
                profile = np.nanmean(self.strip[:, self.cell(k)], axis=1) if True else None
            line = log_density(np.nan_to_num(profile).astype(np.float32))
            near = [abs(self.level(n) - self.level(k)) for n in (k - 1, k + 1) if self.low <= n <= self.high]
            limit = max(0.008, 6 * self.scatter(k), 0.3 * max(near, default=0.03))
            level = self.level(k)
            for sign in (-1, 1):
                out = np.flatnonzero(self.v * sign > 0.5 * self.half)
                out = out if sign > 0 else out[::-1]
                off = np.abs(line[out] - level) > limit
                off |= ~np.isfinite(profile[out])
                away = np.flatnonzero(off[:-1] & off[1:])
                if away.size:
                    found[sign].append(float(self.v[out[away[0]]]))
        low = float(np.median(found[-1])) if found[-1] else -self.half
        high = float(np.median(found[1])) if found[1] else self.half
        if high - low > 0.6 * self.half:
            self.sides = (low, high)
            self._profile()

    def stands_out(self, k: int) -> bool:
        """Tell whether a step differs from what lies beside it, on every side that is seen."""
        low, high = self.sides
        gap, wide = 2.5, max(3.0, 0.2 * (high - low))
        level, limit = self.level(k), max(0.006, 5 * self.scatter(k))
        differs = []
        for edge, sign in ((low, -1), (high, 1)):
            away = (self.v - edge) * sign
            beside = self.strip[(away > gap) & (away <= gap + wide)][:, self.cell(k)]
            if beside.size and np.isfinite(beside).mean() > 0.5:
                around = log_density(np.array([np.nanmedian(beside)], np.float32))[0]
                differs.append(abs(float(around) - level) > limit)
        return all(differs)


def _grow(small: Floats, chain: Chain, bare: float) -> _Comb | None:
    """Return the comb that a seed grows into, or None if it is no tablet."""
    comb = _Comb(small, chain)
    comb.refit()
    comb.find_sides()
    comb.refit()
    while comb.high > comb.low and not comb.is_step(comb.high, comb.high - 1, bare):
        comb.high -= 1
    while comb.high > comb.low and not comb.is_step(comb.low, comb.low + 1, bare):
        comb.low += 1
    if comb.high - comb.low < 1:
        return None
    grew = True
    while grew and comb.high - comb.low < 80:
        grew = False
        if comb.is_step(comb.high + 1, comb.high, bare):
            comb.high, grew = comb.high + 1, True
        if comb.is_step(comb.low - 1, comb.low, bare):
            comb.low, grew = comb.low - 1, True
        if grew:
            comb.refit()
    comb.find_sides()
    while comb.high > comb.low and not comb.stands_out(comb.high):
        comb.high -= 1
    while comb.high > comb.low and not comb.stands_out(comb.low):
        comb.low += 1
    steps = [comb.level(k) for k in range(comb.low, comb.high + 1)]
    if len(steps) < LEAST_STEPS or steps[-1] - steps[0] < _LEAST_RANGE or min(np.diff(steps)) <= 0:
        return None
    return comb


def _found(comb: _Comb, shape: tuple[int, int], block: int, level: float) -> FoundTablet:
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
        level=level,
    )
