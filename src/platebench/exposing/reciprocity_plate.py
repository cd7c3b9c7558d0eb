"""Reciprocity by one test plate: strips of equal exposure, given in times far apart.

Dim light for long against bright light for short, the product kept: where the plate fails
reciprocity, the long strips come out thinner. Each strip's density goes through the batch's curve,
and Schwarzschild's exponent p follows from the slope of log exposure against log time:
``log2 H_effective = constant - q log2 t``, ``q = 1 - p``.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import msgspec
import numpy as np

from platebench.core.kept_json import read_kept
from platebench.exposing.exposure import marked_stop
from platebench.exposing.reciprocity import Schwarzschild
from platebench.sensitometry.curve_file import BatchCurve
from platebench.sensitometry.relations import STOP

FILE_NAME = "reciprocity.json"
RATIO = 2.0**2.5  # 5.7: two and a half stops, set on the lens
STRIPS = 3
SHORTEST_S = 1.0  # below, the law is not used
_STRIP_SIGMA = 0.08  # stops, of one strip against another: assumed
_EVEN = 0.06  # D, standard deviation along a strip
_USEFUL_NET = 0.15  # D above base plus fog; thinner, the toe tells too little


@dataclass(frozen=True, slots=True, kw_only=True)
class Strip:
    """One strip of the test plate.

    Attributes
    ----------
    number : int
        From 1, the shortest.
    f_number : float
        To set, so that light times time stays the same.
    seconds : float
        In all.
    """

    number: int
    f_number: float
    seconds: float


def plan_strips(f_number: float, shortest_s: float) -> tuple[Strip, ...]:
    """Return the strips: times 1 : 5.7 : 32, the lens stopped down as much.

    Parameters
    ----------
    f_number : float
        For the shortest; the widest.
    shortest_s : float
        Time that gives this aperture a middle density, s.

    Raises
    ------
    ValueError
        If the shortest is below 1 s, where reciprocity hardly fails, or the longest above a day.

    Examples
    --------
    >>> [(s.f_number, round(s.seconds)) for s in plan_strips(5.6, 4.0)]
    [(5.6, 4), (13.0, 23), (32, 128)]
    """
    if not shortest_s >= SHORTEST_S:
        raise ValueError(
            f"the shortest strip must be {SHORTEST_S:g} s or more: below, reciprocity hardly fails "
            "and a hand is too slow; stop down, or take a dimmer light"
        )
    if shortest_s * RATIO ** (STRIPS - 1) > 86400:
        raise ValueError("the longest strip would take more than a day; open the lens")
    return tuple(
        Strip(
            number=n + 1,
            f_number=marked_stop(f_number * 2 ** (n * 1.25)),
            seconds=shortest_s * RATIO**n,
        )
        for n in range(STRIPS)
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class TestedReciprocity:
    """What a test plate said of a batch.

    Attributes
    ----------
    batch : str
    p, sigma : float
        Schwarzschild's exponent and its standard error.
    shortest_s, longest_s : float
        Times of the strips: the law is not known beyond.
    misfit_stops : float
        Of the strips from the law, root mean square.
    """

    __test__ = False  # no test of pytest's

    batch: str
    p: float
    sigma: float
    shortest_s: float
    longest_s: float
    misfit_stops: float

    def doubts(self) -> tuple[str, ...]:
        """Return what to mind, a sentence each."""
        said = [f"p holds from {self.shortest_s:g} s to {self.longest_s:.4g} s, for this batch"]
        if self.misfit_stops > 3 * _STRIP_SIGMA:
            said.append(
                f"the strips lie {self.misfit_stops:.2f} stop off one law: one of them may be wrong"
            )
        if self.sigma > 0.03:
            said.append("p is not sure to 0.03: expose a second test plate")
        return tuple(said)


def read_strips(
    seconds: Sequence[float],
    nets: Sequence[float],
    curve: BatchCurve,
    *,
    batch: str,
    steady_stops: float = 0.0,
) -> TestedReciprocity:
    """Return p from the densities of strips that got the same light times time.

    Parameters
    ----------
    seconds : sequence of float
        Time of each strip, s.
    nets : sequence of float
        Density of each above base plus fog, D.
    curve : BatchCurve
        Of the same batch and development.
    steady_stops : float
        By how much the light may have drifted between the strips, standard deviation, stops.

    Raises
    ------
    ValueError
        If there are too few strips, times too near one another, a density off the curve, or p comes
        out where no plate has it.
    """
    t, net = np.asarray(seconds, np.float64), np.asarray(nets, np.float64)
    if t.size != net.size or t.size < 2:
        raise ValueError(f"{t.size} times, {net.size} densities; give one of each for each strip")
    if t.min() < SHORTEST_S or t.max() / t.min() < 8:
        raise ValueError("times must be 1 s or more, the longest at least 8 times the shortest")
    top = curve.useful_end - curve.base_fog
    for n, value in enumerate(net, 1):
        if not _USEFUL_NET <= value <= top:
            raise ValueError(
                f"strip {n} has {value:.2f} D above base plus fog, outside {_USEFUL_NET:.2f} to "
                f"{top:.2f}, where the curve tells; expose a new test plate for a middle density"
            )
    h = np.array([curve.log_h_at(float(value)) for value in net]) / STOP
    x = np.log2(t)
    # A strip's own error, and what 0.01 D of reading makes on its gradient.
    read = np.array([0.01 / max(curve.gradient_at(float(v)), 0.1) / STOP for v in net])
    error = np.sqrt(_STRIP_SIGMA**2 + read**2 + steady_stops**2)
    weight = error**-2
    middle = float((weight * x).sum() / weight.sum())
    spread = float((weight * (x - middle) ** 2).sum())
    level = float((weight * h).sum() / weight.sum())
    q = -float((weight * (x - middle) * (h - level)).sum()) / spread
    misfit = h - level + q * (x - middle)
    sigma = 1 / math.sqrt(spread)
    if t.size > 2:  # strips that do not lie on one law make it less sure
        chi = float((weight * misfit**2).sum()) / (t.size - 2)
        sigma *= math.sqrt(max(chi, 1.0))
    if not -3 * sigma <= q <= 0.5:
        raise ValueError(
            f"the strips give p = {1 - q:.2f}, outside 0.5 to 1: see whether times and densities "
            "stand in the same order, and whether each strip got the same light times time"
        )
    return TestedReciprocity(
        batch=batch,
        p=1.0 - max(q, 0.0),
        sigma=sigma,
        shortest_s=float(t.min()),
        longest_s=float(t.max()),
        misfit_stops=float(np.sqrt(np.mean(misfit**2))),
    )


def strips_in(grid: Sequence[Sequence[float]], count: int) -> tuple[float, ...]:
    """Return the densities of strips that share a plate evenly, from the left or from the top.

    Only the middle of each strip counts, and not its ends: the card's edge and the rim lie there.

    Parameters
    ----------
    grid : sequence of sequence of float, shape (3 count, 3 count)
        Densities D read all over the plate, rows from the top.
    count : int
        How many strips.

    Raises
    ------
    ValueError
        If there are no such strips: densities differ along each.

    Examples
    --------
    >>> strips_in([[1.0, 1.0, 1.0, 0.5, 0.5, 0.5]] * 6, 2)
    (1.0, 0.5)
    """
    cells = np.asarray(grid, np.float64)
    found = []
    for way in (cells, cells.T):  # strips side by side, or one below the other
        inner = way[1:-1, 1::3]
        if np.isfinite(inner).all() and inner.std(axis=0).max() <= _EVEN:
            middles = np.median(inner, axis=0)
            found.append((float(np.ptp(middles)), tuple(round(float(d), 4) for d in middles)))
    if not found:
        raise ValueError(
            f"no {count} even strips lie side by side on the plate; name a place on each"
        )
    return max(found)[1]


def times_by(tested: TestedReciprocity) -> list[tuple[float, float]]:
    """Return metered times and what to give for them, s."""
    law = Schwarzschild(p=tested.p)
    return [(t, law.given_s(t)) for t in (1.0, 4.0, 15.0, 60.0, 240.0, 600.0)]


def tested_to_json(tested: TestedReciprocity) -> dict[str, Any]:
    """Return what is kept of a test plate."""
    return {"reciprocity": "Schwarzschild, by a test plate", **asdict(tested)}


def load_tested(paths: Iterable[Path]) -> list[TestedReciprocity]:
    """Read what test plates said.

    Raises
    ------
    ReadingsError
        If a file cannot be read, or is something else.
    """

    def build(document: Mapping[str, Any]) -> TestedReciprocity:
        tested = msgspec.convert(document, TestedReciprocity)
        if not (0.5 <= tested.p <= 1 and 0 < tested.sigma < 1):
            raise ValueError("p")
        return tested

    remedy = "name the reciprocity.json that a test plate gave"
    lacks = "tested reciprocity"
    return [read_kept(path, "reciprocity", build, lacks=lacks, remedy=remedy) for path in paths]
