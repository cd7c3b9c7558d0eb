"""How long a subject's range of light is: read with a spot meter, learned, or from practice."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from platebench.exposing.reciprocity import PRACTICE
from platebench.sensitometry.relations import STOP

ENOUGH = 4  # subjects of a class, before their own range counts
_BOOK_SIGMA, _SPOT_SIGMA = 0.25, 0.15  # log units; the first is a guess, the second from memory
_OWN_SIGMA = 0.2  # of one subject about its class before any were seen
# Typical log10 ranges of a subject on the plate, lens flare included.
CLASSES = {"flat": 1.1, "portrait": 1.3, "landscape": 1.6, "street": 1.8, "contrasty": 2.1}
_PLAIN = 1.7


@dataclass(frozen=True, slots=True, kw_only=True)
class SubjectSeen:
    """The range one subject had on its plate, log10 units of the light the plate sees.

    Attributes
    ----------
    plate_id, subject : str
    log_range : float
        From the thinnest to the densest tone, through the curve.
    at_least : bool
        One of the two lies off the curve: the range is longer.
    """

    plate_id: str
    subject: str
    log_range: float
    at_least: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class SubjectRange:
    """A range to plan for.

    Attributes
    ----------
    log_range, sigma : float
        log10 units, and the standard deviation of a subject about it.
    mark : str
        Where it comes from.
    plates : int
        Finished plates it rests on.
    """

    log_range: float
    sigma: float
    mark: str
    plates: int = 0


def range_of_readings(darkest_ev: float, lightest_ev: float) -> SubjectRange:
    """Return the range between two spot readings.

    Raises
    ------
    ValueError
        If the lightest is not above the darkest by a stop.

    Examples
    --------
    >>> round(range_of_readings(9, 14).log_range, 3)
    1.505
    """
    if not 1 <= lightest_ev - darkest_ev <= 20:
        raise ValueError(
            f"the lightest place (EV {lightest_ev:g}) must be 1 to 20 stops above the darkest "
            f"(EV {darkest_ev:g}); see whether they are swapped"
        )
    span = (lightest_ev - darkest_ev) * STOP
    return SubjectRange(log_range=span, sigma=_SPOT_SIGMA, mark="your spot readings")


class UnknownClassError(ValueError):
    """A subject's class that no book has, and of which too few plates were seen.

    Attributes
    ----------
    subject : str
    seen : int
        Plates of it so far.
    """

    def __init__(self, subject: str, seen: int) -> None:
        super().__init__(subject, seen)
        self.subject, self.seen = subject, seen


def range_of_class(subject: str, seen: Sequence[SubjectSeen] = ()) -> SubjectRange:
    """Return the range of a class: learned where enough of it were seen, else as practice has it.

    Ranges that are known only as "at least" lengthen the median, as their ranks do; where more
    than half are such, nothing is learned.

    Examples
    --------
    >>> range_of_class("portrait").log_range, range_of_class("").log_range
    (1.3, 1.7)
    """
    wanted = subject.casefold().strip()
    own = sorted(
        (one.log_range, one.at_least) for one in seen if one.subject.casefold().strip() == wanted
    )
    clear = sum(not at_least for _, at_least in own)
    if wanted and len(own) >= ENOUGH and clear > len(own) / 2:
        middle = _median_with_bounds(own)
        away = [abs(value - middle) for value, at_least in own if not at_least]
        spread = 1.4826 * sorted(away)[len(away) // 2]  # of a normal law, by its median deviation
        weight = len(own) / (len(own) + ENOUGH)
        sigma = math.sqrt(weight * spread**2 + (1 - weight) * _OWN_SIGMA**2)
        mark = f"measured on {len(own)} of your plates"
        return SubjectRange(log_range=middle, sigma=sigma, mark=mark, plates=len(own))
    if wanted and wanted not in CLASSES:
        raise UnknownClassError(subject, len(own))
    value = CLASSES.get(wanted, _PLAIN)
    return SubjectRange(log_range=value, sigma=_BOOK_SIGMA, mark=PRACTICE, plates=0)


def _median_with_bounds(ranges: Sequence[tuple[float, bool]]) -> float:
    """Return the median by Kaplan and Meier: where half are sure to be shorter.

    E. L. Kaplan and P. Meier, J. Am. Stat. Assoc. 53 (1958) 457.
    """
    left, surviving = len(ranges), 1.0
    for value, at_least in ranges:
        if not at_least:
            surviving *= 1 - 1 / left
            if surviving < 0.5 - 1e-9:
                return value
            if abs(surviving - 0.5) <= 1e-9:  # an even number: half way to the next that is sure
                longer = [v for v, bound in ranges if v > value and not bound]
                return (value + min(longer)) / 2 if longer else value
        left -= 1
    return max(value for value, at_least in ranges if not at_least)
