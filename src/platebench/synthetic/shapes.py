"""Antialiased shapes on the sensor: straight edges, blobs and strokes.

Lengths and places are millimetres on the plate, ``(y, x)`` from its middle; coverage is the share
of a photosite's square, 0 to 1.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from platebench.synthetic.camera import map_points

Array = NDArray[np.float64]
Plane = NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Band:
    """Some rows of the frame, and where they lie on the plate.

    Attributes
    ----------
    rows : (int, int)
        First row and the one after the last.
    cols : int
        Columns of the frame.
    to_sensor, to_plate : ndarray of float64, shape (3, 3)
        Homography between millimetres and photosites, and its inverse.
    pitch_mm : float
        Width of a photosite on the plate, in the plate's middle.
    """

    rows: tuple[int, int]
    cols: int
    to_sensor: Array
    to_plate: Array
    pitch_mm: float

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns of the band."""
        return self.rows[1] - self.rows[0], self.cols

    def places(self, rows: slice | None = None, cols: slice | None = None) -> tuple[Plane, Plane]:
        """Return ``(y_mm, x_mm)`` of the sites, or of a window given in the band's own indices."""
        r = np.arange(self.rows[0], self.rows[1], dtype=np.float64)[rows or slice(None), None]
        c = np.arange(self.cols, dtype=np.float64)[None, cols or slice(None)]
        h = self.to_plate
        with np.errstate(divide="ignore", invalid="ignore"):
            over = 1.0 / (h[2, 0] * r + h[2, 1] * c + h[2, 2])
        y = (h[0, 0] * r + h[0, 1] * c + h[0, 2]) * over
        x = (h[1, 0] * r + h[1, 1] * c + h[1, 2]) * over
        return y.astype(np.float32), x.astype(np.float32)

    def window(self, box_mm: tuple[float, float, float, float]) -> tuple[slice, slice] | None:
        """Return the part of the band that holds ``(top, left, bottom, right)`` in mm, if any."""
        top, left, bottom, right = box_mm
        corners = np.array([[top, left], [top, right], [bottom, right], [bottom, left]])
        at = map_points(self.to_sensor, corners)
        low, high = np.floor(at.min(0)).astype(int) - 1, np.ceil(at.max(0)).astype(int) + 2
        r0, r1 = max(low[0], self.rows[0]), min(high[0], self.rows[1])
        c0, c1 = max(low[1], 0), min(high[1], self.cols)
        if r0 >= r1 or c0 >= c1:
            return None
        return slice(r0 - self.rows[0], r1 - self.rows[0]), slice(c0, c1)


def half_plane_coverage(distance: Array, normal: tuple[float, float]) -> Array:
    """Return the share of each unit square on the inner side of a straight edge, exactly.

    Parameters
    ----------
    distance : ndarray of float64
        From the square's centre to the line, positive inside, in squares.
    normal : (float, float)
        Unit normal of the line.

    Notes
    -----
    The square's profile across the line is the convolution of boxes |n_y| and |n_x| wide, a
    trapezoid; its running integral is a second difference of ``max(t, 0)^2 / 2``.

    Examples
    --------
    >>> half_plane_coverage(np.array([-0.5, 0.0, 0.25]), (0.0, 1.0)).tolist()
    [0.0, 0.5, 0.75]
    >>> diagonal = np.sqrt(0.5)  # a corner half a diagonal deep is a quarter of the square
    >>> round(float(half_plane_coverage(np.array([-diagonal / 2]), (diagonal, diagonal))[0]), 6)
    0.125
    """
    wide, narrow = sorted((abs(normal[0]), abs(normal[1])), reverse=True)
    if narrow < 1e-6:
        return np.clip(distance / wide + 0.5, 0, 1)

    def ramp(t: Array) -> Array:
        return np.square(np.maximum(t, 0))

    outer, inner = (wide + narrow) / 2, (wide - narrow) / 2
    area = (
        ramp(distance + outer)
        - ramp(distance + inner)
        - ramp(distance - inner)
        + ramp(distance - outer)
    )
    return np.clip(area / (2 * wide * narrow), 0, 1)


