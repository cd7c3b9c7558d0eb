"""What a check says: a judgement in plain words, with what to do about it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum


class Severity(StrEnum):
    """How much a finding matters, from none to "capture it again"."""

    GOOD = "good"
    NOTE = "note"  # worth knowing; nothing need be done
    WARN = "warn"  # costs quality; mend it while the light box is still set up
    FAIL = "fail"  # measurements from this capture would be wrong


_ORDER = tuple(Severity)


@dataclass(frozen=True, slots=True)
class Verdict:
    """One finding.

    Attributes
    ----------
    severity : Severity
        How much it matters.
    topic : str
        What was looked at: "exposure", "clipping", "focus", ...
    text : str
        The finding, a sentence without a full stop.
    remedy : str
        What to do, as an instruction; "" where there is nothing to do.

    Examples
    --------
    >>> str(Verdict(Severity.WARN, "exposure", "underexposed by 1.3 stops", "lengthen to 1/8 s"))
    'underexposed by 1.3 stops: lengthen to 1/8 s'
    """

    severity: Severity
    topic: str
    text: str
    remedy: str = ""

    def __str__(self) -> str:
        return f"{self.text}: {self.remedy}" if self.remedy else self.text


def worst(verdicts: Iterable[Verdict]) -> Severity:
    """Return the gravest severity; good where there are no verdicts."""
    return max((v.severity for v in verdicts), key=_ORDER.index, default=Severity.GOOD)


def percent(share: float) -> str:
    """Return a share in per cent, as short as it may be.

    Examples
    --------
    >>> percent(1.0), percent(0.0432), percent(0.00034)
    ('100 %', '4.3 %', '0.034 %')
    """
    if share >= 0.1:
        return f"{100 * share:.0f} %"
    return f"{100 * share:.2g} %"
