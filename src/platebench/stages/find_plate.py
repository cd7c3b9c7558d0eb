"""Find the plate's four corners, and say when they cannot be trusted."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from platebench.image import Encoding, PlateImage
from platebench.stages.edge_model import USUAL_BLUR_PX, fit_edges, strip_of_light
from platebench.stages.edge_profiles import CLIMB
from platebench.stages.refine_corners import (
    SIDE_NAMES,
    Side,
    corners_of,
    outline_of,
    refine_side,
    sides_of_outline,
)
from platebench.stages.surround import (
    BARE,
    BLACK,
    FLOOR,
    REDUCED_SIDE,
    TOO_BRIGHT,
    WORKING_SIDE,
    Floats,
    Mask,
    Region,
    Surround,
    find_regions,
    find_surround,
    reduce_picture,
    rim_of,
)

UNFLATTENED = 1.3  # ratio of colours beyond any stain
OPAQUE = 0.03  # of the light: card or holder; no plate is so dense all around
# Spread of the edge about its line, beyond which its foot says nothing: scans, captures.
ROUGH_PX = (0.95, 1.5)
CORNER_NAMES = ("top left", "top right", "bottom right", "bottom left")
Doubles = NDArray[np.float64]
Kind = Literal["bright", "dark", "holder", "none"]


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class FoundPlate:
    """Where the plate lies in a capture.

    Attributes
    ----------
    corners : ndarray of float64, shape (4, 2)
        Top left, top right, bottom right, bottom left as seen in the capture, ``(row, column)``:
        intersections of the sides' lines, also where a corner is broken off. The frame's own
        corners where nothing was found.
    confidence : float
        0..1; the weakest of the checks.
    surround : {"bright", "dark", "holder", "none"}
        Bare light box, black mask, holder (dark with light beyond it), nothing recognised.
    tilt_deg : float
        Mean turn of the sides, degrees, clockwise positive.
    out_of_square_deg : float
        Largest departure of a corner from 90 degrees.
    doubts : tuple of str
        Plain words; a plate with any is to be kept whole and looked at.
    found : bool
        Whether there are four sides at all.
    """

    corners: Doubles
    confidence: float
    surround: Kind
    tilt_deg: float
    out_of_square_deg: float
    doubts: tuple[str, ...]
    found: bool


def find_plate(image: PlateImage, *, light_known: bool = True) -> FoundPlate:
    """Find one glass plate in a capture.

    Parameters
    ----------
    image : PlateImage
        TRANSMITTANCE, (M, N) with the mosaic still interleaved or (M, N, 3). Light may be uneven.
    light_known : bool
        Whether 1.0 is the bare light box. False for scans whose white is anything: then a bright
        strip inside a dark surround is taken for the plate's rebate, never for bare light.

    Raises
    ------
    ValueError
        If the picture is not transmittance.
    """
    if image.encoding is not Encoding.TRANSMITTANCE:
        raise ValueError(f"find_plate needs transmittance, got {image.encoding}")
    pixels, scale = reduce_picture(image.pixels, WORKING_SIDE, period=_period(image))
    small, block = reduce_picture(pixels, REDUCED_SIDE)
    if min(small.shape) < 24:
        return _nothing(image, "the picture is too small to find a plate in")
    view = _look(pixels, small, block, light_known)
    if view is None:
        return _nothing(image, "no plate seen on the surround")
    kind: Kind = "dark" if view.brighter else "bright"
    for _ in range(2):  # a holder's frame, then bare light between it and the plate
        deeper = _look_inside(pixels, small, block, light_known, view)
        if deeper is None:
            break
        if not view.brighter:
            kind = "holder"
        view = deeper
    corners = corners_of(view.sides)
    if not np.isfinite(corners).all():
        return _nothing(image, "no four sides seen")
    doubts = _doubts(pixels.shape, small, view, corners, block)
    tilt, square = angles_of(corners)
    return FoundPlate(
        corners=(corners + 0.5) * scale - 0.5,
        confidence=0.0 if doubts else min(s.support for s in view.sides),
        surround=kind,
        tilt_deg=tilt,
        out_of_square_deg=square,
        doubts=tuple(doubts),
        found=True,
    )


def _period(image: PlateImage) -> int:
    """Return the period over which the colours of a mosaic must be averaged, 1 if they agree.

    In a flattened picture the bare light is 1 in every colour and only stain tells them apart;
    colours further apart than any stain mean that the light was not divided out.
    """
    p, q = image.pattern.shape
    if p * q == 1 or min(image.shape) < 8 * max(p, q):
        return 1
    down, across = (max(1, n // (200 * k)) * k for n, k in zip(image.shape, (p, q), strict=True))
    means = [
        float(np.mean(image.pixels[row::down, column::across]))
        for row in range(p)
        for column in range(q)
    ]
    flat = np.isfinite(means).all() and 0 < max(means) < UNFLATTENED * min(means)
    return 1 if flat else int(np.lcm(p, q))


def angles_of(corners: Doubles) -> tuple[float, float]:
    """Return tilt and out-of-squareness of four corners, in degrees.

    Examples
    --------
    >>> angles_of(np.array([[0.0, 0], [0, 10], [8, 10], [8, 0]]))
    (0.0, 0.0)
    """
    ahead = np.roll(corners, -1, axis=0) - corners
    heading = np.degrees(np.arctan2(ahead[:, 0], ahead[:, 1])) - np.array([0, 90, 180, 270])
    heading = (heading + 180) % 360 - 180
    turn = np.roll(heading, -1) - heading
    return float(np.mean(heading)), float(np.max(np.abs((turn + 180) % 360 - 180)))


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class _View:
    """One surround with the largest thing on it, and that thing's sides."""

    surround: Surround
    regions: list[Region]
    coarse: tuple[Side, ...]  # full pixels, from the reduced outline
    sides: tuple[Side, ...]  # full pixels, refined
    missing: tuple[str, ...]  # names of sides that could not be refined
    brighter: bool  # than the surround
    outermost: bool  # the surround reaches the frame's border
    strip: str  # see _at_the_rim


