"""What the readable report of a session says: words and figures, laid out by HTML and PDF alike."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

Fact = tuple[str, str]  # name, value
_URGENT = ("warn", "fail")


@dataclass(frozen=True, slots=True, kw_only=True)
class Histogram:
    """How much of a plate has which density.

    Attributes
    ----------
    counts : tuple of int
        By equal steps from ``first``.
    first, step : float
        Density where the first step begins, and its width, D.
    base_fog, d_max : float
        Marks, D.
    """

    counts: tuple[int, ...]
    first: float
    step: float
    base_fog: float
    d_max: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PlatePart:
    """One plate in the report.

    Attributes
    ----------
    plate_id, title : str
    picture : Path or None
        Preview; None where the plate failed.
    measured, settings, about : tuple of (str, str)
        Densities and geometry; what was decided; what the plate log says.
    flags : tuple of str
        What a person should look at.
    notes : tuple of str
        What was assumed or done.
    verdicts : tuple of (str, str)
        Severity and sentence of what ``check`` found in its captures.
    histogram : Histogram or None
    error : str
        Why it failed; "" where it did not.
    """

    plate_id: str
    title: str = ""
    picture: Path | None = None
    measured: tuple[Fact, ...] = ()
    settings: tuple[Fact, ...] = ()
    about: tuple[Fact, ...] = ()
    flags: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    verdicts: tuple[Fact, ...] = ()
    histogram: Histogram | None = None
    error: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class LightPart:
    """Blank or dark frames in the report.

    Attributes
    ----------
    name : str
        Which they are.
    verdicts : tuple of (str, str) or None
        As of a plate; None where they were not checked.
    """

    name: str
    verdicts: tuple[Fact, ...] | None


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportFacts:
    """A session's report.

    Attributes
    ----------
    title, date : str
    summary : tuple of str
        Sentences at its head.
    light : tuple of LightPart
        Blank and dark frames, and what ``check`` found in them.
    plates : tuple of PlatePart
    versions : tuple of (str, str)
    remarks : tuple of str
        What does not fit between plate log and session.
    checked : bool
        Whether ``check`` has been run on these captures.
    terms : tuple of (str, str)
        Terms of the trade used above, and what they mean.
    """

    title: str
    date: str = ""
    summary: tuple[str, ...] = ()
    light: tuple[LightPart, ...] = ()
    plates: tuple[PlatePart, ...] = ()
    versions: tuple[Fact, ...] = ()
    remarks: tuple[str, ...] = ()
    checked: bool = False
    terms: tuple[Fact, ...] = ()


def by_urgency(verdicts: Sequence[Fact]) -> tuple[list[str], list[str]]:
    """Return what of a check asks for action, and what is only worth knowing."""
    urgent = [text for severity, text in verdicts if severity in _URGENT]
    return urgent, [text for severity, text in verdicts if severity not in _URGENT]


def outline_of(histogram: Histogram, most: float) -> list[tuple[float, float]]:
    """Return a histogram's outline from D 0 to ``most``, both ways from 0 to 1."""
    peak = max(histogram.counts, default=0) or 1
    points = [(0.0, 0.0)]
    for number, count in enumerate(histogram.counts):
        density = histogram.first + (number + 0.5) * histogram.step
        if 0 <= density <= most:
            points.append((density / most, count / peak))
    return [*points, (points[-1][0], 0.0)]
