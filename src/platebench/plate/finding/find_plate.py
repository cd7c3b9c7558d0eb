"""Find the plate's four corners, and say when they cannot be trusted."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from platebench.core.image import PlateImage
from platebench.plate.finding.openings import rails_across
from platebench.plate.finding.outline import OPAQUE, OutlineView, bare_beyond, look, look_inside
from platebench.plate.finding.refine_corners import SIDE_NAMES, Side, corners_of, outline_of
from platebench.plate.finding.surround import (
    BLACK,
    REDUCED_SIDE,
    WORKING_SIDE,
    Floats,
    Region,
    reduce_picture,
)

UNFLATTENED = 1.3  # ratio of colours beyond any stain
MOST_DOUBTS = 3
# Where hand-poured emulsion wanders, places lie on a side's line or further in: the share that must
# lie on it, the share of its length that these must span, and their scatter.
WANDERING, LONG, EVEN_PX = 0.15, 0.7, 0.4
OTHERS = 0.15  # of the plate: more beside it is another
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
        Plain words, at most three, the most telling first; a plate with any is to be kept whole
        and looked at.
    found : bool
        Whether there are four sides at all.
    others : tuple of ndarray of float64, shape (4, 2)
        Corners of other plates in the capture, which are not part of the surround.
    """

    corners: Doubles
    confidence: float
    surround: Kind
    tilt_deg: float
    out_of_square_deg: float
    doubts: tuple[str, ...]
    found: bool
    others: tuple[Doubles, ...] = ()


def find_plate(image: PlateImage, *, light_known: bool = True) -> FoundPlate:
    """Find one glass plate in a capture.

    Parameters
    ----------
    image : PlateImage
        Transmittance, (M, N) with the mosaic still interleaved or (M, N, 3). Light may be uneven.
    light_known : bool
        Whether 1.0 is the bare light box. False for scans whose white is anything: then a bright
        strip inside a dark surround is taken for the plate's rebate, never for bare light.

    """
    pixels, scale = reduce_picture(image.pixels, WORKING_SIDE, period=_period(image))
    small, block = reduce_picture(pixels, REDUCED_SIDE)
    if min(small.shape) < 24:
        return _nothing(image, "the picture is too small to find a plate in")
    rails = rails_across(small) if light_known else None
    view = look(
        pixels, small, block, light_known, None if rails is None else (~rails).astype(np.uint8)
    )
    if view is None:
        return _nothing(image, "no plate seen on the surround")
    kind: Kind = "dark" if view.brighter else "bright"
    several = _others_beside(view, small)
    for _ in range(2):  # a holder's frame, then bare light between it and the plate
        deeper = look_inside(pixels, small, block, light_known, view)
        if deeper is None:
            break
        if not view.brighter:
            kind = "holder"
        view = deeper
        several = several or _others_beside(view, small)
    corners = corners_of(view.sides)
    if not np.isfinite(corners).all():
        return _nothing(image, "no four sides seen")
    doubts = _doubts(pixels.shape, view, corners, block, several=several)
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


def _apart(side: Side, other: Side) -> Doubles:
    """Distances, at a side's ends, from another line out to it; along the side's normal."""
    ends = np.array([side.start, side.stop])
    points = np.outer(ends, side.along) + np.outer(side.depth_at(ends), side.inward)
    apart: Doubles = points @ other.inward - other.depth_at(points @ other.along)
    return np.abs(apart)


def _doubts(
    shape: tuple[int, ...], view: OutlineView, corners: Doubles, block: int, *, several: bool
) -> list[str]:
    """Return what speaks against the corners, the most telling first, without its consequences."""
    outside, cut = _frame_doubts(shape, view, corners)
    unseen = [name for name in view.missing if name not in cut]
    doubts = outside + _of_sides(unseen, "not seen clearly", "not seen clearly")
    surround = view.surround
    if several:
        doubts.append("more than one plate in the frame")
    if not view.brighter and np.median([s.inside_level for s in view.sides]) < OPAQUE:
        doubts.append("a black card or holder, but no plate seen in it")
    if BLACK < surround.level < 0.9 and surround.unevenness < 0.013:
        doubts.append("the surround is neither bare light nor black: is this the whole plate?")
    if view.strip == "unclear":
        doubts.append("a bright line along the edge may be bare light or a narrow rebate")
    if not doubts:  # else these are consequences
        doubts = _shape_doubts(view, corners, block)
    if surround.border_share < (0.75 if view.outermost else 0.5):
        doubts.append("the surround is not of one kind")
    return doubts[:MOST_DOUBTS]