def _look(
    pixels: Floats,
    small: Floats,
    block: int,
    light_known: bool,
    within: Mask | None = None,
) -> _View | None:
    surround = find_surround(small, within)
    regions = find_regions(surround.objects)
    if not regions:
        return None
    if surround.level < BLACK:
        regions = sorted(regions, key=lambda region: _bare_beyond(small, region))
    coarse = tuple(side.scaled(block) for side in sides_of_outline(regions[0].mask))
    rim = rim_of(np.asarray(cv2.erode(regions[0].mask, np.ones((3, 3), np.uint8)), np.uint8), 4)
    log_t = np.log10(np.maximum(small[rim], 0) + FLOOR)
    brighter = bool(np.median(log_t - surround.surface[rim]) > 0) if rim.any() else False
    sides, missing, strip = _refined(pixels, coarse, block, brighter, light_known, within)
    return _View(
        surround=surround,
        regions=regions,
        coarse=coarse,
        sides=sides,
        missing=missing,
        brighter=brighter,
        outermost=within is None,
        strip=strip,
    )


def _look_inside(
    pixels: Floats, small: Floats, block: int, light_known: bool, view: _View
) -> _View | None:
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
        deeper = _look(pixels, small, block, light_known, within)
        if (
            deeper is not None
            and not deeper.missing
            and min(side.support for side in deeper.coarse) > 0.5
            and deeper.regions[0].area > 0.2 * region.area
            and deeper.brighter == frame
        ):
            return deeper
    return None


def _refined(
    pixels: Floats,
    coarse: tuple[Side, ...],
    block: int,
    brighter: bool,
    light_known: bool,
    within: Mask | None,
) -> tuple[tuple[Side, ...], tuple[str, ...], str]:
    """Return the sides refined twice: half-way places, then the foot of the edge.

    A rough edge smears the foot of its mean profile; its half-way places stand.
    """
    room = None if within is None else _distances(within)
    narrow = room is not None and not brighter
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
                pixels, start, brighter=brighter, reach=reach, outward=outward, narrow=narrow
            )
        )
    rough = ROUGH_PX[light_known]
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
        )
        sides.append(better or side)
    missing = tuple(n for n, side in zip(SIDE_NAMES, once, strict=True) if side is None)
    rim, strip = _at_the_rim(sides, brighter=brighter, light_known=light_known)
    return rim, missing, strip


