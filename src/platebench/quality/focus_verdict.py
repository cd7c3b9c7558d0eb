"""What the focus figures mean: one side or corner out of focus, or the whole plate."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from platebench.quality.focus import SIDES, EdgeFocus, GrainFocus
from platebench.quality.verdict import Severity, Verdict

_SOFT_SIDE = 0.7  # grain sharpness of a side over that of the opposite side
_VERY_SOFT_SIDE = 0.45
_SOFT_CORNER = 0.5  # of a corner over the middle of all cells
_SOFT_EDGE = 1.6  # width of a side's edge over that of the opposite side
_SOFT_EVERYWHERE = 0.15
_OPPOSITE = {"top": "bottom", "right": "left", "bottom": "top", "left": "right"}
_CORNERS = {(0, 0): "top left", (0, 2): "top right", (2, 0): "bottom left", (2, 2): "bottom right"}
_SQUARE_UP = "square the camera to the light box, focus again and close the lens a stop"


def judge_focus(grain: GrainFocus | None, edges: Sequence[EdgeFocus]) -> list[Verdict]:
    """Return whether the plate is evenly sharp.

    Grain decides. The plate's edge is glass: it may be rough on one side, so a difference
    between edges alone is only a note.
    """
    verdicts = []
    grain_soft = _soft_grain_side(grain)
    edge_soft = _soft_edge_side(edges)
    if grain_soft is not None:
        side, ratio = grain_soft
        agrees = edge_soft is not None and edge_soft[0] == side
        text = f"the {side} side is out of focus: its grain is {ratio:.0%} as sharp as opposite"
        text += ", and so is the plate's edge there" if agrees else ""
        severity = Severity.FAIL if ratio < _VERY_SOFT_SIDE and agrees else Severity.WARN
        verdicts.append(Verdict(severity, "focus", text, _SQUARE_UP))
    elif (corner := _soft_corner(grain)) is not None:
        text = f"the {corner[0]} corner is soft: its grain is {corner[1]:.0%} as sharp as the rest"
        remedy = "look whether the plate lies flat; close the lens a stop"
        verdicts.append(Verdict(Severity.WARN, "focus", text, remedy))
    elif edge_soft is not None:
        text = f"the plate's {edge_soft[0]} edge is {edge_soft[1]:.1f} times as soft as opposite"
        remedy = "look at the grain there at full size; the edge of the glass may be rough"
        verdicts.append(Verdict(Severity.NOTE, "focus", text, remedy))
    if verdicts:
        return verdicts
    return [_judge_whole(grain, edges)]


def _judge_whole(grain: GrainFocus | None, edges: Sequence[EdgeFocus]) -> Verdict:
    clean = [edge.sfr50 for edge in edges if edge.sfr50 is not None]
    figure = f"plate edge: SFR50 {np.median(clean):.2f} cycles/pixel" if clean else ""
    seen = grain is not None and int(np.isfinite(grain.sharpness).sum()) >= 5
    if not seen and not edges:
        text = "focus cannot be read: no grain above the noise, no clear plate edge"
        return Verdict(Severity.NOTE, "focus", text, "look at the picture at full size")
    if not seen:
        text = "no grain above the noise; the plate's edges are equally sharp"
        return Verdict(Severity.NOTE, "focus", f"{text} ({figure})" if figure else text)
    assert grain is not None
    middle = float(np.nanmedian(grain.sharpness))
    if middle < _SOFT_EVERYWHERE:
        text = "the grain is soft everywhere: out of focus, shaken, or finer pixels than needed"
        return Verdict(Severity.NOTE, "focus", text, "focus on the grain at full magnification")
    text = "the grain is equally sharp all over the plate"
    return Verdict(Severity.GOOD, "focus", f"{text} ({figure})" if figure else text)


def side_means(cells: NDArray[np.float64]) -> dict[str, float]:
    """Return the median of the three cells along each side, nan where fewer than two are known."""
    parts = {"top": cells[0], "right": cells[:, 2], "bottom": cells[2], "left": cells[:, 0]}
    return {
        side: float(np.nanmedian(part)) if np.isfinite(part).sum() >= 2 else float("nan")
        for side, part in parts.items()
    }


def _soft_grain_side(grain: GrainFocus | None) -> tuple[str, float] | None:
    if grain is None:
        return None
    means = side_means(grain.sharpness)
    ratios = {side: means[side] / means[_OPPOSITE[side]] for side in SIDES
              if np.isfinite(means[side]) and means[_OPPOSITE[side]] > 0}  # fmt: skip
    if not ratios:
        return None
    side = min(ratios, key=lambda name: ratios[name])
    return (side, ratios[side]) if ratios[side] < _SOFT_SIDE else None


def _soft_corner(grain: GrainFocus | None) -> tuple[str, float] | None:
    if grain is None or np.isfinite(grain.sharpness).sum() < 5:
        return None
    middle = float(np.nanmedian(grain.sharpness))
    if middle <= 0:
        return None
    shares = {
        name: float(grain.sharpness[cell]) / middle
        for cell, name in _CORNERS.items()
        if np.isfinite(grain.sharpness[cell])
    }
    if not shares:
        return None
    corner = min(shares, key=lambda name: shares[name])
    return (corner, shares[corner]) if shares[corner] < _SOFT_CORNER else None


def _soft_edge_side(edges: Sequence[EdgeFocus]) -> tuple[str, float] | None:
    widths = {side: [e.width_px for e in edges if e.side == side] for side in SIDES}
    middle = {side: float(np.median(found)) for side, found in widths.items() if found}
    ratios = {
        side: middle[side] / middle[_OPPOSITE[side]] for side in middle if _OPPOSITE[side] in middle
    }
    if not ratios:
        return None
    side = max(ratios, key=lambda name: ratios[name])
    return (side, ratios[side]) if ratios[side] > _SOFT_EDGE else None
