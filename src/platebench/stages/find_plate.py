"""Find the plate's four corners, and say when they cannot be trusted."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from platebench.image import Encoding, PlateImage
from platebench.stages.refine_corners import (
    SIDE_NAMES,
    Side,
    corners_of,
    refine_side,
    sides_of_outline,
)
from platebench.stages.surround import (
    FLOOR,
    Floats,
    Mask,
    Region,
    Surround,
    find_regions,
    find_surround,
    reduce_picture,
    rim_of,
)

BARE = 0.955  # of the light: more than any glass lets through
BLACK = 0.06  # of the light: card or holder, glare included
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


def find_plate(image: PlateImage) -> FoundPlate:
    """Find one glass plate in a capture.

    Parameters
    ----------
    image : PlateImage
        TRANSMITTANCE, (M, N) with the mosaic still interleaved or (M, N, 3). Light may be uneven.

    Raises
    ------
    ValueError
        If the picture is not transmittance.
    """
    if image.encoding is not Encoding.TRANSMITTANCE:
        raise ValueError(f"find_plate needs transmittance, got {image.encoding}")
    small, block = reduce_picture(image)
    if min(small.shape) < 24:
        return _nothing(image, "the picture is too small to find a plate in")
    view = _outermost(image, small, block)
    if view is None:
        return _nothing(image, "no plate seen on the surround")
    kind: Kind = "dark" if view.brighter else "bright"
    for _ in range(2):  # a holder's frame, then bare light between it and the plate
        deeper = _look_inside(image, small, block, view)
        if deeper is None:
            break
        if not view.brighter:
            kind = "holder"
        view = deeper
    corners = corners_of(view.sides)
    if not np.isfinite(corners).all():
        return _nothing(image, "no four sides seen")
    doubts = _doubts(image, view, corners, block)
    tilt, square = angles_of(corners)
    return FoundPlate(
        corners=corners,
        confidence=0.0 if doubts else min(s.support for s in view.sides),
        surround=kind,
        tilt_deg=tilt,
        out_of_square_deg=square,
        doubts=tuple(doubts),
        found=True,
    )


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


def _outermost(
    image: PlateImage,
    small: Floats,
    block: int,
    within: Mask | None = None,
    parent: tuple[Side, ...] = (),
) -> _View | None:
    surround = find_surround(small, within)
    regions = find_regions(surround.objects)
    if not regions:
        return None
    coarse = tuple(side.scaled(block) for side in sides_of_outline(regions[0].mask))
    rim = rim_of(np.asarray(cv2.erode(regions[0].mask, np.ones((3, 3), np.uint8)), np.uint8), 4)
    log_t = np.log10(np.maximum(small[rim], 0) + FLOOR)
    brighter = bool(np.median(log_t - surround.surface[rim]) > 0) if rim.any() else False
    sides, missing = _refined(image, coarse, block, brighter, parent)
    return _View(
        surround=surround,
        regions=regions,
        coarse=coarse,
        sides=sides,
        missing=missing,
        brighter=brighter,
    )


def _look_inside(image: PlateImage, small: Floats, block: int, view: _View) -> _View | None:
    """Look for the plate inside what was found, if that is a holder's frame or bare light.

    Glass takes 8 % of the light (two surfaces at n = 1.52, Fresnel), so what lets more than 0.955
    through is no glass; and no rebate is as black as a card on all four sides.
    """
    inside = np.median([side.inside_level for side in view.sides])
    light = 1.0 if view.brighter else view.surround.level
    bare = view.brighter and BARE * light < inside < 1.15 * light
    frame = not view.brighter and inside < BLACK * light
    if view.missing or not (bare or frame):
        return None
    corners = corners_of(view.sides)
    if not np.isfinite(corners).all():
        return None
    centre = corners.mean(axis=0)
    shrink = 1 - (1.2 * block + 2) / max(float(np.hypot(*(corners - centre).T).mean()), 1.0)
    shrunk = (centre + (corners - centre) * shrink + 0.5) / block - 0.5
    within = np.zeros(small.shape, np.uint8)
    cv2.fillConvexPoly(within, np.round(shrunk[:, ::-1] * 16).astype(np.int32), 1, shift=4)
    deeper = _outermost(image, small, block, within, view.sides)
    if deeper is None or deeper.missing:
        return None
    if min(side.support for side in deeper.coarse) < 0.5:
        return None
    if deeper.regions[0].area < 0.3 * view.regions[0].area:
        return None
    return deeper


def _refined(
    image: PlateImage,
    coarse: tuple[Side, ...],
    block: int,
    brighter: bool,
    parent: tuple[Side, ...],
) -> tuple[tuple[Side, ...], tuple[str, ...]]:
    sides: list[Side] = []
    missing: list[str] = []
    for k, (name, start) in enumerate(zip(SIDE_NAMES, coarse, strict=True)):
        length = start.stop - start.start
        reach = int(np.ceil(3.5 * block + 0.006 * length)) + 5
        outward = reach
        if parent:  # stay clear of the blurred edge of what this lies in
            outward = max(2, min(reach, int(_apart(start, parent[k]).min()) - 2))
        side = refine_side(image, start, brighter=brighter, reach=reach, outward=outward)
        if side is None:
            missing.append(name)
        else:
            again = min(int(np.ceil(0.003 * length)) + 8, reach)
            outward = min(again, outward)
            side = refine_side(image, side, brighter=brighter, reach=again, outward=outward) or side
        sides.append(side or start)
    return tuple(sides), tuple(missing)


def _apart(side: Side, other: Side) -> Doubles:
    """Distances, at a side's ends, from another line out to it; along the side's normal."""
    ends = np.array([side.start, side.stop])
    points = np.outer(ends, side.along) + np.outer(side.depth_at(ends), side.inward)
    apart: Doubles = points @ other.inward - other.depth_at(points @ other.along)
    return np.abs(apart)


def _doubts(image: PlateImage, view: _View, corners: Doubles, block: int) -> list[str]:
    doubts = [f"{name} side not seen clearly" for name in view.missing]
    doubts += _frame_doubts(image, view, corners)
    surround = view.surround
    others = sum(region.area for region in view.regions[1:])
    if others > 0.15 * view.regions[0].area:
        doubts.append("more than one plate in the frame")
    if surround.border_share < 0.75:
        doubts.append("the surround is not of one kind")
    if BLACK < surround.level < 0.9 and surround.unevenness < 0.013:
        doubts.append("the surround is neither bare light nor black: is this the whole plate?")
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


def _frame_doubts(image: PlateImage, view: _View, corners: Doubles) -> list[str]:
    mask = view.regions[0].mask
    edges = (mask[0], mask[:, -1], mask[-1], mask[:, 0])
    doubts = [
        f"{name} side leaves the frame"
        for name, edge in zip(SIDE_NAMES, edges, strict=True)
        if edge.mean() > 0.01
    ]
    last = np.array(image.shape) - 0.5
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
