"""Cut a plate out of its capture, straight, the right way round, in one resampling at most.

Cutting, turning, making square, mirroring and quarter turns are one homography from the result
back to the capture. Where the plate already lies straight to within half a pixel, pixels are
copied, not resampled.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from platebench.image import MONO_PATTERN, PlateImage

Doubles = NDArray[np.float64]
How = Literal["perspective", "turn", "none"]

STRAIGHT_ENOUGH = 0.5  # pixels over the whole plate: less than a pixel shows
_HALO = 4  # capture rows beyond the ones a band maps to, for the cubic kernel


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Straightening:
    """Where each pixel of the result lies in the capture.

    Attributes
    ----------
    shape : (int, int)
        Rows and columns of the result.
    source : ndarray of float64, shape (3, 3)
        Homography from ``(x, y, 1)`` of the result to ``(x, y, 1)`` of the capture.
    whole_pixels : bool
        True where every result pixel is a capture pixel: nothing is resampled.
    """

    shape: tuple[int, int]
    source: Doubles
    whole_pixels: bool


def plan_straighten(
    shape: tuple[int, int],
    corners: Doubles,
    *,
    how: How = "perspective",
    mirror: bool = False,
    rotate: int = 0,
) -> Straightening:
    """Plan the cut.

    Parameters
    ----------
    shape : (int, int)
        Rows and columns of the capture.
    corners : ndarray of float64, shape (4, 2)
        Plate corners, top left, top right, bottom right, bottom left, ``(row, column)``.
    how : {"perspective", "turn", "none"}
        "perspective" makes the four corners square; "turn" turns by the mean angle of the sides
        and keeps every angle; "none" cuts the upright rectangle around the corners.
    mirror : bool
        Turn left to right.
    rotate : {0, 90, 180, 270}
        Degrees clockwise, after mirroring.

    Raises
    ------
    ValueError
        If ``rotate`` is no quarter turn, or the corners enclose no pixel.
    """
    if rotate not in (0, 90, 180, 270):
        raise ValueError(f"rotate must be 0, 90, 180 or 270, got {rotate}")
    rows, columns = _size(corners, how)
    if rows < 1 or columns < 1:
        raise ValueError("the corners enclose no pixel")
    cut = _cut(corners, how, rows, columns)
    snapped = _snapped(cut, shape, rows, columns)
    upright = cut if snapped is None else snapped
    source = upright @ _turned(rows, columns, mirror=mirror, rotate=rotate)
    if rotate in (90, 270):
        rows, columns = columns, rows
    return Straightening(shape=(rows, columns), source=source, whole_pixels=snapped is not None)


def straighten_rows(
    image: PlateImage, plan: Straightening, top: int, bottom: int
) -> tuple[NDArray[np.float32], NDArray[np.bool_] | None]:
    """Return rows ``top`` to ``bottom`` of the result, and which of them are valid.

    Cubic interpolation; a place outside the capture repeats its border. Validity is that of the
    nearest photosite.

    Returns
    -------
    pixels : ndarray of float32, shape (bottom - top, columns) or (..., 3)
    valid : ndarray of bool, shape (bottom - top, columns), or None
    """
    size = (plan.shape[1], bottom - top)
    down = np.array([[1.0, 0, 0], [0, 1, top], [0, 0, 1]])
    low, high = _source_rows(plan, top, bottom, image.shape[0])
    up = np.array([[1.0, 0, 0], [0, 1, -low], [0, 0, 1]])
    matrix = up @ plan.source @ down
    kernel = cv2.INTER_NEAREST if plan.whole_pixels else cv2.INTER_CUBIC
    pixels = cv2.warpPerspective(
        image.pixels[low:high],
        matrix,
        size,
        flags=kernel | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    )
    if image.valid is None:
        return np.asarray(pixels, np.float32), None
    valid = cv2.warpPerspective(
        image.valid[low:high].view(np.uint8),
        matrix,
        size,
        flags=cv2.INTER_NEAREST | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    )
    return np.asarray(pixels, np.float32), valid.astype(bool)


def straighten(
    image: PlateImage,
    corners: Doubles,
    *,
    how: How = "perspective",
    mirror: bool = False,
    rotate: int = 0,
) -> PlateImage:
    """Return the plate alone; see :func:`plan_straighten`. The filter pattern is dropped."""
    plan = plan_straighten(image.shape, corners, how=how, mirror=mirror, rotate=rotate)
    pixels, valid = straighten_rows(image, plan, 0, plan.shape[0])
    return PlateImage(pixels=pixels, encoding=image.encoding, valid=valid, pattern=MONO_PATTERN)


def _size(corners: Doubles, how: How) -> tuple[int, int]:
    """Rows and columns of the result before quarter turns."""
    if how == "perspective":
        across = [np.linalg.norm(corners[1] - corners[0]), np.linalg.norm(corners[2] - corners[3])]
        down = [np.linalg.norm(corners[3] - corners[0]), np.linalg.norm(corners[2] - corners[1])]
        return round(float(np.mean(down))), round(float(np.mean(across)))
    along = _upright(corners) if how == "turn" else corners
    extent = along.max(axis=0) - along.min(axis=0)
    return round(float(extent[0])), round(float(extent[1]))


def _angle(corners: Doubles) -> float:
    """Mean turn of the four sides, radians, clockwise as seen."""
    ahead = np.roll(corners, -1, axis=0) - corners
    heading = np.arctan2(ahead[:, 0], ahead[:, 1]) - np.arange(4) * np.pi / 2
    return float(np.mean((heading + np.pi) % (2 * np.pi) - np.pi))


def _upright(corners: Doubles) -> Doubles:
    """Corners turned about the capture's origin until the sides are upright."""
    angle = _angle(corners)
    cos, sin = np.cos(angle), np.sin(angle)
    return np.asarray(corners @ np.array([[cos, sin], [-sin, cos]]))


