"""The exposure of the next plate by one's own plates, beside the one by rule."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import product

from platebench.core.camera_time import camera_times_about
from platebench.exposing.exposure import Exposure, ExposurePlan, ExposureRequest, exposure_of_time
from platebench.exposing.own_speed import Offset, OwnSpeed
from platebench.exposing.reciprocity import Reciprocity, Schwarzschild

PAIR_STOPS = 1.0  # either side of the advice: a pair two stops apart


@dataclass(frozen=True, slots=True, kw_only=True)
class OwnReciprocity:
    """Reciprocity as the fit takes it; a tested p says so, another is never shown as measured."""

    law: Schwarzschild
    tested: bool
    sigma: float

    @property
    def words(self) -> str:
        """Say which correction this is."""
        return self.law.words

    @property
    def mark(self) -> str:
        """Say where it comes from."""
        if self.tested:
            return f"measured on your test plate, +-{self.sigma:.3f}"
        return "assumed, hardly changed by your plates: expose a test plate for times above 1 s"

    def given_s(self, metered_s: float) -> float:
        """Return the exposure to give, s."""
        return self.law.given_s(metered_s)


@dataclass(frozen=True, slots=True, kw_only=True)
class OwnAdvice:
    """What one's own plates advise.

    Attributes
    ----------
    offset : Offset
        By how many stops less than the rule; its interval is that of the next plate.
    exposure : Exposure
        To give; the rule's where there are no plates.
    pair : tuple of Exposure
        Two plates two stops apart while the plates are not enough; else empty.
    reciprocity : Reciprocity
    plates : int
        That say something of speed, all kinds of light.
    shift : float
        Stops that another aim than the usual takes, as a planned development does.
    """

    offset: Offset
    exposure: Exposure
    pair: tuple[Exposure, ...]
    reciprocity: Reciprocity
    plates: int
    shift: float = 0.0


def own_advice(
    request: ExposureRequest,
    plan: ExposurePlan,
    own: OwnSpeed,
    *,
    batch: str = "",
    metered_on: str = "",
    airmass: float | None = None,
    own_reciprocity: bool = False,
    shift: float = 0.0,
) -> OwnAdvice:
    """Return the exposure by one's own plates.

    Parameters
    ----------
    request, plan
        As worked out by rule.
    own : OwnSpeed
        The fit.
    own_reciprocity : bool
        True keeps the request's correction for long times; else the fit's.
    shift : float
        Stops to add for another aim than the usual.

    Raises
    ------
    ValueError
        If an exposure is longer than a week.
    """
    how = {"batch": batch, "metered_on": metered_on, "airmass": airmass}
    short = own.offset(request.light, **how)  # type: ignore[arg-type]
    if short.verdict == "by rule" and not shift:
        return OwnAdvice(
            offset=short,
            exposure=plan.exposure,
            pair=(),
            reciprocity=request.reciprocity,
            plates=0,
        )
    reciprocity: Reciprocity = request.reciprocity
    if not own_reciprocity and own.plates:
        q, sigma = own.q_for(batch)
        law = Schwarzschild(p=round(1.0 - q, 3))
        reciprocity = OwnReciprocity(law=law, tested=batch in own.known_q, sigma=sigma)
    metered_s = plan.exposure.metered_s * 2.0 ** (shift - short.stops)

    def given(stops: float) -> Exposure:
        return exposure_of_time(request.f_number, metered_s * 2.0**stops, reciprocity)

    exposure = given(0.0)
    offset = short
    if not own_reciprocity and own.plates:  # the error of a long time's correction counts in
        at = own.offset(request.light, seconds=exposure.given_s, **how)  # type: ignore[arg-type]
        moved = short.stops - at.stops
        offset = Offset(
            stops=short.stops,
            sigma=at.sigma,
            low=at.low + moved,
            high=at.high + moved,
            verdict=at.verdict,
            same_light=at.same_light,
        )
    unsure = offset.verdict == "not enough plates"
    return OwnAdvice(
        offset=offset,
        exposure=exposure,
        pair=pair_about(exposure, reciprocity) if unsure else (),
        reciprocity=reciprocity,
        plates=len(own.plates),
        shift=shift,
    )


def pair_about(exposure: Exposure, reciprocity: Reciprocity) -> tuple[Exposure, Exposure]:
    """Return two exposures about one, two stops apart as they are given.

    Times that can be set lie up to a stop apart: both are rounded alike, so that the pair keeps
    its distance.

    Raises
    ------
    ValueError
        If one is longer than a week.
    """
    less, more = (
        exposure_of_time(exposure.f_number, exposure.metered_s * 2.0**stops, reciprocity)
        for stops in (-PAIR_STOPS, PAIR_STOPS)
    )
    first, second = min(
        product(camera_times_about(less.given_s), camera_times_about(more.given_s)),
        key=lambda times: (
            abs(times[0].off_stops + times[1].off_stops) / 2
            + 2 * abs(times[0].off_stops - times[1].off_stops)
        ),
    )
    return replace(less, camera=first), replace(more, camera=second)


def offset_in_words(advice: OwnAdvice, light: str) -> str:
    """Say what the plates made so far say, in one sentence."""
    offset = advice.offset
    if offset.verdict == "by rule":
        return "no plate of yours says anything yet: the rule as it stands"
    seen = f"your {advice.plates} plates, {offset.same_light} of them in this light ({light})"
    low, high = (_stops_in_words(stops) for stops in (offset.low, offset.high))
    said = (
        f"{seen}: {_stops_in_words(offset.stops)} than the rule; 80 % of next plates need "
        f"from {high} to {low} (measured; the spread of plates is in it)"
    )
    if offset.verdict == "not enough plates":
        return f"not enough plates to go by one exposure. {said[0].upper()}{said[1:]}"
    return f"few plates: {said}" if offset.verdict == "few plates" else said


def _stops_in_words(less: float) -> str:
    return f"{abs(less):.1f} stops {'less' if less >= 0 else 'more'}"
