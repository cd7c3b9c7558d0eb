"""Advice: which process takes up a plate's density range as it is, and what the others lose.

A print shows the tones whose density lies within the exposure scale (ES) of one another. Of a
density range (DR) that is longer, ``overflow = DR - ES`` is lost: at the light end of the print
if it is exposed for the shadows, at the dark end if it is exposed for the highlights.

At the end, the same as JSON.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from platebench.core.cautions import CAUTIONS, FIRST, cautions_for
from platebench.core.rounding import rounded
from platebench.printing.plate_range import PlateRange, Tones
from platebench.printing.process import ExposureScale, Process, iso_r

_ROUNDING = 1e-9  # log units; so that 2.2 - 2.0 is not beyond 0.2
_NO_PICTURE = 0.05  # D; a range so short is grain and dirt


class Verdict(StrEnum):
    """How a plate's range stands to a scale."""

    SUITS = "suits as it is"
    ADJUSTABLE = "suits once its scale is set for the plate"
    TOO_LONG = "needs a print negative: range too long"
    TOO_SHORT = "needs a print negative: range too short"


@dataclass(frozen=True, slots=True, kw_only=True)
class ProcessAdvice:
    """What one process makes of one plate; all ranges in log10 units.

    Attributes
    ----------
    process, title : str
        Name of the profile, and name for people.
    verdict : Verdict
        Within the scale's low and high end (which says nothing of one that is set for each plate),
        or on which side beyond.
    density_used : {"blue", "visual"}
        Which density range was compared.
    density_note : str
        Why that one, and what it leaves open.
    density_range : float
        The range compared.
    scale : ExposureScale
        What the process takes up; the nearest grade of a silver paper.
    overflow : float
        ``density_range`` less the typical scale; below 0 where the range is shorter.
    beyond : float
        How far the range lies outside the scale's ends; below 0 short of them, 0 within.
    lost_light, lost_dark : float or None
        Share of the picture, 0 to 1, that prints paper white if exposed for the shadows, or full
        black if exposed for the highlights, on the typical scale. None if not known.
    unused : float
        Share of the typical scale that the range leaves unused, 0 to 1.
    contrast_factor : float or None
        Contrast of a print negative against the plate, to fill the typical scale; None where
        the plate has no contrast to speak of.
    iso_r : int or None
        ISO range R nearest to the plate's range, for silver papers.
    contrast : str
        How the process's scale can be moved.
    marks : str
        How the numbers came to be.
    hazards, cautions : tuple of str
        As in the profile.
    """

    process: str
    title: str
    verdict: Verdict
    density_used: str
    density_note: str
    density_range: float
    scale: ExposureScale
    overflow: float
    beyond: float
    lost_light: float | None
    lost_dark: float | None
    unused: float
    contrast_factor: float | None
    iso_r: int | None
    contrast: str
    marks: str
    hazards: tuple[str, ...]
    cautions: tuple[str, ...]

    @property
    def needs_print_negative(self) -> bool:
        """True unless the plate suits, as it is or with the process set for it."""
        return self.verdict in (Verdict.TOO_LONG, Verdict.TOO_SHORT)

    def named(self) -> str:
        """Return the profile's name, with the grade or filter of a silver paper."""
        return f"{self.process} ({self.scale.grade})" if self.scale.grade else self.process

    def lost(self) -> str:
        """Say what the print loses against the typical scale.

        Returns
        -------
        str
            A sentence without its full stop.
        """
        if self.verdict is Verdict.ADJUSTABLE:
            return f"set it to {self.density_range:.2f}: {self.contrast}"
        if not self.needs_print_negative:
            return f"within the scale, {self.overflow:+z.2f} against its typical value"
        scale = "nearest scale it can be set to" if self.scale.adjustable else "typical scale"
        if self.overflow > 0:
            by = f"{self.overflow:.2f} beyond the {scale} is lost"
            if self.lost_light is None or self.lost_dark is None:
                return f"{by}: light tones if exposed for the shadows, else dark ones"
            return (
                f"{by}: exposed for the shadows {self.lost_light:.0%} of the picture prints "
                f"white, for the highlights {self.lost_dark:.0%} prints black"
            )
        return (
            f"{-self.overflow:.2f} of the {scale} stays unused ({self.unused:.0%}): "
            "no full black or no paper white"
        )


def advise(
    density_range: float,
    blue_range: float | None,
    processes: Sequence[Process],
    *,
    neutral: bool = False,
    tones: Tones | None = None,
) -> list[ProcessAdvice]:
    """Compare a plate's density range with the scale of each process.

    Parameters
    ----------
    density_range : float
        Densest less thinnest useful tone, visual (green) density, D.
    blue_range : float or None
        The same in blue light; None where it was not measured apart.
    processes : sequence of Process
        All of them print by blue or ultraviolet light, so the blue range counts if there is one.
    neutral : bool
        True where blue was measured and is like green.
    tones : Tones, optional
        How much of the picture has which (visual) density; for the share that is lost.

    Returns
    -------
    list of ProcessAdvice
        One for each process: those that suit first, then those to be set for the plate, then by
        how far they lie off.

    Raises
    ------
    ValueError
        If a range is below 0 or not finite.
    """
    for value in (density_range, blue_range):
        if value is not None and not (math.isfinite(value) and value >= 0):
            raise ValueError(f"a density range must be finite and not below 0, got {value}")
    advice = [
        _advise_one(process, density_range, blue_range, neutral=neutral, tones=tones)
        for process in processes
    ]
    return sorted(
        advice,
        key=lambda one: (
            abs(one.beyond),
            one.verdict is Verdict.ADJUSTABLE,
            abs(one.overflow),
        ),
    )


