"""The photosites of a capture, colour by colour and region by region."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray

from platebench.core.image import SensorFrame

_Value = TypeVar("_Value", bound=np.generic)

NEITHER, INSIDE, OUTSIDE = 0, 1, 2
MARGIN = 0.01  # of the plate's long side, left out on both sides of its edge


@dataclass(frozen=True, slots=True, eq=False)
class Plane:
    """All sites at one place of the colour-filter pattern (or one channel): a regular grid.

    Attributes
    ----------
    colour : int
        0 red, 1 green, 2 blue; 1 for grey.
    start, step : (int, int)
        First row and column, and their spacing in the frame.
    counts : ndarray of uint16
        A view of the frame's counts.
    black : float
        Level without light.
    """

    colour: int
    start: tuple[int, int]
    step: tuple[int, int]
    counts: NDArray[np.uint16]
    black: float

    def of(self, mask: NDArray[np.uint8]) -> NDArray[np.uint8]:
        """Return the part of a full-frame mask that belongs to this plane."""
        return mask[self.start[0] :: self.step[0], self.start[1] :: self.step[1]]


def planes(frame: SensorFrame) -> Iterator[Plane]:
    """Yield the planes of a frame, red before green before blue."""
    if frame.counts.ndim == 3:
        for channel in range(3):
            black = float(frame.black[channel])
            yield Plane(channel, (0, 0), (1, 1), frame.counts[:, :, channel], black)
        return
    p, q = frame.pattern.shape
    for at in np.argsort(frame.pattern, axis=None, kind="stable"):
        row, col = divmod(int(at), q)
        counts = frame.counts[row::p, col::q]
        black = float(frame.black[row, col])
        yield Plane(int(frame.pattern[row, col]), (row, col), (p, q), counts, black)


def colour_names(frame: SensorFrame) -> dict[int, str]:
    """Return the names of the colours a frame has, by their number."""
    if frame.counts.ndim == 2 and frame.pattern.size == 1:
        return {1: "grey"}
    return {0: "red", 1: "green", 2: "blue"}


def light_of(
    frame: SensorFrame, counts: NDArray[np.uint16], black: float | NDArray[np.float32]
) -> NDArray[np.float32]:
    """Return light above black, float32, in counts or in the units of the frame's curve."""
    light = counts.astype(np.float32) if frame.curve is None else frame.curve[counts]
    return np.asarray(light - black, np.float32)


def window_light(frame: SensorFrame, box: tuple[int, int, int, int]) -> NDArray[np.float32]:
    """Return light above black in a box, all colours where they are.

    Parameters
    ----------
    box : (top, left, bottom, right)
        Half-open, inside the frame.

    Returns
    -------
    ndarray of float32, shape (rows, columns); the green channel of an (M, N, 3) frame
    """
    return np.asarray(window_lights(frame, [box])[0])


def window_lights(
    frame: SensorFrame, boxes: Sequence[tuple[int, int, int, int]]
) -> NDArray[np.float32]:
    """Return the light of several boxes of one size and one phase of the pattern, one a plane."""
    black = _tiled(frame.black, boxes[0]) if frame.counts.ndim == 2 else frame.black[1]
    counts = frame.counts if frame.counts.ndim == 2 else frame.counts[..., 1]
    planes = np.stack([counts[top:bottom, left:right] for top, left, bottom, right in boxes])
    return light_of(frame, planes, black)


def window_colours(frame: SensorFrame, box: tuple[int, int, int, int]) -> NDArray[np.uint8]:
    """Return the colour number of each site in a box, shape (rows, columns)."""
    if frame.counts.ndim == 3:
        return np.ones((box[2] - box[0], box[3] - box[1]), np.uint8)
    return _tiled(frame.pattern, box)


def region_map(shape: tuple[int, int], corners: NDArray[np.float64] | None) -> NDArray[np.uint8]:
    """Return INSIDE the plate, OUTSIDE it, or NEITHER for each site, shape (M, N).

    Without corners, everything is INSIDE.
    """
    if corners is None:
        return np.full(shape, INSIDE, np.uint8)
    corners = np.asarray(corners, np.float64)
    sides = np.linalg.norm(corners - np.roll(corners, 1, axis=0), axis=1)
    grow = 2 * MARGIN * float(sides.max()) / float(sides.min())
    centre = corners.mean(axis=0)
    regions = np.full(shape, OUTSIDE, np.uint8)
    for factor, value in ((1 + grow, NEITHER), (1 - grow, INSIDE)):
        points = centre + factor * (corners - centre)
        cv2.fillConvexPoly(regions, np.rint(points[:, ::-1]).astype(np.int32), value)
    return regions


def _tiled(tile: NDArray[_Value], box: tuple[int, int, int, int]) -> NDArray[_Value]:
    top, left, bottom, right = box
    rows = np.arange(top, bottom) % tile.shape[0]
    cols = np.arange(left, right) % tile.shape[1]
    return tile[np.ix_(rows, cols)]
