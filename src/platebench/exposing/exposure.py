"""From a meter reading to the exposure a blue-sensitive plate is given.

A light meter sees as the eye does; these plates see blue, violet and ultraviolet only. Sky, hour,
season, altitude and lamp change that light far more than the meter shows. The rules here are
common practice among plate users, without a published source, and marked so wherever shown.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

from platebench.core.camera_time import CameraTime, camera_time
from platebench.exposing.reciprocity import PRACTICE, PracticeRule, Reciprocity

DEFAULT_RATING = 2.0  # ISO
LONGEST_S = 7 * 86400.0
_STOPS_SHOWN = 4
MARKED_STOPS = (2.8, 4, 5.6, 8, 11, 16, 22, 32, 45, 64, 90, 128)
METER_NOTE = (
    "a light meter does not see the light these plates see: this is a first exposure; bracket, "
    "and write down lamp, sky and hour"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class LightRule:
    """What practice says of one kind of light, against a rating of ISO 2.

    Attributes
    ----------
    stops : float
        Stops to add.
    least, most : float
        The span the rule leaves, in stops.
    rating : float or None
        Plate rating that stands for the rule, where it is said as one.
    words : str
        The rule.
    mark : str
        Where it comes from.
    """

    stops: float = 0.0
    least: float = 0.0
    most: float = 0.0
    rating: float | None = None
    words: str = ""
    mark: str = PRACTICE


_SUMMER_NOON = 5.0  # ISO
_TUNGSTEN = math.log2(50 / 8)
LIGHTS: Mapping[str, LightRule] = MappingProxyType(
    {
        "general": LightRule(words=f"plates are rated at ISO {DEFAULT_RATING:g} in general"),
        "summer-noon": LightRule(
            stops=-math.log2(_SUMMER_NOON / DEFAULT_RATING),
            least=-math.log2(_SUMMER_NOON / DEFAULT_RATING),
            rating=_SUMMER_NOON,
            words="up to ISO 5 in summer-noon sun",
        ),
        "indoors": LightRule(
            stops=4.0, least=3.0, most=5.0, words="3 to 5 stops more indoors; 4 are added"
        ),
        "sea-and-sky": LightRule(
            words="less exposure for sea and sky; the rule names no figure, so nothing is taken "
            "off: choose it yourself, such as one stop less"
        ),
        "tungsten": LightRule(
            stops=_TUNGSTEN,
            least=_TUNGSTEN,
            most=_TUNGSTEN,
            words="one colour-blind emulsion was rated 50 by daylight and 8 by tungsten: "
            f"{_TUNGSTEN:.2f} stops more",
            mark="read in https://www.dofmaster.com/courses/basic/photographycourse-55.html; "
            "your plates differ",
        ),
    }
)


@dataclass(frozen=True, slots=True, kw_only=True)
class ExposureRequest:
    """What is known before the exposure.

    Attributes
    ----------
    ev100 : float
        Exposure value of the light at ISO 100; see :func:`ev_from_reading`.
    f_number : float
        The aperture to be used, as marked.
    rating : float or None
        Plate rating, ISO; None takes the one of the light's rule, or ISO 2.
    light : str
        One of ``LIGHTS``.
    stops : float
        Stops of one's own to add (filter, experience); below 0 takes off.
    extension_mm, focal_mm : float or None
        Distance from lens to plate, and focal length; both or none.
    reciprocity : Reciprocity
        Correction for long exposures.
    """

    ev100: float
    f_number: float
    rating: float | None = None
    light: str = "general"
    stops: float = 0.0
    extension_mm: float | None = None
    focal_mm: float | None = None
    reciprocity: Reciprocity = field(default_factory=PracticeRule)


@dataclass(frozen=True, slots=True, kw_only=True)
class Reason:
    """One step from the meter reading to the exposure.

    Attributes
    ----------
    words : str
        What it is.
    stops : float
        What it adds to the exposure, in stops.
    mark : str
        Where it comes from.
    """

    words: str
    stops: float
    mark: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Exposure:
    """An exposure to give.

    Attributes
    ----------
    f_number : float
        As marked on the lens.
    metered_s : float
        Time with all factors but reciprocity, s.
    given_s : float
        Time to give, s.
    camera : CameraTime
        The nearest time that can be given.
    """

    f_number: float
    metered_s: float
    given_s: float
    camera: CameraTime


@dataclass(frozen=True, slots=True, kw_only=True)
class ExposurePlan:
    """The exposure to give, and how it came about.

    Attributes
    ----------
    exposure : Exposure
        What the rules say.
    least, most : Exposure or None
        The span the light's rule leaves, equal where it leaves none; None where it reaches
        beyond a week or the user's own table.
    others : tuple of Exposure
        The same with other stops, each with its own correction for reciprocity.
    reasons : tuple of Reason
        From a plain ISO 100 exposure to this one.
    rating : float
        Plate rating used, ISO.
    """

    exposure: Exposure
    least: Exposure | None
    most: Exposure | None
    others: tuple[Exposure, ...]
    reasons: tuple[Reason, ...]
    rating: float


def ev_from_reading(f_number: float, time_s: float, iso: float) -> float:
    """Return the exposure value at ISO 100 of a meter reading.

    ``EV = log2(N**2 / t) - log2(ISO / 100)``, the definition of the exposure value.

    Examples
    --------
    >>> ev_from_reading(16, 1 / 128, 100), ev_from_reading(16, 1 / 128, 400)
    (15.0, 13.0)
    """
    return math.log2(f_number**2 / time_s) - math.log2(iso / 100)


def bellows_factor(extension_mm: float, focal_mm: float) -> float:
    """Return how much more exposure a drawn-out bellows asks for.

    A lens focused nearer than infinity stands at ``v > f`` from the plate. The cone of light that
    reaches a point keeps its base, the lens, and is ``v / f`` as long, so the same light falls on
    an area ``(v / f)**2`` as large. With the thin lens, ``v = f (1 + m)``, so it is also
    ``(1 + m)**2`` for a picture m times as large as the subject. Not for telephoto lenses, whose
    bellows draw is not their distance.

    Raises
    ------
    ValueError
        If the extension is shorter than the focal length, or a length is not above 0.

    Examples
    --------
    >>> bellows_factor(300, 150), bellows_factor(225, 150), bellows_factor(150, 150)
    (4.0, 2.25, 1.0)
    """
    if not (0 < focal_mm < math.inf and 0 < extension_mm < math.inf):
        raise ValueError("bellows extension and focal length must be above 0 mm")
    if extension_mm < focal_mm:
        raise ValueError(
            f"the bellows extension ({extension_mm:g} mm) is shorter than the focal length "
            f"({focal_mm:g} mm); measure from the lens board's stop to the plate"
        )
    return (extension_mm / focal_mm) ** 2


def exposure_to_give(request: ExposureRequest) -> ExposurePlan:
    """Return the exposure a plate is given.

    Raises
    ------
    ValueError
        If a value makes no sense, a length is missing, or the exposure is longer than a week.
    """
    _check(request)
    rule = LIGHTS[request.light]
    rating = request.rating or rule.rating or DEFAULT_RATING
    reasons = _reasons(request, rule, rating)
    base_s = request.f_number**2 / 2**request.ev100
    added = sum(reason.stops for reason in reasons)
    span = (0.0, 0.0)
    if not (rule.rating and request.rating):  # a rating of one's own leaves the rule no say
        span = (rule.least - rule.stops, rule.most - rule.stops)
    middle = exposure_of_time(request.f_number, base_s * 2**added, request.reciprocity)
    least, most = (_exposure_or_none(middle, off, request.reciprocity) for off in span)
    return ExposurePlan(
        exposure=middle,
        least=least,
        most=most,
        others=_others(middle, request.reciprocity),
        reasons=(*reasons, _reciprocity_reason(middle, request.reciprocity)),
        rating=rating,
    )


def _check(request: ExposureRequest) -> None:
    named = {
        "the exposure value": (request.ev100, -20, 30),
        "the f-number": (request.f_number, 0.5, 1000),
        "the plate rating": (request.rating or DEFAULT_RATING, 0.001, 10_000),
        "the stops": (request.stops, -20, 20),
    }
    for name, (value, low, high) in named.items():
        if not low <= value <= high:
            raise ValueError(f"{name} must be from {low:g} to {high:g}, got {value:g}")
    if request.rating == 0:
        raise ValueError("the plate rating must be above 0")
    if request.light not in LIGHTS:
        raise ValueError(f"the light must be one of {', '.join(LIGHTS)}, got {request.light}")
    if (request.extension_mm is None) != (request.focal_mm is None):
        raise ValueError("the bellows need both extension and focal length")


def _reasons(request: ExposureRequest, rule: LightRule, rating: float) -> tuple[Reason, ...]:
    """Return all but reciprocity, in the order they are worked out."""
    own = request.rating is not None
    reasons = [
        Reason(
            words=f"plate rated at ISO {rating:g}, meter at ISO 100",
            stops=math.log2(100 / rating),
            mark="your own" if own else PRACTICE,
        )
    ]
    if rule.rating and not own:
        reasons.append(Reason(words=rule.words, stops=0.0, mark=rule.mark))
    elif request.light != "general" and not rule.rating:
        reasons.append(Reason(words=rule.words, stops=rule.stops, mark=rule.mark))
    if request.extension_mm is not None and request.focal_mm is not None:
        factor = bellows_factor(request.extension_mm, request.focal_mm)
        reasons.append(
            Reason(
                words=f"bellows at {request.extension_mm:g} mm, lens of {request.focal_mm:g} mm: "
                f"{factor:.3g} times",
                stops=math.log2(factor),
                mark="geometry of a thin lens",
            )
        )
    if request.stops:
        reasons.append(Reason(words="stops of your own", stops=request.stops, mark="your own"))
    return tuple(reasons)


def _reciprocity_reason(exposure: Exposure, reciprocity: Reciprocity) -> Reason:
    stops = math.log2(exposure.given_s / exposure.metered_s)
    return Reason(words=reciprocity.words, stops=stops, mark=reciprocity.mark)


def exposure_of_time(f_number: float, metered_s: float, reciprocity: Reciprocity) -> Exposure:
    """Return the exposure to give for a time, corrected for reciprocity.

    Raises
    ------
    ValueError
        If it is longer than a week.
    """
    given_s = reciprocity.given_s(metered_s)
    if not 0 < given_s <= LONGEST_S:
        raise ValueError(
            f"at f/{f_number:g} that is longer than a week; see whether the reading is right, "
            "or open the lens"
        )
    return Exposure(
        f_number=f_number, metered_s=metered_s, given_s=given_s, camera=camera_time(given_s)
    )


def _exposure_or_none(
    exposure: Exposure, stops: float, reciprocity: Reciprocity, f_number: float | None = None
) -> Exposure | None:
    """Return an exposure of more or fewer stops; None where it is too long to be known."""
    try:
        return exposure_of_time(
            f_number or exposure.f_number, exposure.metered_s * 2.0**stops, reciprocity
        )
    except ValueError:
        return None


def _others(exposure: Exposure, reciprocity: Reciprocity) -> tuple[Exposure, ...]:
    """Return whole stops to either side as marked on lenses, where a time can be given."""
    found = []
    for stops in (*range(-_STOPS_SHOWN, 0), *range(1, _STOPS_SHOWN + 1)):
        f_number = marked_stop(exposure.f_number * 2 ** (stops / 2))
        if MARKED_STOPS[0] <= f_number <= MARKED_STOPS[-1]:
            found.append(_exposure_or_none(exposure, stops, reciprocity, f_number))
    return tuple(other for other in found if other is not None)


def marked_stop(f_number: float) -> float:
    """Return the mark on a lens that stands for an f-number; unmarked ones to two digits.

    Examples
    --------
    >>> marked_stop(11.3), marked_stop(22.63), marked_stop(9.5)
    (11, 22, 9.5)
    """
    for mark in MARKED_STOPS:
        if abs(math.log2(f_number / mark)) < 0.06:
            return mark
    return float(f"{f_number:.2g}")
