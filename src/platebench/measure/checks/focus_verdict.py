"""What the focus figures mean: one side or corner out of focus, or the whole plate."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from platebench.measure.checks.edge_focus import SIDES, EdgeFocus, typical_sfr
from platebench.measure.checks.grain_focus import GrainFocus
from platebench.measure.checks.verdict import Severity, Verdict

_SOFT_SIDE = 0.7  # grain sharpness of a side over that of the opposite side
_CLEARLY_SOFT_SIDE, _VERY_SOFT_SIDE = 0.6, 0.45
_SOFT_CORNER = 0.5  # of a corner over the middle of all cells
_SHARP_EDGE = 1.15  # below it the edges say that grain and picture mislead
_SOFTER_EDGE = 1.3  # bears out grain that is a little soft
_ROUGH_EDGE = 1.6  # widest over narrowest place of one side: too rough to compare
_SOFT_EDGE = 1.6  # width of a side's edge over that of the opposite side
_WEAKER_GRAIN = 0.8  # either measure of a side over the opposite one, to bear out a soft edge
_SOFT_EVERYWHERE, _WIDE_EDGE = 0.15, 4.0  # grain sharpness; px, a blur of 1.6
_OPPOSITE = {"top": "bottom", "right": "left", "bottom": "top", "left": "right"}
_CORNERS = {(0, 0): "top left", (0, 2): "top right", (2, 0): "bottom left", (2, 2): "bottom right"}
_SQUARE_UP = "square the camera to the light box, focus again and close the lens a stop"


def judge_focus(grain: GrainFocus | None, edges: Sequence[EdgeFocus]) -> list[Verdict]:
    """Return whether the plate is evenly sharp.

    Grain decides. The plate's edge is glass: it may be rough on one side, so a difference
    between edges that the grain does not bear out is only a note.
    """
    verdicts = []
    grain_soft = _soft_grain_side(grain)
    edge_soft = _soft_edge_side(edges)
    limit = _SHARP_EDGE if grain_soft and grain_soft[1] < _CLEARLY_SOFT_SIDE else _SOFTER_EDGE
    if grain_soft is not None and not _edges_deny_side(edges, grain_soft[0], limit):
        side, ratio = grain_soft
        agrees = edge_soft is not None and edge_soft[0] == side
        text = f"the {side} side is out of focus: its grain is {ratio:.0%} as sharp as opposite"
        text += ", and so is the plate's edge there" if agrees else ""
        severity = Severity.FAIL if ratio < _VERY_SOFT_SIDE and agrees else Severity.WARN
        verdicts.append(Verdict(severity, "focus", text, _SQUARE_UP))
    elif (corner := _soft_corner(grain)) and not _edges_deny_corner(edges, corner[0]):
        text = f"the {corner[0]} corner is soft: its grain is {corner[1]:.0%} as sharp as the rest"
        severity = Severity.WARN if _edges_soft_at(edges, corner[0]) else Severity.NOTE
        remedy = "look whether the plate lies flat; close the lens a stop"
        verdicts.append(Verdict(severity, "focus", text, remedy))
    elif edge_soft is not None:
        side, width = edge_soft
        weaker = min(_side_ratios(grain).get(side, ()), default=1.0)
        if weaker < _WEAKER_GRAIN:
            text = (
                f"the {side} side is out of focus: the plate's edge is {width:.1f} times as soft "
                f"as opposite, and the grain is weaker there"
            )
            verdicts.append(Verdict(Severity.WARN, "focus", text, _SQUARE_UP))
        else:
            text = f"the plate's {side} edge is {width:.1f} times as soft as opposite"
            remedy = "look at the grain there at full size; the edge of the glass may be rough"
            verdicts.append(Verdict(Severity.NOTE, "focus", text, remedy))
    if verdicts:
        return verdicts
    return [_judge_whole(grain, edges)]


def _judge_whole(grain: GrainFocus | None, edges: Sequence[EdgeFocus]) -> Verdict:
    typical, figure = typical_sfr(edges, "sfr50"), ""
    if typical is not None:
        error = "" if typical[1] is None else f" ± {max(typical[1], 0.01):.2f}"
        figure = f"plate edge: SFR50 {typical[0]:.2f}{error} cycles/pixel"
    seen = grain is not None and int(np.isfinite(grain.sharpness).sum()) >= 5
    if not seen and not edges:
        text = "focus cannot be read: no grain above the noise, no clear plate edge"
        return Verdict(Severity.NOTE, "focus", text, "look at the picture at full size")
    if not seen:
        text = "no grain above the noise; the plate's edges are equally sharp"
        return Verdict(Severity.NOTE, "focus", f"{text} ({figure})" if figure else text)
    assert grain is not None
    middle = float(np.nanmedian(grain.sharpness))
    wide = float(np.median([edge.width_px for edge in edges])) if edges else _WIDE_EDGE
    if middle < _SOFT_EVERYWHERE and wide >= _WIDE_EDGE:
        text = "the grain is soft everywhere: out of focus, shaken, or finer pixels than needed"
        return Verdict(Severity.NOTE, "focus", text, "focus on the grain at full magnification")
    text = "no side is out of focus"
    return Verdict(Severity.GOOD, "focus", f"{text} ({figure})" if figure else text)


def side_means(cells: NDArray[np.float64]) -> dict[str, float]:
    """Return the mean of the cells along each side, nan where fewer than two are known."""
    parts = {"top": cells[0], "right": cells[:, 2], "bottom": cells[2], "left": cells[:, 0]}
    return {
        side: float(np.nanmean(part)) if np.isfinite(part).sum() >= 2 else float("nan")
        for side, part in parts.items()
    }


def _side_ratios(grain: GrainFocus | None) -> dict[str, tuple[float, float]]:
    """Return sharpness and strength of each side over the opposite one, where both are known."""
    if grain is None:
        return {}
    sharp, strong = side_means(grain.sharpness), side_means(grain.strength)
    return {
        side: (sharp[side] / sharp[other], strong[side] / strong[other])
        for side, other in _OPPOSITE.items()
        if np.isfinite(sharp[side]) and min(sharp[other], strong[other]) > 0
    }


def _soft_grain_side(grain: GrainFocus | None) -> tuple[str, float] | None:
    """Return the side whose grain is soft by both measures, and the milder of the two ratios.

    Texture in the picture pulls the two measures in opposite directions; blur lowers both.
    """
    ratios = {side: max(both) for side, both in _side_ratios(grain).items()}
    if not ratios:
        return None
    side = min(ratios, key=lambda name: ratios[name])
    return (side, ratios[side]) if ratios[side] < _SOFT_SIDE else None


def _soft_corner(grain: GrainFocus | None) -> tuple[str, float] | None:
    """Return the corner that is soft by both measures, and the milder of the two ratios."""
    if grain is None or np.isfinite(grain.sharpness).sum() < 5:
        return None
    middles = (float(np.nanmedian(grain.sharpness)), float(np.nanmedian(grain.strength)))
    if min(middles) <= 0:
        return None
    shares = {
        name: max(grain.sharpness[cell] / middles[0], grain.strength[cell] / middles[1])
        for cell, name in _CORNERS.items()
        if np.isfinite(grain.sharpness[cell])
    }
    if not shares:
        return None
    corner = min(shares, key=lambda name: shares[name])
    return (corner, float(shares[corner])) if shares[corner] < _SOFT_CORNER else None


def _side_widths(edges: Sequence[EdgeFocus]) -> dict[str, float]:
    """Return the median width of each side's edge, px, where two places of it agree."""
    widths = {side: [edge.width_px for edge in edges if edge.side == side] for side in SIDES}
    return {
        side: float(np.median(found))
        for side, found in widths.items()
        if len(found) >= 2 and max(found) < _ROUGH_EDGE * min(found)
    }


