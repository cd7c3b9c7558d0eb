"""Own speed: what the plates made so far say about the exposure of the next one.

Each plate gives ``above - beyond``: by how many stops its reference tone lies above the aim, less
the stops it was given beyond the rule of its light. That is taken as

    common + light + way of metering + batch + slope (airmass - 2) - q log2 max(t, 1 s) + scatter

with priors that no plate has to overcome alone (see ``_PRIORS``), rows that may be wrong, and
bounds for plates whose reference tone lies off the curve. The posterior is drawn by Gibbs sampling,
many short chains side by side from a fixed seed: the same plates give the same answer. Priors and
thresholds were chosen on invented makers; no real maker's log has been seen.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from platebench.plate_log.cells import LIGHT_KINDS

Floats = NDArray[np.float64]
Bound = Literal["", "at least", "at most"]
Verdict = Literal["by rule", "not enough plates", "few plates", "enough plates"]

SUNLIT = ("general", "summer-noon")
SUNNY_PLATES = 10  # with hour and latitude, before a slope of the sun is fitted
UNSURE, FEW = 0.6, 0.5  # stops, standard deviation of the offset
LOOK_AGAIN = 0.5  # probability that a row is wrong, from which on it is named
_WRONG, _WRONG_SD = 0.07, 3.0  # how often a row is wrong before it is seen, and by how many stops
_SCATTER = np.geomspace(0.2, 1.8, 12)  # stops
_SCATTER_MIDDLE, _SCATTER_FACTOR = 0.6, 0.4  # median, and the logarithm's standard deviation
_CHAINS, _BURN, _KEPT = 48, 25, 40
_SEED = 1871
# Mean and standard deviation, stops. The mean of "white" is from a trial on 400 photographs; the
# rest is chosen on invented makers.
_PRIORS: Mapping[str, tuple[float, float]] = {
    "common": (0.0, 1.0),
    "general": (0.0, 0.4),
    "summer-noon": (0.0, 0.5),
    "indoors": (0.0, 0.9),
    "sea-and-sky": (0.0, 0.9),
    "tungsten": (0.0, 0.9),
    "white": (-1.2, 0.7),
    "spot": (0.0, 0.5),
    "incident": (0.0, 0.6),
    "q": (0.14, 0.06),
    "sun": (-0.1, 0.2),
}
_BATCH_SD = 0.35
# Stops by which the next plate differs that no term stands for: drift, kinds of weather. Without it
# the interval held 72 to 83 % of invented makers' next plates for a stated 80 %.
_NEXT_SD = 0.25


@dataclass(frozen=True, slots=True, kw_only=True)
class PlateMade:
    """What one finished plate says.

    Attributes
    ----------
    plate_id : str
    light : str
        One of ``LIGHT_KINDS``.
    above : float
        By how much its reference tone lies above the aim, stops of exposure.
    beyond : float
        By how much it was given more than the light's rule, reciprocity left out, stops.
    seconds : float
        Exposure given, s.
    sigma : float
        Standard error of ``above``, stops.
    bound : {"", "at least", "at most"}
        Where ``above`` is no value but a bound.
    batch : str
    metered_on : str
        "" counts as "average".
    airmass : float or None
        That the sun's light came through.
    """

    plate_id: str
    light: str
    above: float
    beyond: float
    seconds: float
    sigma: float = 0.1
    bound: Bound = ""
    batch: str = ""
    metered_on: str = ""
    airmass: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Offset:
    """By how many stops less than the rule the next plate needs; below 0: more.

    Attributes
    ----------
    stops, sigma : float
        The offset, and its own standard deviation.
    low, high : float
        The next plate needs between these in 80 % of cases: its own scatter is in them.
    verdict : str
        Whether the plates are enough to go by.
    same_light : int
        Plates of the same light.
    """

    stops: float
    sigma: float
    low: float
    high: float
    verdict: Verdict
    same_light: int


@dataclass(frozen=True, slots=True, kw_only=True)
class LookAgain:
    """A row that goes with no other: how far off it is, and how likely it is wrong."""

    plate_id: str
    stops_off: float
    probability: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class OwnSpeed:
    """The fit.

    Attributes
    ----------
    plates : tuple of PlateMade
        What it was fitted to.
    known_q : mapping of str to (float, float)
        ``1 - p`` and its error of batches whose reciprocity was tested.
    look_again : tuple of LookAgain
    scatter : float
        Of one plate about the fit, stops.
    """

    plates: tuple[PlateMade, ...]
    known_q: Mapping[str, tuple[float, float]]
    look_again: tuple[LookAgain, ...]
    scatter: float
    names: tuple[str, ...] = field(repr=False)
    means: Floats = field(repr=False)
    covariances: Floats = field(repr=False)
    scatters: Floats = field(repr=False)

    def q_for(self, batch: str) -> tuple[float, float]:
        """Return ``1 - p`` for a batch, and its standard deviation: tested, or as the fit has it.

        Never to be announced as a measured p where it was not tested: field plates hardly tell.
        """
        if batch in self.known_q:
            return self.known_q[batch]
        at = self.names.index("q")
        spread = self.means[:, at].var() + self.covariances[:, at, at].mean()
        return float(np.clip(self.means[:, at].mean(), 0.0, 0.5)), math.sqrt(float(spread))

    def offset(
        self,
        light: str,
        *,
        batch: str = "",
        metered_on: str = "",
        seconds: float = 1.0,
        airmass: float | None = None,
    ) -> Offset:
        """Return the offset of a plate to be made; the rule itself where there are no plates.

        Parameters
        ----------
        seconds : float
            Exposure; above 1 s reciprocity counts in.
        """
        same = sum(plate.light == light and not plate.bound for plate in self.plates)
        x = np.zeros(len(self.names))
        x[self.names.index("common")] = 1.0
        for name in (light, metered_on, f"batch {batch}"):
            if name in self.names:
                x[self.names.index(name)] = 1.0
        long = math.log2(max(seconds, 1.0))
        moved, spread = 0.0, 0.0
        if batch in self.known_q:
            q, error = self.known_q[batch]
            moved, spread = -q * long, (error * long) ** 2
        else:
            x[self.names.index("q")] = -long
        if "sun" in self.names and airmass is not None and light in SUNLIT:
            x[self.names.index("sun")] = airmass - 2.0
        if f"batch {batch}" not in self.names:
            spread += _BATCH_SD**2
        means = self.means @ x + moved
        own = np.einsum("p,kpq,q->k", x, self.covariances, x) + spread
        sigma = math.sqrt(float(means.var() + own.mean()))
        rng = np.random.default_rng(_SEED)
        noise = rng.standard_normal((4, means.size))
        drawn = means + np.sqrt(own + self.scatters**2 + _NEXT_SD**2) * noise
        low, high = (float(value) for value in np.quantile(drawn, (0.1, 0.9)))
        return Offset(
            stops=0.0 if not self.plates else float(means.mean()),
            sigma=sigma,
            low=low,
            high=high,
            verdict=_verdict(sigma, len(self.plates)),
            same_light=same,
        )


def _verdict(sigma: float, plates: int) -> Verdict:
    if not plates:
        return "by rule"
    if sigma > UNSURE:
        return "not enough plates"
    return "few plates" if sigma > FEW else "enough plates"


def fit_own_speed(
    plates: Sequence[PlateMade], known_q: Mapping[str, tuple[float, float]] | None = None
) -> OwnSpeed:
    """Fit the offsets to the plates made; with none, the priors are the answer.

    Parameters
    ----------
    plates : sequence of PlateMade
        In any order; the order changes nothing that matters.
    known_q : mapping of str to (float, float) or None
        ``1 - p`` and its error, by batch, from test plates.
    """
    known_q = dict(known_q or {})
    sunny = [p for p in plates if p.light in SUNLIT and p.airmass is not None and not p.bound]
    sun = ("sun",) if len(sunny) >= SUNNY_PLATES else ()
    batches = tuple(dict.fromkeys(f"batch {p.batch}" for p in plates if p.batch))
    names = ("common", *LIGHT_KINDS, "white", "spot", "incident", "q", *sun, *batches)
    priors = [_PRIORS.get(name, (0.0, _BATCH_SD)) for name in names]
    mean = np.array([prior[0] for prior in priors])
    precision = np.diag([prior[1] ** -2.0 for prior in priors])
    rows = np.array([_row(plate, names, known_q) for plate in plates]).reshape(-1, len(names))
    y = np.array([p.above - p.beyond + _known_part(p, known_q)[0] for p in plates])
    error = np.array([math.hypot(p.sigma, _known_part(p, known_q)[1]) for p in plates])
    side = np.array([{"": 0, "at least": 1, "at most": -1}[p.bound] for p in plates])
    drawn = _draw(rows, y, error, side, mean, precision)
    return OwnSpeed(
        plates=tuple(plates),
        known_q=known_q,
        look_again=tuple(
            LookAgain(plate_id=plate.plate_id, stops_off=float(off), probability=float(wrong))
            for plate, off, wrong in zip(plates, drawn.off, drawn.wrong, strict=True)
            if wrong > LOOK_AGAIN
        ),
        scatter=float(np.median(drawn.scatters)),
        names=names,
        means=drawn.means,
        covariances=drawn.covariances,
        scatters=drawn.scatters,
    )


def _row(
    plate: PlateMade, names: tuple[str, ...], known_q: Mapping[str, tuple[float, float]]
) -> list[float]:
    long = 0.0 if plate.batch in known_q else -math.log2(max(plate.seconds, 1.0))
    in_sun = plate.light in SUNLIT and plate.airmass is not None
    values = {
        "common": 1.0,
        plate.light: 1.0,
        plate.metered_on: 1.0,
        f"batch {plate.batch}": 1.0,
        "q": long,
        "sun": plate.airmass - 2.0 if in_sun and plate.airmass is not None else 0.0,
    }
    return [values.get(name, 0.0) for name in names]


def _known_part(
    plate: PlateMade, known_q: Mapping[str, tuple[float, float]]
) -> tuple[float, float]:
    """Return what a tested reciprocity takes out of a plate's answer, and its error, stops."""
    if plate.batch not in known_q:
        return 0.0, 0.0
    q, error = known_q[plate.batch]
    long = math.log2(max(plate.seconds, 1.0))
    return q * long, error * long


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Drawn:
    means: Floats
    covariances: Floats
    scatters: Floats
    wrong: Floats
    off: Floats