def advise_plate(plate: PlateRange, processes: Sequence[Process]) -> list[ProcessAdvice]:
    """Return :func:`advise` for a converted plate."""
    return advise(
        plate.density_range,
        plate.blue_range,
        processes,
        neutral=plate.neutral,
        tones=plate.tones,
    )


def advised_cautions(advice: Sequence[ProcessAdvice]) -> tuple[str, ...]:
    """Return the cautions of the profiles' own, each once."""
    return tuple(dict.fromkeys(text for one in advice for text in one.cautions))


def advised_hazards(advice: Sequence[ProcessAdvice]) -> tuple[str, ...]:
    """Return the hazards of some processes, each once, in the order of the cautions."""
    listed = {hazard for one in advice for hazard in one.hazards}
    return tuple(hazard for hazard in CAUTIONS if hazard in listed)


def _advise_one(
    process: Process,
    density_range: float,
    blue_range: float | None,
    *,
    neutral: bool,
    tones: Tones | None,
) -> ProcessAdvice:
    used = density_range if blue_range is None else blue_range
    scale = process.nearest_scale(used).set_for(used)
    shortest, longest = process.reach()
    overflow = used - scale.typical
    beyond = used - min(max(used, shortest), longest)
    beyond = 0.0 if abs(beyond) < _ROUNDING else beyond
    within = Verdict.ADJUSTABLE if scale.adjustable else Verdict.SUITS
    verdict = (within, Verdict.TOO_LONG, Verdict.TOO_SHORT)[(beyond > 0) - (beyond < 0)]
    visual_scale = scale.typical * density_range / used if used > 0 else scale.typical
    light, dark = _lost_shares(tones, visual_scale, overflow)
    return ProcessAdvice(
        process=process.name,
        title=process.title,
        verdict=verdict,
        density_used="visual" if blue_range is None else "blue",
        density_note=density_note(process, blue_range is not None, neutral),
        density_range=used,
        scale=scale,
        overflow=overflow,
        beyond=beyond,
        lost_light=light,
        lost_dark=dark,
        unused=max(0.0, -overflow / scale.typical),
        contrast_factor=scale.typical / used if used > _NO_PICTURE else None,
        iso_r=iso_r(used) if scale.grade else None,
        contrast=process.contrast,
        marks=scale.marks(),
        hazards=process.hazards,
        cautions=process.cautions,
    )


def density_note(process: Process, blue: bool, neutral: bool) -> str:
    """Say which density was compared, and what that leaves open."""
    if blue:
        said = "blue density, since the plate is stained"
        if process.light == "ultraviolet":
            said += "; it stands in for ultraviolet, which the camera does not see"
    elif neutral:
        said = "visual (green) density; the plate was measured as neutral, blue is the same"
    else:
        said = (
            "visual (green) density, as blue was not measured; if the plate is stained the "
            "print sees more"
        )
    return said


def _lost_shares(
    tones: Tones | None, scale: float, overflow: float
) -> tuple[float | None, float | None]:
    """Return the shares of the picture lost at the light and at the dark end of the print.

    ``scale`` is in visual density: shorter than the process's where blue sees more.
    """
    if overflow <= _ROUNDING:
        return 0.0, 0.0
    if tones is None:
        return None, None
    return (
        tones.share_above(tones.thinnest + scale),
        tones.share_below(tones.densest - scale),
    )


Advised = Sequence[tuple[PlateRange, Sequence[ProcessAdvice]]]


def advice_to_json(advised: Advised) -> dict[str, Any]:
    """Return the advice as JSON types."""
    every = [one for _, advice in advised for one in advice]
    return {
        "plates": [
            {
                "plate": plate.plate_id,
                "density_range": plate.density_range,
                "blue_range": plate.blue_range,
                "range_at_least": None if plate.at_least is None else rounded(plate.at_least, 3),
                "light": plate.light,
                "calibrated": plate.calibrated,
                "doubtful": plate.doubtful,
                "suits": _named(advice, Verdict.SUITS),
                "suits_once_set": _named(advice, Verdict.ADJUSTABLE),
                "advice": [_one_to_json(one) for one in advice],
            }
            for plate, advice in advised
        ],
        "cautions": [
            FIRST,
            *(line for c in cautions_for(advised_hazards(every)) for line in c.lines()),
            *advised_cautions(every),
        ],
    }


def _named(advice: Sequence[ProcessAdvice], verdict: Verdict) -> list[str]:
    return [one.process for one in advice if one.verdict is verdict]


def _one_to_json(one: ProcessAdvice) -> dict[str, Any]:
    scale = one.scale
    numbers = zip(("low", "typical", "high"), scale.status, strict=True)
    return {
        "process": one.process,
        "title": one.title,
        "verdict": one.verdict.name.lower(),
        "needs_print_negative": one.needs_print_negative,
        "density_used": one.density_used,
        "density_note": one.density_note,
        "density_range": rounded(one.density_range, 3),
        "exposure_scale": {
            name: {"value": rounded(getattr(scale, name), 3), "status": str(status)}
            for name, status in numbers
        },
        "source": scale.source or None,
        "marks": one.marks,
        "grade": scale.grade or None,
        "adjustable": scale.adjustable,
        "iso_r": one.iso_r,
        "overflow": rounded(one.overflow, 3),
        "beyond": rounded(one.beyond, 3),
        "lost": one.lost(),
        "lost_light": rounded(one.lost_light, 4),
        "lost_dark": rounded(one.lost_dark, 4),
        "unused": rounded(one.unused, 4),
        "contrast_factor": rounded(one.contrast_factor, 4),
        "contrast": one.contrast or None,
        "hazards": list(one.hazards),
    }