def quad_coverage(band: Band, corners: Array) -> tuple[Plane, Plane]:
    """Return coverage by a convex four-sided shape, and distance inside it in photosites.

    Parameters
    ----------
    corners : ndarray of float64, shape (4, 2)
        Top left, top right, bottom right, bottom left, in photosites.

    Returns
    -------
    coverage, distance : ndarray of float32, shape of the band
        The distance is to the nearest side, negative outside.
    """
    r = np.arange(band.rows[0], band.rows[1], dtype=np.float64)[:, None]
    c = np.arange(band.cols, dtype=np.float64)[None, :]
    coverage = np.ones(band.shape, np.float32)
    nearest = np.full(band.shape, np.inf, np.float32)
    for start, end in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        along = (end - start) / np.hypot(*(end - start))
        normal = (float(along[1]), float(-along[0]))
        distance = (r - start[0]) * normal[0] + (c - start[1]) * normal[1]
        near = np.abs(distance) < 1
        coverage[distance <= -1] = 0
        coverage[near] *= half_plane_coverage(distance[near], normal).astype(np.float32)
        np.minimum(nearest, distance, out=nearest, casting="same_kind")
    return coverage, nearest


@dataclass(frozen=True, slots=True)
class Blob:
    """A round patch with a wavy outline."""

    centre: tuple[float, float]
    radius: float
    waves: tuple[tuple[float, float], ...] = ()  # (share of the radius, phase) of 2, 3, ... waves
    strength: float = 1.0

    def distances(self, band: Band) -> tuple[tuple[slice, slice], Plane] | None:
        """Return the window it touches and the distance outside its outline there, mm."""
        reach = self.radius * (1 + sum(abs(share) for share, _ in self.waves)) + 2 * band.pitch_mm
        y0, x0 = self.centre
        where = band.window((y0 - reach, x0 - reach, y0 + reach, x0 + reach))
        if where is None:
            return None
        y, x = band.places(*where)
        y, x = y - np.float32(y0), x - np.float32(x0)
        angle = np.arctan2(y, x)
        outline = np.full(y.shape, self.radius, np.float32)
        for count, (share, phase) in enumerate(self.waves, start=2):
            outline += np.float32(self.radius * share) * np.cos(count * angle + np.float32(phase))
        return where, np.hypot(y, x) - outline

    def coverages(self, band: Band) -> Iterator[tuple[tuple[slice, slice], Plane]]:
        """Yield the window it touches and its coverage there."""
        found = self.distances(band)
        if found is not None:
            where, outside = found
            cover = np.clip(0.5 - outside / np.float32(band.pitch_mm), 0, 1)
            yield where, cover * np.float32(self.strength)


@dataclass(frozen=True, slots=True)
class Stroke:
    """A line of a given width through some points: a scratch, a hair."""

    points: tuple[tuple[float, float], ...]
    width: float
    strength: float = 1.0

    def coverages(self, band: Band) -> Iterator[tuple[tuple[slice, slice], Plane]]:
        """Yield window and coverage, one straight piece after the other."""
        reach = self.width / 2 + 2 * band.pitch_mm
        for start, end in zip(self.points[:-1], self.points[1:], strict=True):
            (y0, x0), (y1, x1) = start, end
            where = band.window(
                (
                    min(y0, y1) - reach,
                    min(x0, x1) - reach,
                    max(y0, y1) + reach,
                    max(x0, x1) + reach,
                )
            )
            if where is None:
                continue
            y, x = band.places(*where)
            dy, dx = y1 - y0, x1 - x0
            t = ((y - y0) * dy + (x - x0) * dx) / max(dy * dy + dx * dx, 1e-12)
            t = np.clip(t, 0, 1)
            away = np.hypot(y - y0 - t * dy, x - x0 - t * dx)
            half, pitch = self.width / 2, band.pitch_mm
            cover = np.clip((half - away) / pitch + 0.5, 0, 1)
            cover -= np.clip((-half - away) / pitch + 0.5, 0, 1)
            yield where, (cover * self.strength).astype(np.float32)


def paint(plane: Plane, band: Band, shapes: tuple[Blob | Stroke, ...]) -> None:
    """Raise ``plane`` to the coverage of each shape, in place; overlaps do not add up."""
    for shape in shapes:
        for where, cover in shape.coverages(band):
            np.maximum(plane[where], cover, out=plane[where])
