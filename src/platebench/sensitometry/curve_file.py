"""Curves kept by batch: read back from the ``curves.json`` that ``curve`` wrote."""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
from numpy.typing import NDArray

from platebench.core.errors import ReadingsError, WriteError
from platebench.core.kept_json import read_kept
from platebench.sensitometry.curve_model import DrawnCurve, monotone_curve

_NEAR = 0.005  # D


@dataclass(frozen=True, kw_only=True, eq=False)
class BatchCurve:
    """One curve: of a batch, developed for a time.

    Attributes
    ----------
    name : str
        As it is labelled.
    batch : str
        "" where the file names none.
    minutes : float or None
        Time of development.
    log_h, density : ndarray of float64, shape (n,)
        The steps, in order of exposure.
    base_fog, gamma : float
    gamma_sigma : float or None
    useful_end : float
        Density D where the gradient has fallen to half of gamma on the shoulder; the densest step
        where the curve does not get there.
    speed_log_h : float or None
        Log exposure of the speed point m.
    d_max : float
    absolute : bool
        Exposures in lux seconds; else relative to the bare tablet's.
    """

    name: str
    batch: str
    minutes: float | None
    log_h: NDArray[np.float64]
    density: NDArray[np.float64]
    base_fog: float
    gamma: float
    useful_end: float
    gamma_sigma: float | None = None
    speed_log_h: float | None = None
    d_max: float = math.nan
    absolute: bool = False

    @cached_property
    def drawn(self) -> DrawnCurve:
        """The monotone curve through the steps."""
        return monotone_curve(self.log_h, self.density, None)

    def log_h_at(self, net: float) -> float:
        """Return the log exposure of a density above base plus fog; the nearest end beyond."""
        density = min(max(self.base_fog + net, self._least + _NEAR), self._most - _NEAR)
        found = self.drawn.log_h_at(density)
        assert found is not None
        return found

    def net_at(self, log_h: float) -> float:
        """Return the density above base plus fog at a log exposure; the nearest end beyond."""
        return float(self.drawn.rule(min(max(log_h, self.drawn.low), self.drawn.high))) - (
            self.base_fog
        )

    def gradient_at(self, net: float) -> float:
        """Return D a log unit at a density above base plus fog."""
        return float(self.drawn.gradient_over(np.array([self.log_h_at(net)]))[0])

    @property
    def _least(self) -> float:
        return float(self.drawn.rule(self.drawn.low))

    @property
    def _most(self) -> float:
        return float(self.drawn.rule(self.drawn.high))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Figure:
    value: float
    sigma: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class _Step:
    log_h: float
    density: float


@dataclass(frozen=True, slots=True, kw_only=True)
class _Plate:
    name: str
    log_h_is: str
    figures: dict[str, _Figure | None]
    steps: list[_Step]
    minutes: float | None = None


def load_curves(paths: Iterable[Path]) -> tuple[BatchCurve, ...]:
    """Read the curves of some files.

    Raises
    ------
    ReadingsError
        If one cannot be read, or holds no curves.
    """
    return tuple(curve for path in paths for curve in _curves_in(path))


def refuse_other_batch(folder: Path, batch: str) -> None:
    """Refuse to replace the curves that a folder keeps of another batch.

    Raises
    ------
    WriteError
        If it keeps such.
    """
    path = folder / "curves.json"
    if not path.is_file():
        return
    try:
        before = {curve.batch for curve in _curves_in(path)} - {"", batch}
    except ReadingsError:
        return  # of an earlier form, or damaged: nothing that could be lost
    if before:
        what = f"it keeps the curves of batch {', '.join(sorted(before))}"
        raise WriteError(path, what, "give each batch a folder of its own", "output")


def _curves_in(path: Path) -> list[BatchCurve]:
    def build(document: Mapping[str, Any]) -> list[BatchCurve]:
        batch = document.get("batch") or ""
        plates = msgspec.convert(document["plates"], list[_Plate])
        if not isinstance(batch, str):
            raise ValueError("batch")
        return [_curve(plate, batch) for plate in plates]

    remedy = "name the curves.json that the curve command wrote"
    return read_kept(path, "against_first", build, lacks="characteristic curves", remedy=remedy)


