"""One surround, the largest thing on it, and where that thing's four sides run."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from platebench.plate.finding.edge_model import fit_edges, strip_of_light
from platebench.plate.finding.edge_profiles import CLIMB, USUAL_BLUR_PX
from platebench.plate.finding.openings import region_mask, sides_in_opening
from platebench.plate.finding.refine_corners import (
    SIDE_NAMES,
    Side,
    corners_of,
    refine_side,
    sides_of_outline,
)
from platebench.plate.finding.surround import (
    BARE,
    BLACK,
    FLOOR,
    TOO_BRIGHT,
    Floats,
    Mask,
    Region,
    Surround,
    find_regions,
    find_surround,
    rim_of,
)

OPAQUE = 0.03  # of the light: card or holder; no plate is so dense all around
# Spread of the edge about its line, beyond which its foot says nothing: scans, captures.
ROUGH_PX = (0.95, 1.5)
HALF_WAY_ERRS = (-0.5, 0.5)  # pixels, at an edge of glass in a strip of light
STRAIGHT = 0.8  # of the places on a side that must lie on its line where an outline is drawn anew
# Off a side's line, as a share of the long side: scans are small and sharpened, their edges ragged
# by a pixel or two; a crop is wrong from 0.005.
RAGGED_SCAN = 0.002


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class OutlineView:
    """One surround with the largest thing on it, and that thing's sides."""

    surround: Surround
    regions: list[Region]
    coarse: tuple[Side, ...]  # full pixels, from the reduced outline
    sides: tuple[Side, ...]  # full pixels, refined
    edges: tuple[Side, ...]  # the same before they were moved to where the glass ends
    missing: tuple[str, ...]  # names of sides that could not be refined
    brighter: bool  # than the surround
    outermost: bool  # the surround reaches the frame's border
    strip: str  # see _at_the_rim


def look(
    pixels: Floats,
    small: Floats,
    block: int,
    light_known: bool,
    within: Mask | None = None,
) -> OutlineView | None:
    """Return what lies on the surround, or None if nothing large does.

    Parameters
    ----------
    pixels : ndarray of float32, shape (m, n)
        Transmittance on which edges are measured.
    small : ndarray of float32, shape (m / block, n / block)
        The same, reduced, on which outlines are sought.
    light_known : bool
        Whether 1.0 is the bare light box.
    within : ndarray of uint8, shape of ``small``, or None
        Where to look; None: the whole frame.
    """
    surround = find_surround(small, within)
    regions = find_regions(surround.objects)
    if not regions:
        return None
    if surround.level < BLACK:
        regions = sorted(regions, key=lambda region: bare_beyond(small, region))
    coarse = tuple(side.scaled(block) for side in sides_of_outline(regions[0].mask))
    rim = rim_of(np.asarray(cv2.erode(regions[0].mask, np.ones((3, 3), np.uint8)), np.uint8), 4)
    log_t = np.log10(np.maximum(small[rim], 0) + FLOOR)
    brighter = bool(np.median(log_t - surround.surface[rim]) > 0) if rim.any() else False
    pixels = _without_slivers(pixels, surround.slivers, block)
    sides, edges, missing, strip = _refined(pixels, coarse, block, brighter, light_known, within)
    if brighter and light_known and (missing or _far_apart(coarse, edges, block)):
        lit = _above_the_leak(small, within)
        if lit is not None:
            nearer = tuple(side.scaled(block) for side in sides_of_outline(lit.mask))
            again = _refined(pixels, nearer, block, brighter, light_known, within)
            straight = min(side.support for side in again[0]) > STRAIGHT
            if straight and not again[2] and not _far_apart(nearer, again[1], block):
                regions, coarse = [lit, *regions[1:]], nearer
                sides, edges, missing, strip = again
    return OutlineView(
        surround=surround,
        regions=regions,
        coarse=coarse,
        sides=sides,
        edges=edges,
        missing=missing,
        brighter=brighter,
        outermost=within is None,
        strip=strip,
    )


def _far_apart(coarse: tuple[Side, ...], sides: tuple[Side, ...], block: int) -> bool:
    """Whether any edge was not found near the outline, or is no straight line there."""
    for rough, side in zip(coarse, sides, strict=True):
        ends = np.array([side.start, side.stop])
        off = float(np.abs(rough.depth_at(ends) - side.depth_at(ends)).max())
        if side.support < 0.5 or off > 4 * block:
            return True
    return False