def _cut(corners: Doubles, how: How, rows: int, columns: int) -> Doubles:
    """Homography from the result, before quarter turns, to the capture, in ``(x, y)``."""
    if how == "perspective":
        edges = np.array(
            [[-0.5, -0.5], [columns - 0.5, -0.5], [columns - 0.5, rows - 0.5], [-0.5, rows - 0.5]]
        )
        return _homography(edges, corners[:, ::-1])
    angle = _angle(corners) if how == "turn" else 0.0
    upright = _upright(corners) if how == "turn" else corners
    cos, sin = np.cos(angle), np.sin(angle)
    back = np.array([[cos, sin], [-sin, cos]])  # (row, column): inverse of _upright's turn
    middle = (upright.max(axis=0) + upright.min(axis=0)) / 2 @ back.T
    half = np.array([(rows - 1) / 2, (columns - 1) / 2])
    shift = middle - back @ half
    swap = back[::-1, ::-1]  # the same turn on (x, y)
    return np.array(
        [[swap[0, 0], swap[0, 1], shift[1]], [swap[1, 0], swap[1, 1], shift[0]], [0, 0, 1.0]]
    )


def _homography(here: Doubles, there: Doubles) -> Doubles:
    """Solve the eight equations of a homography between four pairs of ``(x, y)``."""
    equations, values = [], []
    for (x, y), (u, v) in zip(here, there, strict=True):
        equations += [[x, y, 1, 0, 0, 0, -u * x, -u * y], [0, 0, 0, x, y, 1, -v * x, -v * y]]
        values += [u, v]
    solved = np.linalg.solve(np.array(equations, np.float64), np.array(values, np.float64))
    return np.append(solved, 1.0).reshape(3, 3)


def _snapped(cut: Doubles, shape: tuple[int, int], rows: int, columns: int) -> Doubles | None:
    """Return a shift by whole pixels if it is within half a pixel of the cut everywhere."""
    box = np.array([[0, 0, 1], [columns - 1, 0, 1], [columns - 1, rows - 1, 1], [0, rows - 1, 1.0]])
    mapped = box @ cut.T
    moved = mapped[:, :2] / mapped[:, 2:] - box[:, :2]
    shift = np.rint(moved.mean(axis=0))
    last = shift + np.array([columns, rows])
    inside = (shift >= 0).all() and last[0] <= shape[1] and last[1] <= shape[0]
    if not inside or np.abs(moved - shift).max() > STRAIGHT_ENOUGH:
        return None
    return np.array([[1, 0, shift[0]], [0, 1, shift[1]], [0, 0, 1.0]])


def _turned(rows: int, columns: int, *, mirror: bool, rotate: int) -> Doubles:
    """Map ``(x, y)`` of the turned result to the upright one of ``rows`` x ``columns``."""
    right, bottom = columns - 1.0, rows - 1.0
    back = {
        0: np.eye(3),
        90: np.array([[0, 1, 0], [-1, 0, bottom], [0, 0, 1.0]]),
        180: np.array([[-1, 0, right], [0, -1, bottom], [0, 0, 1.0]]),
        270: np.array([[0, -1, right], [1, 0, 0], [0, 0, 1.0]]),
    }[rotate]
    flip = np.array([[-1, 0, right], [0, 1, 0], [0, 0, 1.0]]) if mirror else np.eye(3)
    return np.asarray(flip @ back, np.float64)


def _source_rows(plan: Straightening, top: int, bottom: int, height: int) -> tuple[int, int]:
    """Return the capture rows that a band of the result needs."""
    right = plan.shape[1] - 1
    ends = np.array([[0, top, 1], [right, top, 1], [0, bottom - 1, 1], [right, bottom - 1, 1.0]])
    mapped = ends @ plan.source.T
    y = mapped[:, 1] / mapped[:, 2]
    low = min(max(0, int(np.floor(y.min())) - _HALO), height - 1)
    high = max(min(height, int(np.ceil(y.max())) + _HALO + 1), low + 1)
    return low, high