def _others_beside(view: OutlineView, small: Floats) -> bool:
    """Tell whether other things lie on a surround that are large beside the one that was taken."""
    own = view.regions[0]
    least = 0.02 * own.area
    count, labels, stats, _ = cv2.connectedComponentsWithStats(
        view.surround.objects, connectivity=4
    )
    area = 0
    for k in range(1, count):
        size = int(stats[k, cv2.CC_STAT_AREA])
        if size < least:
            continue
        mask = (labels == k).astype(np.uint8)
        if (mask & own.mask).any() or bare_beyond(small, Region(mask, size, 1.0)):
            continue
        area += size
    return area > OTHERS * own.area


def _shape_doubts(view: OutlineView, corners: Doubles, block: int) -> list[str]:
    """Return what is odd about outline, sides and angles."""
    doubts: list[str] = []
    if view.regions[0].fullness < 0.8:
        doubts.append("the outline is broken or not four-sided")
    elif _sticks_out(view, block) > 0.01:
        doubts.append("parts of the outline lie outside the four sides")
    long_side = max(side.stop - side.start for side in view.sides)
    for name, rough, side in zip(SIDE_NAMES, view.coarse, view.sides, strict=True):
        doubts += _side_doubts(name, rough, side, long_side, block, brighter=view.brighter)
    ahead = np.hypot(*(np.roll(corners, -1, axis=0) - corners).T)
    if max(ahead) > 3.5 * min(ahead):
        doubts.append("much longer than any plate")
    _, square = angles_of(corners)
    if max(abs(ahead[0] / ahead[2] - 1), abs(ahead[1] / ahead[3] - 1)) > 0.06:
        doubts.append("opposite sides differ by more than 6 %")
    elif square > 4:
        doubts.append(f"corners are {square:.1f} degrees out of square")
    return doubts


def _side_doubts(
    name: str, rough: Side, side: Side, long_side: float, block: int, *, brighter: bool
) -> list[str]:
    apart = float(_apart(rough, side).max())
    blur = 4 if brighter else 2  # against black even the blur's faint skirt is outline
    wanders = not brighter and side.beyond < 0.02 and side.span >= LONG and side.scatter < EVEN_PX
    if side.support < (WANDERING if wanders else 0.5):
        return [f"{name} side fits a straight line in {side.support:.0%} of places only"]
    if side.beyond > 0.08:
        return [f"{name} side has something running further out"]
    if apart > blur * block + 0.0015 * long_side:
        return [f"{name} side: outline and edge lie {apart:.0f} pixels apart"]
    if side.bow > 0.004 * long_side:
        return [f"{name} side is curved"]
    return []


def _sticks_out(view: OutlineView, block: int) -> float:
    """Return the share of the outline that lies clearly outside the four sides."""
    outline = outline_of(view.regions[0].mask)
    long_side = max(side.stop - side.start for side in view.sides)
    margin = 4 * block + 0.004 * long_side
    points = (outline + 0.5) * block - 0.5
    out = np.zeros(len(points), bool)
    for side in view.sides:
        out |= points @ side.inward - side.depth_at(points @ side.along) < -margin
    return float(out.mean())


def _frame_doubts(
    shape: tuple[int, ...], view: OutlineView, corners: Doubles
) -> tuple[list[str], list[str]]:
    """Return what lies outside the frame, in words, and the names of the sides that do."""
    mask = view.regions[0].mask
    edges = (mask[0], mask[:, -1], mask[-1], mask[:, 0])
    cut = [name for name, edge in zip(SIDE_NAMES, edges, strict=True) if edge.mean() > 0.01]
    if cut:
        return _of_sides(cut, "leaves the frame", "leave the frame"), cut
    last = np.array(shape) - 0.5
    beyond = np.any((corners < -0.5) | (corners > last), axis=1)
    out = [name for name, off in zip(CORNER_NAMES, beyond, strict=True) if off]
    if not out:
        return [], []
    ending = "corner lies" if len(out) == 1 else "corners lie"
    return [f"{_listed(out)} {ending} outside the frame"], []


def _of_sides(names: list[str], one: str, several: str) -> list[str]:
    if not names:
        return []
    return [
        f"{_listed(names)} side {one}" if len(names) == 1 else f"{_listed(names)} sides {several}"
    ]


def _listed(names: list[str]) -> str:
    return " and ".join(filter(None, [", ".join(names[:-1]), names[-1]]))


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