def _soft_edge_side(edges: Sequence[EdgeFocus]) -> tuple[str, float] | None:
    middle = _side_widths(edges)
    ratios = {
        side: middle[side] / middle[_OPPOSITE[side]] for side in middle if _OPPOSITE[side] in middle
    }
    if not ratios:
        return None
    side = max(ratios, key=lambda name: ratios[name])
    return (side, ratios[side]) if ratios[side] > _SOFT_EDGE else None


def _edges_deny_side(edges: Sequence[EdgeFocus], side: str, limit: float) -> bool:
    """Tell whether the plate's edges show that a side is no softer than the opposite one.

    Grain that is only a little softer needs edges that bear it out, where there are edges.
    """
    middle = _side_widths(edges)
    if side not in middle or _OPPOSITE[side] not in middle:
        return False
    return middle[side] < limit * middle[_OPPOSITE[side]]


def _edges_deny_corner(edges: Sequence[EdgeFocus], corner: str) -> bool:
    """Tell whether the plate's edges near a corner are as sharp as everywhere."""
    near = [edge.width_px for edge in edges if corner_near(edge) == corner]
    if not near or len(edges) < 4:
        return False
    return bool(max(near) < _SHARP_EDGE * np.median([edge.width_px for edge in edges]))


def _edges_soft_at(edges: Sequence[EdgeFocus], corner: str) -> bool:
    """Tell whether both of the plate's edges that meet at a corner are soft there."""
    near = [edge.width_px for edge in edges if corner_near(edge) == corner]
    if len(near) < 2:
        return False
    return bool(min(near) > _SOFTER_EDGE * np.median([edge.width_px for edge in edges]))


def corner_near(edge: EdgeFocus) -> str:
    """Return the corner an edge's place is close to, "" for the middle of a side.

    Examples
    --------
    >>> corner_near(EdgeFocus(side="left", place=0.8, width_px=1.0, sfr50=None, sfr10=None))
    'top left'
    """
    clockwise = ("top left", "top right", "bottom right", "bottom left")
    at = SIDES.index(edge.side)
    if edge.place < 0.35:
        return clockwise[at]
    return clockwise[(at + 1) % 4] if edge.place > 0.65 else ""