def _draw(
    rows: Floats, y: Floats, error: Floats, side: NDArray[np.int_], mean: Floats, precision: Floats
) -> _Drawn:
    """Draw from the posterior: coefficients, scatter, which rows are wrong, what bounds hide."""
    rng = np.random.default_rng(_SEED)
    n, p = rows.shape
    outer = (rows[:, :, None] * rows[:, None, :]).reshape(n, p * p)
    log_prior = -0.5 * (np.log(_SCATTER / _SCATTER_MIDDLE) / _SCATTER_FACTOR) ** 2
    scatter = np.full(_CHAINS, _SCATTER_MIDDLE)
    wrong = rng.random((_CHAINS, n)) < _WRONG
    seen = np.tile(y, (_CHAINS, 1))
    bounded = side != 0
    means, covariances, scatters = [], [], []
    odds_sum, off_sum = np.zeros(n), np.zeros(n)
    for turn in range(_BURN + _KEPT):
        variance = scatter[:, None] ** 2 + error**2 + wrong * _WRONG_SD**2
        weight = 1.0 / variance
        whole = precision + (weight @ outer).reshape(_CHAINS, p, p)
        right = precision @ mean + (weight * seen) @ rows
        covariance = np.linalg.inv(whole)
        middle = np.einsum("cpq,cq->cp", covariance, right)
        root = np.linalg.cholesky(covariance)
        values = middle + np.einsum("cpq,cq->cp", root, rng.standard_normal((_CHAINS, p)))
        told = values @ rows.T
        if bounded.any():
            sd = np.sqrt(variance)[:, bounded]
            seen[:, bounded] = _beyond(told[:, bounded], sd, y[bounded], side[bounded], rng)
        away = seen - told
        plain = scatter[:, None] ** 2 + error**2
        wide = plain + _WRONG_SD**2
        log_odds = 0.5 * (np.log(plain / wide) + away**2 * (1 / plain - 1 / wide))
        chance = 1.0 / (1.0 + (1 - _WRONG) / _WRONG * np.exp(-np.clip(log_odds, -50, 50)))
        wrong = rng.random((_CHAINS, n)) < chance
        spread = _SCATTER[:, None] ** 2 + (error**2 + wrong * _WRONG_SD**2)[:, None, :]
        likely = log_prior - 0.5 * (np.log(spread) + away[:, None, :] ** 2 / spread).sum(axis=2)
        scatter = _SCATTER[(likely + rng.gumbel(size=likely.shape)).argmax(axis=1)]
        if turn >= _BURN:
            means.append(middle)
            covariances.append(covariance)
            scatters.append(scatter)
            odds_sum += chance.mean(axis=0)
            off_sum += (y - told).mean(axis=0)
    return _Drawn(
        means=np.concatenate(means),
        covariances=np.concatenate(covariances),
        scatters=np.concatenate(scatters),
        wrong=odds_sum / _KEPT,
        off=off_sum / _KEPT,
    )


def _beyond(
    told: Floats, sd: Floats, bound: Floats, side: NDArray[np.int_], rng: np.random.Generator
) -> Floats:
    """Return draws from normal laws cut at a bound: above it where ``side`` is 1, else below."""
    cut = ndtr(-side * (bound - told) / sd)  # the share that lies on the right side of it
    share = np.maximum(cut * rng.random(told.shape), 1e-300)
    drawn: Floats = told - side * sd * ndtri(share)
    return np.where(side > 0, np.maximum(drawn, bound), np.minimum(drawn, bound))
