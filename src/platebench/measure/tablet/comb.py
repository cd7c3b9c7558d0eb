"""The steps of a tablet along its axis: edges of one spacing, patches that go on getting denser.

A seed of a few steps is lengthened both ways for as long as there is one more even patch, denser
or thinner than the last; ends that do not stand out from what lies beside them are given up.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from platebench.measure.tablet.plateaus import Chain, log_density

Floats = NDArray[np.float32]
Doubles = NDArray[np.float64]

LEAST_STEPS = 4
MOST_STEPS = 80
BARE = 0.955  # of the bare light: more than film or glass lets through (0.92: two surfaces)
_REACH = 2.6  # half widths sampled to each side of the axis
_CELL = 0.3  # half of the part of a step that is looked at, in steps
_LEAST_RANGE = 0.15  # D between the first and the last step
_SMALLEST_STEP = 0.004  # D
_OTHER = 0.03  # D: what differs by more is not the step beside it, printed a little off
_PLAIN_PATH = 0.8  # share of the way from step to step without a line of another density
_PLAINEST_PATH, _FEW_STEPS = 0.95, 7  # that share where so few steps were found
_CROOKED = 2.0  # pixels that the axis may run off over the length of the tablet
_BLUR = 2.5  # pixels beyond the edge that its blur may reach
_TRUE_EDGE = 0.7  # share of steps that differ from what lies beyond an edge of the tablet


class Comb:
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
        self.phase = self.lean = 0.0
        self.sides = (-self.half, self.half)
        self._profile()

    def _within(self, shape: tuple[int, int], t: Doubles) -> NDArray[np.bool_]:
        rows = self.origin[0] + t * self.along[0]
        cols = self.origin[1] + t * self.along[1]
        seen = (rows > -1) & (rows < shape[0]) & (cols > -1) & (cols < shape[1])
        return np.asarray(seen, bool)

    def _profile(self) -> None:
        low, high = self.sides
        middle, half = (low + high) / 2, (high - low) / 2
        core = self.strip[np.abs(self.v - middle) <= 0.6 * half]
        seen = np.isfinite(core).mean(axis=0) > 0.5
        self.light = np.full(core.shape[1], np.nan)
        self.light[seen] = np.nanmedian(core[:, seen], axis=0)
        self.density = np.where(
            seen, log_density(np.nan_to_num(self.light).astype(np.float32)), np.nan
        )

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
        return self.goes_over(k, before) > _PLAIN_PATH and self._even_across(k, rise, noise)

    def stands_clear(self, k: int, sign: int) -> bool:
        """Tell whether what lies beyond an end step is seen, and certainly no further step.

        Steps go on in one direction, and on a wedge the rises shrink towards its ends: what turns
        back, or jumps by several rises, is something else.
        """
        here, beyond, before = (self.level(n) for n in (k, k + sign, k - sign))
        if not np.isfinite(beyond):
            return False
        noise = 6 * float(np.hypot(self.scatter(k), self.scatter(k + sign)))
        onward = (beyond - here) * sign
        return onward < -max(_OTHER, noise) or onward > max(3 * abs(here - before), 4 * _OTHER)

    def goes_over(self, k: int, before: int) -> float:
        """Return the share of the way between two steps that lies between their densities."""
        here, there = self.level(k), self.level(before)
        noise = float(np.hypot(self.scatter(k), self.scatter(before)))
        path = self.density[self._between(k, before)]
        path = path[np.isfinite(path)]
        slack = max(0.5 * abs(here - there), 0.03, 6 * noise)
        low, high = min(here, there) - slack, max(here, there) + slack
        return float(np.mean((path >= low) & (path <= high)))

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
            edges.append(
                float((part * np.arange(a, a + part.size)).sum() / part.sum()) + self.start
            )
            weights.append(float(np.clip(rise, 0.005, 0.1)))
        if len(places) < 3:
            return
        keep = np.ones(len(places), bool)
        for _ in range(3):
            fit = np.polyfit(
                np.array(places)[keep], np.array(edges)[keep], 1, w=np.array(weights)[keep]
            )
            off = np.abs(np.polyval(fit, places) - edges)
            keep = off <= max(1.5, 3 * float(np.median(off)))
            if keep.sum() < 3:
                return
        self.pitch, self.phase = float(fit[0]), float(fit[1])

    def find_sides(self) -> None:
        """Move both long sides to where the steps end across the axis."""
        found: dict[int, dict[int, float]] = {-1: {}, 1: {}}
        for k in range(self.low, self.high + 1):
            part = self.strip[:, self.cell(k)]
            level = self.level(k)
            around = [n for n in (k - 1, k + 1) if self.low <= n <= self.high]
            rise = max((abs(self.level(n) - level) for n in around), default=0.03)
            limit = max(0.008, 6 * self.scatter(k), 0.3 * rise)
            # A row belongs to the step if most of it is alike; figures printed on it may differ.
            alike = np.abs(log_density(np.nan_to_num(part, nan=-1.0)) - level) < limit
            belongs = (alike & np.isfinite(part)).mean(axis=1) > 0.4
            gap = max(2, round(0.6 * self.half))
            for sign in (-1, 1):
                out = np.flatnonzero(self.v * sign > 0.4 * self.half)
                out = out if sign > 0 else out[::-1]
                alien = ~belongs[out]
                runs = np.flatnonzero(
                    [alien[n : n + gap].all() for n in range(max(0, len(out) - gap + 1))]
                )
                if runs.size:
                    found[sign][k] = float(self.v[out[runs[0]]])
        low = float(np.median([*found[-1].values()])) if found[-1] else -self.half
        high = float(np.median([*found[1].values()])) if found[1] else self.half
        if high - low > 0.6 * self.half:
            self.sides = (low, high)
            self._profile()
        both = sorted(found[-1].keys() & found[1].keys())
        middles = [(found[-1][k] + found[1][k]) / 2 for k in both]
        self.lean = _slope(both, middles) / self.pitch if len(both) >= LEAST_STEPS else 0.0

    def turned(self) -> Chain:
        """Return its steps as a seed whose axis follows their middles."""
        along = self.along + self.lean * self.across
        along /= np.hypot(*along)
        middle = (self.low + self.high) / 2
        across = (self.sides[0] + self.sides[1]) / 2
        centre = self.origin + self.centre(0) * self.along + across * self.across
        centre = centre + middle * self.pitch * self.along
        return Chain(
            first=centre - (middle - self.low) * self.pitch * along,
            step=self.pitch * along,
            half_width=(self.sides[1] - self.sides[0]) / 2,
            count=self.high - self.low + 1,
            range=0.0,
        )

    def drop_dull_ends(self) -> None:
        """Give up steps at both ends that do not differ from what lies beside them.

        A side on which many steps do not differ is no edge of the tablet (figures are printed
        there, or it lies against something of its own kind) and does not count.
        """
        table = {
            k: (self._differs(k, self.sides[0], -1), self._differs(k, self.sides[1], 1))
            for k in range(self.low, self.high + 1)
        }
        shares = []
        for n in (0, 1):
            seen = [row[n] for row in table.values() if row[n] is not None]
            shares.append(sum(map(bool, seen)) / len(seen) if seen else 1.0)
        use = [n for n in (0, 1) if shares[n] >= _TRUE_EDGE] or [0, 1]
        stands = {k: all(row[n] is not False for n in use) for k, row in table.items()}
        while self.high > self.low and not stands[self.high]:
            self.high -= 1
        while self.high > self.low and not stands[self.low]:
            self.low += 1

    def _differs(self, k: int, edge: float, sign: int) -> bool | None:
        """Tell whether a step differs from what lies beyond one side; None if that is not seen."""
        wide = max(3.0, 0.2 * (self.sides[1] - self.sides[0]))
        away = (self.v - edge) * sign
        beside = self.strip[(away > _BLUR) & (away <= _BLUR + wide)][:, self.cell(k)]
        if not beside.size or np.isfinite(beside).mean() <= 0.5:
            return None
        around = log_density(np.array([np.nanmedian(beside)], np.float32))[0]
        return abs(float(around) - self.level(k)) > max(0.006, 5 * self.scatter(k))


def grow_comb(small: Floats, chain: Chain, bare: float) -> Comb | None:
    """Return the comb that a seed grows into, or None if it is no tablet.

    Parameters
    ----------
    small : ndarray of float32, shape (m, n)
        Reduced transmittance.
    chain : Chain
        The seed.
    bare : float
        Transmittance of the bare light, which no step reaches.
    """
    comb = _grown(small, chain, bare)
    if comb is not None and abs(comb.lean) * comb.pitch * (comb.high - comb.low) > _CROOKED:
        comb = _grown(small, comb.turned(), bare)
    if comb is None:
        return None
    comb.drop_dull_ends()
    steps = [comb.level(k) for k in range(comb.low, comb.high + 1)]
    if len(steps) < LEAST_STEPS or steps[-1] - steps[0] < _LEAST_RANGE or min(np.diff(steps)) <= 0:
        return None
    if len(steps) < _FEW_STEPS and not _beyond_doubt(comb, steps):
        return None
    return comb


def _grown(small: Floats, chain: Chain, bare: float) -> Comb | None:
    """Return a seed lengthened as far as there are steps; None if less than two are left."""
    comb = Comb(small, chain)
    comb.refit()
    comb.find_sides()
    comb.refit()
    while comb.high > comb.low and not comb.is_step(comb.high, comb.high - 1, bare):
        comb.high -= 1
    while comb.high > comb.low and not comb.is_step(comb.low, comb.low + 1, bare):
        comb.low += 1
    if comb.high == comb.low:
        return None
    grew = True
    while grew and comb.high - comb.low < MOST_STEPS:
        grew = False
        if comb.is_step(comb.high + 1, comb.high, bare):
            comb.high, grew = comb.high + 1, True
        if comb.is_step(comb.low - 1, comb.low, bare):
            comb.low, grew = comb.low - 1, True
        if grew:
            comb.refit()
    comb.find_sides()
    return comb


def _slope(at: list[int], values: list[float]) -> float:
    """Return the median slope between all pairs (Theil and Sen)."""
    x, y = np.array(at, np.float64), np.array(values, np.float64)
    one, other = np.triu_indices(len(x), 1)
    return float(np.median((y[other] - y[one]) / (x[other] - x[one])))


def _beyond_doubt(comb: Comb, steps: list[float]) -> bool:
    """Tell whether a short row is a tablet: pictures hold rows of a few even patches, too."""
    rises = np.diff(steps)
    plain = min(comb.goes_over(k + 1, k) for k in range(comb.low, comb.high))
    return bool(plain > _PLAINEST_PATH and rises.max() < 3 * rises.min())
