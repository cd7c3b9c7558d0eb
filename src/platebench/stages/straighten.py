"""Cut the plate out, upright and square, in one resampling or none."""

from __future__ import annotations

from typing import Any, Literal

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from platebench.image import MONO_PATTERN, PlateImage

STRAIGHT_PX = 0.5  # a plate that lies this near to upright and square is only cut

Doubles = NDArray[np.float64]
How = Literal["perspective", "turn", "none"]


def straighten(
    image: PlateImage,
    corners: ArrayLike,
    *,
    how: How = "perspective",
    mirror: bool = False,
    rotate: Literal[0, 90, 180, 270] = 0,
) -> PlateImage:
    """Return the plate alone, upright, its edge at the picture's edge.

    Parameters
    ----------
    image : PlateImage
        Any encoding that is linear in light, (M, N) or (M, N, 3).
    corners : array_like, shape (4, 2)
        Top left, top right, bottom right, bottom left as seen in the capture, ``(row, column)``.
    how : {"perspective", "turn", "none"}
        Make the four corners square; only turn the plate upright; or only cut the smallest
        upright rectangle around it.
    mirror : bool
        Swap left and right: a plate seen through its glass.
    rotate : {0, 90, 180, 270}
        Degrees clockwise, after mirroring.

    Returns
    -------
    PlateImage
        Size: the means of opposite sides, rounded. If no pixel has to move by more than half of
        its width against its neighbours, whole pixels are cut and the colour pattern moves along;
        otherwise the picture is resampled once, by cubic convolution, and the pattern is gone.
        Pixels that draw on invalid ones, or on what lies outside the frame, are invalid.

    Raises
    ------
    ValueError
        If the corners are no convex quadrangle, or enclose less than a pixel.
    """
    quad = np.asarray(corners, np.float64)
    _check_quad(quad)
    target = _target(quad, how)
    height, width = _size(target)
    offset = np.mean(target - _box(height, width), axis=0)
    moved = float(np.abs(target - _box(height, width) - offset).max())
    if how == "none" or moved < STRAIGHT_PX:
        first = int(np.round(offset[0])), int(np.round(offset[1]))
        return _cut(image, first, (height, width), mirror, rotate)
    return _resample(image, target, (height, width), mirror, rotate)


def _check_quad(quad: Doubles) -> None:
    if quad.shape != (4, 2) or not np.isfinite(quad).all():
        raise ValueError(f"corners must be four finite (row, column) pairs, got {quad.tolist()}")
    ahead = np.roll(quad, -1, axis=0) - quad
    following = np.roll(ahead, -1, axis=0)
    turns = ahead[:, 1] * following[:, 0] - ahead[:, 0] * following[:, 1]
    if not (turns > 0).all():
        raise ValueError(
            "corners must go round a convex plate: top left, top right, bottom right, bottom left; "
            f"got {np.round(quad, 1).tolist()}"
        )


def _target(quad: Doubles, how: How) -> Doubles:
    """Return the four points of the capture that become the corners of the result."""
    if how == "perspective":
        return quad
    if how == "none":
        top, left = np.round(quad.min(axis=0) + 0.5) - 0.5
        bottom, right = np.round(quad.max(axis=0) + 0.5) - 0.5
        bottom, right = max(bottom, top + 1), max(right, left + 1)
        return np.array([[top, left], [top, right], [bottom, right], [bottom, left]])
    height, width = _size(quad)
    ahead = np.roll(quad, -1, axis=0) - quad
    right, down = ahead[0] - ahead[2], ahead[1] - ahead[3]
    angle = np.arctan2(right[0] - down[1], right[1] + down[0])
    right = np.array([np.sin(angle), np.cos(angle)])
    down = np.array([np.cos(angle), -np.sin(angle)])
    centred = _box(height, width) - np.array([height - 1, width - 1]) / 2
    points: Doubles = quad.mean(axis=0) + centred[:, :1] * down + centred[:, 1:] * right
    return points


def _size(quad: Doubles) -> tuple[int, int]:
    ahead = np.hypot(*(np.roll(quad, -1, axis=0) - quad).T)
    height, width = round(float(ahead[1] + ahead[3]) / 2), round(float(ahead[0] + ahead[2]) / 2)
    if height < 1 or width < 1:
        raise ValueError(f"corners enclose less than a pixel: {np.round(quad, 1).tolist()}")
    return height, width