def _above_the_leak(small: Floats, within: Mask | None) -> Region | None:
    """Return the largest thing brighter than light that leaks on to a card or is reflected by it.

    Such light makes an outline tens of pixels outside the edge, out of its reach.
    """
    bright = small > BLACK
    if within is not None:
        bright &= within > 0
    regions = find_regions(bright.astype(np.uint8))
    if not regions:
        return None
    mask = np.zeros(small.shape, np.uint8)
    contours, _ = cv2.findContours(regions[0].mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    cv2.drawContours(mask, contours, -1, 1, cv2.FILLED)
    return replace(regions[0], mask=mask)


def _without_slivers(pixels: Floats, slivers: NDArray[np.bool_], block: int) -> Floats:
    """Return the pixels with those under slivers and their blur as if beyond the frame."""
    if not slivers.any():
        return pixels
    wide = cv2.dilate(slivers.astype(np.uint8), np.ones((5, 5), np.uint8))
    hidden = np.kron(wide, np.ones((block, block), np.uint8)) > 0
    cut = pixels.copy()
    cut[: hidden.shape[0], : hidden.shape[1]][hidden] = np.nan
    return cut


def look_inside(
    pixels: Floats, small: Floats, block: int, light_known: bool, view: OutlineView
) -> OutlineView | None:
    """Look for the plate inside what was found, if that is a holder's frame or bare light.

    Glass takes 8 % of the light (two surfaces at n = 1.52, Fresnel), so what lets more than 0.955
    through is no glass; and no rebate is as black as a card all around.
    """
    light = 1.0 if view.brighter else view.surround.level
    region = view.regions[0]
    for depth in (2, 3, 4, 5, 6):  # clear of the edge's blur where there is room
        brush = np.ones((2 * depth + 1, 2 * depth + 1), np.uint8)
        within = np.asarray(cv2.erode(region.mask, brush), np.uint8)
        rim = small[rim_of(within, 1)] / light
        if not len(rim):
            continue
        bare = light_known and view.brighter and np.mean((rim > BARE) & (rim < TOO_BRIGHT)) > 0.8
        frame = not view.brighter and np.mean(rim < OPAQUE) > 0.8
        if not (bare or frame):
            continue
        deeper = look(pixels, small, block, light_known, within)
        # Inside bare light inside black lies the plate; that it be a holder must show clearly.
        surely = view.outermost or not frame
        if (
            deeper is not None
            and not deeper.missing
            and (surely or min(side.support for side in deeper.sides) > 0.5)
            and min(side.support for side in deeper.coarse) > 0.5
            and deeper.regions[0].area > 0.2 * region.area
            and deeper.brighter == frame
        ):
            return deeper
    if view.brighter and light_known:
        return _look_behind_light(pixels, small, block, view)
    return None


def _look_behind_light(
    pixels: Floats, small: Floats, block: int, view: OutlineView
) -> OutlineView | None:
    """Look for the plate's own sides behind strips of light too narrow or askew for an outline."""
    seen = sides_in_opening(pixels, view.edges)
    if seen is None:
        return None
    rough, room = seen
    found: list[Side] = []
    for side, gap, outer in zip(rough, room, view.sides, strict=True):
        if gap is None:
            found.append(outer)
            continue
        again = int(np.ceil(0.003 * (side.stop - side.start))) + 8
        better: Side | None = side
        for _ in range(2):
            assert better is not None
            better = refine_side(
                pixels, better, brighter=False, reach=again, outward=min(again, gap), narrow=True
            )
            if better is None:
                return None
        assert better is not None
        found.append(better)
    open_to = [k for k, gap in enumerate(room) if gap is not None]
    moved, _ = _at_the_rim(
        [found[k] for k in open_to], brighter=False, light_known=True, narrow=True
    )
    for k, side in zip(open_to, moved, strict=True):
        found[k] = side
    corners = corners_of(found)
    if not np.isfinite(corners).all():
        return None
    mask = region_mask(corners, small.shape, block)
    return replace(
        view,
        regions=[Region(mask, int(mask.sum()), 1.0)],
        coarse=rough,
        sides=tuple(found),
        missing=(),
        brighter=False,
        strip="none",
    )


def _refined(
    pixels: Floats,
    coarse: tuple[Side, ...],
    block: int,
    brighter: bool,
    light_known: bool,
    within: Mask | None,
) -> tuple[tuple[Side, ...], tuple[Side, ...], tuple[str, ...], str]:
    """Return the sides refined twice: half-way places, then the foot of the edge.

    A rough edge smears the foot of its mean profile; its half-way places stand.
    """
    room = None if within is None else _distances(within)
    narrow = room is not None and not brighter
    ragged = 0.0 if light_known else RAGGED_SCAN * max(s.stop - s.start for s in coarse)
    once: list[Side | None] = []
    spans: list[int] = []
    for start in coarse:
        reach = int(np.ceil(3.5 * block + 0.006 * (start.stop - start.start))) + 5
        outward = reach
        if room is not None:  # stay clear of the blurred edge of what this lies in
            outward = max(2, min(reach, int(_room_outside(start, room, block))))
        spans.append(outward)
        once.append(
            refine_side(
                pixels,
                start,
                brighter=brighter,
                reach=reach,
                outward=outward,
                narrow=narrow,
                ragged=ragged,
            )
        )
    rough, scan = ROUGH_PX[light_known], not light_known
    sides: list[Side] = []
    for start, side, outward in zip(coarse, once, spans, strict=True):
        again = int(np.ceil(0.003 * (start.stop - start.start))) + 8
        if side is None or side.scatter > rough:
            sides.append(side or start)
            continue
        better = refine_side(
            pixels,
            side,
            brighter=brighter,
            reach=again,
            outward=min(again, outward),
            blur_px=None if narrow else USUAL_BLUR_PX,
            narrow=narrow,
            ragged=ragged,
        )
        sides.append(side if better is None or (scan and _worse(better, side)) else better)
    missing = tuple(n for n, side in zip(SIDE_NAMES, once, strict=True) if side is None)
    rim, strip = _at_the_rim(sides, brighter=brighter, light_known=light_known, narrow=narrow)
    return rim, tuple(sides), missing, strip


def _worse(better: Side, side: Side) -> bool:
    """Whether the foot, read in a scan that was sharpened or cut off at black, is no foot."""
    return better.support < side.support - 0.05 or better.beyond > max(side.beyond, 0.05)


def _at_the_rim(
    sides: list[Side], *, brighter: bool, light_known: bool, narrow: bool
) -> tuple[tuple[Side, ...], Literal["none", "gap", "unclear"]]:
    """Move each side from where its foot was read to where the fitted model has the glass end.

    Returns
    -------
    sides : tuple of Side
    strip : {"none", "gap", "unclear"}
        Whether the edge against black is that of bare light beside the glass, and was moved past
        it; unclear if a bright line is too narrow to tell light from a rebate.
    """
    rough = ROUGH_PX[light_known]
    smooth = [side.profile is not None and side.scatter <= rough for side in sides]
    profiles = [p for side, good in zip(sides, smooth, strict=True) if good and (p := side.profile)]
    known = [k for k, good in enumerate(smooth) if good]
    if len(known) < 2:
        return tuple(sides), "none"
    fit = fit_edges(profiles, brighter=brighter)
    shifts = fit.shifts_px
    strip: Literal["none", "gap", "unclear"] = "none"
    if brighter and light_known:
        strip, inner = strip_of_light(profiles, fit)
        if strip != "none":
            shifts = inner
    moved = list(sides)
    for k, shift in zip(known, shifts, strict=True):
        lowest, highest = HALF_WAY_ERRS if narrow else (-2.5, CLIMB if brighter else 2.0)
        if lowest < shift < highest:  # against light the foot errs little
            moved[k] = replace(sides[k], offset=sides[k].offset + float(shift))
    return tuple(moved), strip


def _distances(within: Mask) -> Floats:
    return np.asarray(cv2.distanceTransform(within, cv2.DIST_L2, 3), np.float32)


def _room_outside(side: Side, room: Floats, block: int) -> float:
    """Pixels of the capture from a side out to where its surround ends, where it is narrow."""
    places = np.linspace(side.start, side.stop, 60)[5:-5]
    points = np.outer(places, side.along) + np.outer(side.depth_at(places), side.inward)
    at = np.round((points + 0.5) / block - 0.5).astype(int)
    at = np.clip(at, 0, np.array(room.shape) - 1)
    return float(np.percentile(room[at[:, 0], at[:, 1]], 20)) * block


def bare_beyond(small: Floats, region: Region) -> bool:
    """Whether a region is bare light beyond a card or holder that ends within the frame."""
    values = small[region.mask > 0]
    return bool(np.mean((values > BARE) & (values < TOO_BRIGHT)) > 0.8)
