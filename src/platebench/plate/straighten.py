"""Cut a plate out of its capture, straight, the right way round, in one resampling at most.

Cutting, turning, making square, mirroring and quarter turns are one homography from the result
back to the capture. Where the plate already lies straight to within half a pixel, pixels are
copied, not resampled.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, NamedTuple, TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray

from platebench.core.image import PlateImage

Doubles = NDArray[np.float64]
How = Literal["perspective", "turn", "none"]

STRAIGHT_ENOUGH = 0.5  # pixels over the whole plate: less than a pixel shows
_HALO = 4  # capture rows and columns beyond the ones a band maps to, for the cubic kernel
T = TypeVar("T", bound=np.generic)
P = TypeVar("P", np.float32, np.uint16, np.uint8)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Straightening:
    """Where each pixel of the result lies in the capture.

    Attributes
    ----------
    shape : (int, int)
        Rows and columns of the result.
    upright : ndarray of float64, shape (3, 3)
        Homography from ``(x, y, 1)`` of the result, mirrored but not yet rotated, to ``(x, y, 1)``
        of the capture: its rows go down the capture.
    rotate : {0, 90, 180, 270}
        Degrees clockwise that are left to be done.
    whole_pixels : bool
        True where every result pixel is a capture pixel: nothing is resampled.
    """

    shape: tuple[int, int]
    upright: Doubles
    rotate: int
    whole_pixels: bool

    @property
    def source(self) -> Doubles:
        """Homography from ``(x, y, 1)`` of the result to ``(x, y, 1)`` of the capture."""
        rows, columns = self.shape[::-1] if self.rotate in (90, 270) else self.shape
        return self.upright @ _rotated(rows, columns, self.rotate)

    def before_rotation(self, result: NDArray[T]) -> NDArray[T]:
        """Return a view of a result whose rows go down the capture."""
        return np.rot90(result, self.rotate // 90)

    def from_band(self, top: int, *, origin: tuple[int, int]) -> Doubles:
        """Return the homography from a band of rows before rotation to a part of the capture.

        Parameters
        ----------
        top : int
            The band's first row.
        origin : (int, int)
            Row and column of the capture at which the part starts.
        """
        up = np.array([[1.0, 0, -origin[1]], [0, 1, -origin[0]], [0, 0, 1]])
        down = np.array([[1.0, 0, 0], [0, 1, top], [0, 0, 1]])
        return np.asarray(up @ self.upright @ down)

    def source_box(self, rows: tuple[int, int], shape: tuple[int, int]) -> Box:
        """Return the part of a capture of ``shape`` that rows before rotation are made from."""
        width = self.shape[0] if self.rotate in (90, 270) else self.shape[1]
        return _source_box(self.upright, rows, width, shape)


class Box(NamedTuple):
    """A part of a capture, half-open."""

    top: int
    left: int
    bottom: int
    right: int

    @property
    def rows(self) -> int:
        """How many."""
        return self.bottom - self.top


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
    if mirror:
        upright = upright @ np.array([[-1, 0, columns - 1.0], [0, 1, 0], [0, 0, 1.0]])
    return Straightening(
        shape=(columns, rows) if rotate in (90, 270) else (rows, columns),
        upright=upright,
        rotate=rotate,
        whole_pixels=snapped is not None,
    )


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
    size = (bottom - top, plan.shape[1])
    source = plan.source
    part = _source_box(source, (top, bottom), plan.shape[1], image.shape)
    rows = slice(part.top, part.bottom)
    down = np.array([[1.0, 0, 0], [0, 1, top], [0, 0, 1]])
    up = np.array([[1.0, 0, 0], [0, 1, -part.top], [0, 0, 1]])
    matrix = up @ source @ down
    pixels = resample(image.pixels[rows], matrix, size, whole_pixels=plan.whole_pixels)
    if image.valid is None:
        return pixels, None
    valid = resample(image.valid[rows].view(np.uint8), matrix, size, whole_pixels=True)
    return pixels, valid.astype(bool)


def resample(
    pixels: NDArray[P], matrix: Doubles, shape: tuple[int, int], *, whole_pixels: bool
) -> NDArray[P]:
    """Return pixels moved; a place outside repeats the border.

    Parameters
    ----------
    pixels : ndarray of float32, uint16 or uint8, shape (M, N) or (M, N, 3)
    matrix : ndarray of float64, shape (3, 3)
        Homography from ``(x, y, 1)`` of the result to ``(x, y, 1)`` of ``pixels``.
    shape : (int, int)
        Rows and columns of the result.
    whole_pixels : bool
        Take the nearest pixel; else cubic interpolation.
    """
    moved = cv2.warpPerspective(
        pixels,
        matrix,
        shape[::-1],
        flags=(cv2.INTER_NEAREST if whole_pixels else cv2.INTER_CUBIC) | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    )
    return np.asarray(moved, pixels.dtype)


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


def _rotated(rows: int, columns: int, rotate: int) -> Doubles:
    """Map ``(x, y)`` of the rotated result to the one of ``rows`` x ``columns`` before."""
    right, bottom = columns - 1.0, rows - 1.0
    back = {
        0: np.eye(3),
        90: np.array([[0, 1, 0], [-1, 0, bottom], [0, 0, 1.0]]),
        180: np.array([[-1, 0, right], [0, -1, bottom], [0, 0, 1.0]]),
        270: np.array([[0, -1, right], [1, 0, 0], [0, 0, 1.0]]),
    }
    return back[rotate]


def _source_box(source: Doubles, rows: tuple[int, int], width: int, shape: tuple[int, int]) -> Box:
    """Return the part of a capture that rows of a result ``width`` wide map to."""
    (top, bottom), right = rows, width - 1
    ends = np.array([[0, top, 1], [right, top, 1], [0, bottom - 1, 1], [right, bottom - 1, 1.0]])
    mapped = ends @ source.T
    places = (mapped[:, :2] / mapped[:, 2:])[:, ::-1]
    low = np.clip(np.floor(places.min(axis=0)) - _HALO, 0, np.array(shape) - 1).astype(int)
    high = np.clip(np.ceil(places.max(axis=0)) + _HALO + 1, low + 1, shape).astype(int)
    return Box(int(low[0]), int(low[1]), int(high[0]), int(high[1]))


def frame_corners(shape: tuple[int, int]) -> Doubles:
    """Return the outer corners of a whole frame, ``(row, column)``, shape (4, 2)."""
    top, left, bottom, right = -0.5, -0.5, shape[0] - 0.5, shape[1] - 0.5
    return np.array([[top, left], [top, right], [bottom, right], [bottom, left]])
