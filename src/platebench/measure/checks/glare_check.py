"""Veiling glare judged: what it does to dense parts, how deep densities can be known, what to do.

How it is measured and taken off is in :mod:`platebench.plate.glare`.
"""

from __future__ import annotations

from dataclasses import dataclass

from platebench.measure.checks.verdict import Severity, Verdict
from platebench.plate.glare import Glare, density_with_glare, interval_in_words
from platebench.plate.glare_model import (
    MISFIT_TOLD,
    SHARES,
    SessionGlare,
    most_probable,
    tells_ghost,
)

USEFUL_BOUND = 0.01  # an upper bound above this says more of the plate than of the glare
HARMLESS, HARMFUL = 0.001, 0.005  # shares of the bare light box
_CARD = (
    "lay a large opaque card (metal, or two black cards) a little off the middle of the bare box "
    "and capture it as you did the blank, then a smaller one in the middle, and the box off at 64 "
    "times the time; name them under [light] card and box_off"
)
_OFF = (
    "capture the same framing with the light box off, at 64 times the time, and name it under "
    "[light] box_off"
)
_ASIDE = (
    "a ghost, the lens's mirror image of the scene, stays hidden by a card in the middle: lay it a "
    "tenth of the frame's width to one side and capture it again"
)
_SMALLER = (
    "one card leaves open what strays from near and what from far: capture a second one too, two "
    "fifths of the frame's height, in the middle"
)
_BY_TABLET = "to know it, calibrate with a scan of a step tablet"
_LESS_STRAY = "darken the room, clean the lens, use a hood"
_REDUCE = f"for less of it, mask the light box around the plate with black card, {_LESS_STRAY}"
_REDUCE_MASKED = f"for less of it, {_LESS_STRAY}"
_REDUCE_SCANNED = (
    "for less of it, clean the scanner's glass and mask around the plate with black card"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class GlareFigures:
    """What is known of a capture's glare.

    Attributes
    ----------
    share, sigma : float
        Over the plate, of the bare light, and its error.
    sources : tuple of str
        What it was read on.
    """

    share: float
    sigma: float
    sources: tuple[str, ...]


def glare_figures(glare: Glare) -> GlareFigures:
    """Return the figures of a capture's glare."""
    return GlareFigures(share=glare.share, sigma=glare.sigma, sources=glare.sources)


def judge_glare(
    glare: GlareFigures | None,
    bound: float | None = None,
    *,
    masked: bool = False,
    off: bool = False,
    scan: bool = False,
    room_known: bool = False,
) -> Verdict:
    """Return what the glare does to dense parts, or how to make it measurable.

    Parameters
    ----------
    glare : GlareFigures or None
        As conversion measures it; None where nothing dark shows it.
    bound : float or None
        The most it can be, see :func:`platebench.plate.glare.glare_bound`.
    masked : bool
        Whether the plate lies in a black mask or a holder, so that neither need be advised.
    off : bool
        Whether conversion takes it off.
    scan : bool
        Whether the capture is a scan, in which a card is not read.
    room_known : bool
        Whether the session has a capture with the box off.
    """
    if glare is not None:
        return _of_known(glare, masked=masked, off=off, scan=scan, room_known=room_known)
    measure_it = _BY_TABLET if scan else f"to know it, {_CARD}"
    if bound is None or bound > USEFUL_BOUND:
        text = "glare cannot be measured here, since nothing opaque shows it"
        text = "glare is not measured in a scan of a plate" if scan else text
        return Verdict(Severity.NOTE, "glare", text, measure_it)
    text = (
        f"nothing opaque shows the glare: there may be up to {100 * bound:.2f} % of the bare light "
        f"box, so that {interval_in_words(bound)}"
    )
    if bound <= HARMLESS:
        return Verdict(Severity.GOOD, "glare", text)
    return Verdict(Severity.NOTE, "glare", text, measure_it)


def judge_session_glare(session: SessionGlare) -> Verdict:
    """Return what a session's captures of card and room say of its glare, and what is missing."""
    room = float(session.room.mean())
    parts = []
    if session.card or session.card_over:
        shares = most_probable(session.evidence)[1:SHARES]
        parts.append(f"the bare box has {100 * float(shares.sum()):.2f} % of glare, by the card")
    if session.box_off:
        parts.append(f"the room gives {100 * room:.3f} % of the bare light")
    text = "; ".join((*parts, *session.notes))
    if not session.card:
        return Verdict(Severity.WARN, "glare", text, f"to know the glare, {_CARD}")
    if session.evidence.misfit > MISFIT_TOLD:
        over = f"{session.evidence.misfit:.0%}"
        text += f"; {over} of the glare on the card does not follow its model"
        return Verdict(Severity.WARN, "glare", text, _REDUCE)
    if not session.box_off:
        return Verdict(Severity.NOTE, "glare", text, _OFF)
    if not tells_ghost(session.evidence):
        return Verdict(Severity.NOTE, "glare", text, _ASIDE)
    if session.card < 2:
        return Verdict(Severity.NOTE, "glare", text, _SMALLER)
    severity = Severity.NOTE if session.notes else Severity.GOOD
    return Verdict(severity, "glare", text)


def _of_known(
    glare: GlareFigures, *, masked: bool, off: bool, scan: bool, room_known: bool
) -> Verdict:
    masked = masked or "black mask" in glare.sources or "holder" in glare.sources
    text = (
        f"glare is {100 * glare.share:.2f} % of the bare light box, give or take "
        f"{100 * glare.sigma:.2f} % (by {' and '.join(glare.sources)}), so that D 2.50 is captured "
        f"as {density_with_glare(2.5, glare.share):.2f}"
    )
    text += "; convert takes it off" if off else ""
    if glare.share + glare.sigma <= HARMLESS:
        return Verdict(Severity.GOOD, "glare", text)
    severity = Severity.WARN if glare.share > HARMFUL else Severity.NOTE
    if scan:
        return Verdict(severity, "glare", text, _REDUCE_SCANNED)
    if "card" not in glare.sources:
        return Verdict(severity, "glare", text, f"to know it better, {_CARD}")
    if not room_known:
        return Verdict(severity, "glare", text, f"to know it better, {_OFF}")
    return Verdict(severity, "glare", text, _REDUCE_MASKED if masked else _REDUCE)