def _at_the_rim(
    sides: list[Side], *, brighter: bool, light_known: bool
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
        strip, inner = strip_of_light(profiles, shifts, fit.blur_px)
        if strip != "none":
            shifts = inner
    moved = list(sides)
    for k, shift in zip(known, shifts, strict=True):
        if -2.5 < shift < (CLIMB if brighter else 2.0):  # against light the foot errs little
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


def _apart(side: Side, other: Side) -> Doubles:
    """Distances, at a side's ends, from another line out to it; along the side's normal."""
    ends = np.array([side.start, side.stop])
    points = np.outer(ends, side.along) + np.outer(side.depth_at(ends), side.inward)
    apart: Doubles = points @ other.inward - other.depth_at(points @ other.along)
    return np.abs(apart)


def _bare_beyond(small: Floats, region: Region) -> bool:
    """Whether a region is bare light beyond a card or holder that ends within the frame."""
    values = small[region.mask > 0]
    return bool(np.mean((values > BARE) & (values < TOO_BRIGHT)) > 0.8)


def _doubts(
    shape: tuple[int, ...], small: Floats, view: _View, corners: Doubles, block: int
) -> list[str]:
    doubts = [f"{name} side not seen clearly" for name in view.missing]
    doubts += _frame_doubts(shape, view, corners)
    surround = view.surround
    others = sum(region.area for region in view.regions[1:] if not _bare_beyond(small, region))
    if others > 0.15 * view.regions[0].area:
        doubts.append("more than one plate in the frame")
    if view.strip == "unclear":
        doubts.append("a bright line along the edge may be bare light or a narrow rebate")
    if surround.border_share < (0.75 if view.outermost else 0.5):
        doubts.append("the surround is not of one kind")
    if BLACK < surround.level < 0.9 and surround.unevenness < 0.013:
        doubts.append("the surround is neither bare light nor black: is this the whole plate?")
    if not view.brighter and np.median([s.inside_level for s in view.sides]) < OPAQUE:
        doubts.append("a black card or holder, but no plate seen in it")
    if _sticks_out(view, block) > 0.01:
        doubts.append("parts of the outline lie outside the four sides")
    if view.regions[0].fullness < 0.8:
        doubts.append("the outline is broken or not four-sided")
    long_side = max(side.stop - side.start for side in view.sides)
    for name, rough, side in zip(SIDE_NAMES, view.coarse, view.sides, strict=True):
        doubts += _side_doubts(name, rough, side, long_side, block, brighter=view.brighter)
    ahead = np.hypot(*(np.roll(corners, -1, axis=0) - corners).T)
    if max(ahead) > 3.5 * min(ahead):
        doubts.append("much longer than any plate")
    if max(abs(ahead[0] / ahead[2] - 1), abs(ahead[1] / ahead[3] - 1)) > 0.06:
        doubts.append("opposite sides differ by more than 6 %")
    _, square = angles_of(corners)
    if square > 4:
        doubts.append(f"corners are {square:.1f} degrees out of square")
    return doubts


def _side_doubts(
    name: str, rough: Side, side: Side, long_side: float, block: int, *, brighter: bool
) -> list[str]:
    doubts: list[str] = []
    if side.support < 0.5:
        doubts.append(f"{name} side fits a straight line in {side.support:.0%} of places only")
    if side.beyond > 0.08:
        doubts.append(f"{name} side has something running further out")
    apart = float(_apart(rough, side).max())
    blur = 4 if brighter else 2  # against black even the blur's faint skirt is outline
    if apart > blur * block + 0.0015 * long_side:
        doubts.append(f"{name} side: outline and edge lie {apart:.0f} pixels apart")
    if side.bow > 0.004 * long_side:
        doubts.append(f"{name} side is curved")
    return doubts


def _sticks_out(view: _View, block: int) -> float:
    """Return the share of the outline that lies clearly outside the four sides."""
    outline = outline_of(view.regions[0].mask)
    long_side = max(side.stop - side.start for side in view.sides)
    margin = 4 * block + 0.004 * long_side
    points = (outline + 0.5) * block - 0.5
    out = np.zeros(len(points), bool)
    for side in view.sides:
        out |= points @ side.inward - side.depth_at(points @ side.along) < -margin
    return float(out.mean())


def _frame_doubts(shape: tuple[int, ...], view: _View, corners: Doubles) -> list[str]:
    mask = view.regions[0].mask
    edges = (mask[0], mask[:, -1], mask[-1], mask[:, 0])
    doubts = [
        f"{name} side leaves the frame"
        for name, edge in zip(SIDE_NAMES, edges, strict=True)
        if edge.mean() > 0.01
    ]
    last = np.array(shape) - 0.5
    beyond = np.any((corners < -0.5) | (corners > last), axis=1)
    if not doubts:
        doubts += [
            f"{name} corner lies outside the frame"
            for name, out in zip(CORNER_NAMES, beyond, strict=True)
            if out
        ]
    return doubts


def _nothing(image: PlateImage, why: str) -> FoundPlate:
    bottom, right = image.shape[0] - 0.5, image.shape[1] - 0.5
    return FoundPlate(
        corners=np.array([[-0.5, -0.5], [-0.5, right], [bottom, right], [bottom, -0.5]]),
        confidence=0.0,
        surround="none",
        tilt_deg=0.0,
        out_of_square_deg=0.0,
        doubts=(why,),
        found=False,
    )
