"""Up to what density the present set-up measures, and the one change that would gain most.

The whole error counts, as it is stated with every density, and the noise of 10 x 10 photosites.
What a change would gain is forecast from the same figures: a mask leaves the glare of the plate's
own light, a card leaves of the glare's error what it did in simulated sessions, a bracket has
twenty-one times the light.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from platebench.core.image import CaptureKind
from platebench.measure.checks.verdict import Severity, Verdict
from platebench.measure.density_errors import LAMP, DensityErrors, GlareError, errors_of_view
from platebench.plate.colours import one_channel
from platebench.plate.look import PlateView
from platebench.plate.noise_model import NoiseModel

WITHIN = (0.02, 0.05)  # D
PHOTOSITES = 100
_WORTH = 0.1  # D of reach: less is not worth a change
# Stated error over the glare itself, in sessions of ``bench/glare.py`` with card and box off, with
# a card off the middle, and with a second, smaller one.
_BY_CARD, _BY_TWO = 0.08, 0.05
_HOOD = 0.7  # glare left by hood and dark room; common practice, no source
_BRACKET = 21.0  # light of three exposures, each four times the last
_DENSITIES = np.arange(0.1, 4.6, 0.02)

_CARD = "captures of a large opaque card a little off the middle of the box, and of the box off"
_SECOND = "a second capture of a card, half as large, in the middle of the box"
_MASK = "black card on the light box around the plate"
_HOODED = "a hood on the lens and a dark room"
_LONGER = "a bracket: exposures of 4 and 16 times this one's time besides"


@dataclass(frozen=True, slots=True, kw_only=True)
class SetUp:
    """What is known of a capture's densities, its pictures let go.

    Attributes
    ----------
    errors : DensityErrors
        As they are stated with every density of the plate.
    glare : float
        Glare over the plate, share of the bare light; where it is not known, what is held possible.
    own : float
        Share of it that the plate's own light and the room make: what a mask would leave.
    cards : int or None
        Captures of a card in the session; None of a scan, in which none is read.
    """

    errors: DensityErrors
    glare: float
    own: float
    cards: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Reach:
    """Densities that are known within each of ``WITHIN``; and the change that would gain most.

    Attributes
    ----------
    now : tuple of float
    change : str
        In words; "" where none is worth the while.
    then : tuple of float
        With that change.
    """

    now: tuple[float, ...]
    change: str = ""
    then: tuple[float, ...] = ()


def set_up_of(view: PlateView) -> SetUp:
    """Return what is known of a plate's densities, for :func:`reach_of`."""
    errors = errors_of_view(view)
    session = view.light.glare
    scan = view.info.kind is CaptureKind.SCAN
    cards = 0 if session is None else session.card + session.card_over
    share = errors.glare.left_on if view.glare is None else view.glare.share
    room = 0.0 if session is None else min(float(session.room.mean()), share)
    by_scene = _own_light(view)
    own = by_scene + (1 - by_scene) * room / share if share > 0 else 1.0
    return SetUp(errors=errors, glare=share, own=own, cards=None if scan else cards)


def _own_light(view: PlateView) -> float:
    """Return the light that comes through the plate over that of the whole frame."""
    grey = np.clip(one_channel(view.small.pixels, by_green=view.by_green) / view.level, 0, 1)
    if not view.found.found or view.found.surround != "bright":
        return 1.0
    inside = np.zeros(grey.shape, np.uint8)
    corners = view.small.places(view.found.corners)
    cv2.fillConvexPoly(inside, np.rint(corners[:, ::-1]).astype(np.int32), 1)
    return float(grey[inside > 0].sum() / max(float(grey.sum()), 1e-6))


def reach_of(set_up: SetUp, noise: NoiseModel, bare_light: float) -> Reach:
    """Return how deep densities are known now, and with the change that gains most.

    Parameters
    ----------
    noise : NoiseModel
        Of this camera at this ISO.
    bare_light : float
        Light of the bare box at the plate's exposure, above black.
    """

    def reach(errors: DensityErrors, light: float = 1.0) -> tuple[float, ...]:
        through = errors.calibration.measured_transmittance(_DENSITIES)
        counts = noise.gain * through * bare_light * light + noise.read_variance * light
        sigma = np.sqrt(counts / PHOTOSITES) / (bare_light * light)
        return _within(errors, sigma)

    now = reach(set_up.errors)
    tried = [(text, reach(errors)) for text, errors in _changes(set_up)]
    if set_up.cards is not None:
        tried.append((_LONGER, reach(set_up.errors, _BRACKET)))
    change, then = max(tried, key=lambda each: (each[1][-1], each[1][0]), default=("", now))
    if max(b - a for a, b in zip(now, then, strict=True)) < _WORTH:
        return Reach(now=now)
    return Reach(now=now, change=change, then=then)


def _changes(set_up: SetUp) -> Iterable[tuple[str, DensityErrors]]:
    """Yield what could be done about glare, and the errors with it."""

    def with_glare(part: float) -> DensityErrors:
        old, sigma = set_up.errors.glare, part * set_up.glare
        return replace(set_up.errors, glare=replace(old, sigma=sigma, terms=None, left_on=0.0))

    def weaker(part: float) -> DensityErrors:
        old = set_up.errors.glare
        terms = None if old.terms is None else tuple(part**2 * term for term in old.terms)
        less = GlareError(sigma=part * old.sigma, left_on=part * old.left_on, terms=terms)  # type: ignore[arg-type]
        return replace(set_up.errors, glare=less)

    if set_up.cards == 0:
        yield _CARD, with_glare(_BY_CARD)
    elif set_up.cards == 1:
        yield _SECOND, with_glare(_BY_TWO)
    if set_up.own < 1:  # a mask hides what the lamp does, too
        masked = weaker(set_up.own)
        yield _MASK, replace(masked, light=max(masked.light, LAMP))
    if set_up.cards is not None:
        yield _HOODED, weaker(_HOOD)


def _within(errors: DensityErrors, noise: NDArray[np.float64]) -> tuple[float, ...]:
    """Return the densities up to which the whole error stays within each of ``WITHIN``."""
    whole = [
        math.hypot(errors.systematic_sigma(d), errors.noise_sigma(d, n))
        for d, n in zip(_DENSITIES.tolist(), noise.tolist(), strict=True)
    ]
    return tuple(
        float(next((d for d, e in zip(_DENSITIES, whole, strict=True) if e > most), np.inf))
        if whole[0] <= most
        else 0.0
        for most in WITHIN
    )


def judge_reach(reach: Reach) -> Verdict:
    """Say how deep densities are known, and what would gain most."""
    text = f"the mean of 10 x 10 pixels is known {_said(reach.now)}, by all that can be off"
    if not reach.change:
        return Verdict(Severity.GOOD, "reach", text)
    remedy = f"for more, {reach.change}: {_said(reach.then)}"
    return Verdict(Severity.NOTE, "reach", text, remedy)


def _said(reach: tuple[float, ...]) -> str:
    return " and ".join(
        f"to {error:g} D up to D {density:.1f}" if density > 0 else f"nowhere to {error:g} D"
        for error, density in zip(WITHIN, (min(d, _DENSITIES[-1]) for d in reach), strict=True)
    )
