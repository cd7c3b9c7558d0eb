"""Find the plate's four corners, and say when they cannot be trusted."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

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
    Floats,
    Region,
    Surround,
    find_regions,
    find_surround,
    reduce_picture,
)

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
    surround = find_surround(small)
    regions = find_regions(surround.objects)
    if not regions:
        return _nothing(image, "no plate seen on the surround")
    coarse = sides_of_outline(regions[0].mask)
    kind, brighter = _kind(small, surround, regions[0])
    sides, missing = _refined(image, coarse, block, brighter)
    corners = corners_of(sides)
    if not np.isfinite(corners).all():
        return _nothing(image, "no four sides seen")
    doubts = [f"{name} side not seen clearly" for name in missing]
    doubts += _doubts(image, surround, regions, sides, corners, block)
    tilt, square = angles_of(corners)
    return FoundPlate(
        corners=corners,
        confidence=0.0 if doubts else min(s.support for s in sides),
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


def _refined(
    image: PlateImage, coarse: tuple[Side, ...], block: int, brighter: bool
) -> tuple[list[Side], list[str]]:
    sides: list[Side] = []
    missing: list[str] = []
    for name, rough in zip(SIDE_NAMES, coarse, strict=True):
        start = rough.scaled(block)
        long_side = start.stop - start.start
        reach = int(np.ceil(3.5 * block + 0.006 * long_side)) + 5
        side = refine_side(image, start, brighter=brighter, reach=reach)
        if side is not None:
            again = int(np.ceil(0.003 * long_side)) + 8
            side = refine_side(image, side, brighter=brighter, reach=min(again, reach)) or side
        else:
            missing.append(name)
        sides.append(side or start)
    return sides, missing


def _kind(small: Floats, surround: Surround, region: Region) -> tuple[Kind, bool]:
    import cv2

    inner = cv2.erode(region.mask, np.ones((3, 3), np.uint8))
    rim = (inner > 0) & (cv2.erode(inner, np.ones((9, 9), np.uint8)) == 0)
    brighter = bool(np.median(surround.residual[rim]) > 0) if rim.any() else False
    return ("dark" if brighter else "bright"), brighter


def _doubts(
    image: PlateImage,
    surround: Surround,
    regions: list[Region],
    sides: list[Side],
    corners: Doubles,
    block: int,
) -> list[str]:
    doubts: list[str] = []
    mask = regions[0].mask
    edges = (mask[0], mask[:, -1], mask[-1], mask[:, 0])
    for name, edge in zip(SIDE_NAMES, edges, strict=True):
        if edge.mean() > 0.01:
            doubts.append(f"{name} side leaves the frame")
    low, high = corners.min(axis=0), corners.max(axis=0)
    if not doubts and ((low < -0.5).any() or (high > np.array(image.shape) - 0.5).any()):
        doubts.append("a corner lies outside the frame")
    if len(regions) > 1:
        doubts.append("more than one plate in the frame")
    if surround.border_share < 0.75:
        doubts.append("the surround is not of one kind")
    for name, side in zip(SIDE_NAMES, sides, strict=True):
        if side.support < 0.5:
            doubts.append(f"{name} side fits a straight line in {side.support:.0%} of places only")
    _, square = angles_of(corners)
    if square > 4:
        doubts.append(f"corners are {square:.1f} degrees out of square")
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