def _box(height: int, width: int) -> Doubles:
    """Return the outer corners of a picture, pixel centres being at integers."""
    top, left, bottom, right = -0.5, -0.5, height - 0.5, width - 0.5
    return np.array([[top, left], [top, right], [bottom, right], [bottom, left]])


def _cut(
    image: PlateImage, first: tuple[int, int], size: tuple[int, int], mirror: bool, rotate: int
) -> PlateImage:
    """Cut whole pixels; parts outside the frame repeat its edge and are invalid."""
    rows, columns = first[0] + np.arange(size[0]), first[1] + np.arange(size[1])
    in_rows = (rows >= 0) & (rows < image.shape[0])
    in_columns = (columns >= 0) & (columns < image.shape[1])
    valid = image.valid
    if in_rows.all() and in_columns.all():
        where = np.s_[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]
        pixels, valid = image.pixels[where], None if valid is None else valid[where]
    else:
        near = np.ix_(np.clip(rows, 0, image.shape[0] - 1), np.clip(columns, 0, image.shape[1] - 1))
        inside = in_rows[:, None] & in_columns[None, :]
        pixels, valid = image.pixels[near], inside if valid is None else inside & valid[near]
    return PlateImage(
        pixels=np.ascontiguousarray(_oriented(pixels, mirror, rotate)),
        encoding=image.encoding,
        valid=None if valid is None else np.ascontiguousarray(_oriented(valid, mirror, rotate)),
        pattern=_pattern_of_cut(image.pattern, first, size, mirror, rotate),
    )


def _pattern_of_cut(
    pattern: NDArray[np.uint8],
    first: tuple[int, int],
    size: tuple[int, int],
    mirror: bool,
    rotate: int,
) -> NDArray[np.uint8]:
    """Return the colour pattern as it starts at the top left of the result."""
    p, q = pattern.shape
    moved = np.roll(pattern, (-first[0], -first[1]), axis=(0, 1))
    # A picture of one to two periods whose size agrees with the cut's, whole periods aside.
    few = np.tile(moved, (2, 2))[: p + size[0] % p, : q + size[1] % q]
    turned = _oriented(few, mirror, rotate)
    return np.ascontiguousarray(turned[:q, :p] if rotate in (90, 270) else turned[:p, :q])


def _oriented(pixels: NDArray[Any], mirror: bool, rotate: int) -> NDArray[Any]:
    return np.rot90(pixels[:, ::-1] if mirror else pixels, -rotate // 90)


def _resample(
    image: PlateImage, target: Doubles, size: tuple[int, int], mirror: bool, rotate: int
) -> PlateImage:
    """Fold shape, mirror and turn into one homography and sample the capture once."""
    order = _oriented(np.array([[0, 1], [3, 2]]), mirror, rotate)
    height, width = size[::-1] if rotate in (90, 270) else size
    points = target[[order[0, 0], order[0, 1], order[1, 1], order[1, 0]]]
    # From the result to the capture, in OpenCV's (x, y).
    own = _box(height, width)[:, ::-1].astype(np.float32)
    back = np.asarray(
        cv2.getPerspectiveTransform(own, points[:, ::-1].astype(np.float32)), np.float64
    )
    pixels = cv2.warpPerspective(
        image.pixels,
        back,
        (width, height),
        flags=cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    )
    return PlateImage(
        pixels=np.asarray(pixels, np.float32),
        encoding=image.encoding,
        valid=_resampled_valid(image, target, back, (width, height)),
        pattern=MONO_PATTERN,
    )


def _resampled_valid(
    image: PlateImage, target: Doubles, back: Doubles, size: tuple[int, int]
) -> NDArray[np.bool_] | None:
    """Return False wherever one of the four nearest pixels is invalid or outside the frame."""
    inside = bool(((target >= 0.5) & (target <= np.array(image.shape) - 1.5)).all())
    if inside and image.valid is None:
        return None
    known = np.ones(image.shape, np.uint8) if image.valid is None else image.valid.view(np.uint8)
    if inside and known.all():
        return np.ones(size[::-1], bool)
    weight = cv2.warpPerspective(
        known * np.uint8(255),
        back,
        size,
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=0,
    )
    return np.asarray(weight == 255)