def _curve(plate: _Plate, batch: str) -> BatchCurve:
    log_h = np.array([step.log_h for step in plate.steps])
    density = np.array([step.density for step in plate.steps])
    if log_h.size < 2 or (np.diff(log_h) <= 0).any():
        raise ValueError("steps")
    figures = plate.figures
    fog, gamma, top = (figures.get(key) for key in ("base_fog", "gamma", "d_max"))
    if fog is None or gamma is None or top is None or gamma.value <= 0:
        raise ValueError("figures")
    end, speed = figures.get("useful_end"), figures.get("speed_point")
    densest = float(density.max())
    useful = densest if end is None else float(np.interp(end.value, log_h, density))
    return BatchCurve(
        name=plate.name,
        batch=batch,
        minutes=plate.minutes,
        log_h=log_h,
        density=density,
        base_fog=fog.value,
        gamma=gamma.value,
        gamma_sigma=gamma.sigma,
        useful_end=useful,
        speed_log_h=None if speed is None else speed.value,
        d_max=top.value,
        absolute=plate.log_h_is == "lux seconds",
    )


def curve_for(curves: Sequence[BatchCurve], batch: str, minutes: float | None) -> BatchCurve | None:
    """Return a batch's curve after a time of development, between two times a blend of both.

    Parameters
    ----------
    minutes : float or None
        None: not known, and then the curve is known only if all are of one time.

    Returns
    -------
    BatchCurve or None
        None too where the time lies further than a quarter beyond those that were tried.
    """
    of_batch = [curve for curve in curves if curve.batch == batch and batch]
    if not of_batch:
        return None
    timed = sorted(
        (curve for curve in of_batch if curve.minutes), key=lambda curve: curve.minutes or 0.0
    )
    times = [curve.minutes or 0.0 for curve in timed]
    if not timed:
        return reference_curve(of_batch)
    if minutes is None:
        return reference_curve(timed) if times[-1] / times[0] < 1 + _SAME_TIME else None
    if not times[0] / _BEYOND <= minutes <= times[-1] * _BEYOND:
        return None
    after = bisect_left(times, minutes)
    if after in (0, len(timed)):
        return timed[0] if after == 0 else timed[-1]
    share = math.log(minutes / times[after - 1]) / math.log(times[after] / times[after - 1])
    return _between(timed[after - 1], timed[after], share, minutes)


_BEYOND, _SAME_TIME = 1.25, 0.02  # ratios of times


def _between(one: BatchCurve, other: BatchCurve, share: float, minutes: float) -> BatchCurve:
    """Return the curve a share of the way from one time of development to another."""
    log_h = np.union1d(one.log_h, other.log_h)
    low, high = max(one.drawn.low, other.drawn.low), min(one.drawn.high, other.drawn.high)
    log_h = log_h[(log_h >= low) & (log_h <= high)]
    if one.absolute != other.absolute or log_h.size < 2 or share >= 1:
        return one if share < 0.5 else other

    def mean(a: float, b: float) -> float:
        return (1 - share) * a + share * b

    speed = None
    if one.speed_log_h is not None and other.speed_log_h is not None:
        speed = mean(one.speed_log_h, other.speed_log_h)
    sigmas = [curve.gamma_sigma for curve in (one, other) if curve.gamma_sigma is not None]
    density = [mean(float(one.drawn.rule(x)), float(other.drawn.rule(x))) for x in log_h]
    return BatchCurve(
        name=f"{one.name} to {other.name}",
        batch=one.batch,
        minutes=minutes,
        log_h=log_h,
        density=np.array(density),
        base_fog=mean(one.base_fog, other.base_fog),
        gamma=mean(one.gamma, other.gamma),
        gamma_sigma=max(sigmas, default=None),
        useful_end=mean(one.useful_end, other.useful_end),
        speed_log_h=speed,
        d_max=mean(one.d_max, other.d_max),
        absolute=one.absolute,
    )


def reference_curve(curves: Sequence[BatchCurve]) -> BatchCurve:
    """Return the curve with gamma nearest 1, by which a batch's exposures are counted."""
    return min(curves, key=lambda curve: abs(math.log(curve.gamma)))
