"""The light estimated from the bare light box that shows around a plate."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from platebench.core.errors import NoLightReferenceError
from platebench.core.image import SensorFrame
from platebench.plate.light import Dark, Light, LightSource, linear_means, uniformity, zero_level

# Departure of the colours around the plate from smooth ones, relative, of nine cells in ten: a lamp
# has one colour. Simulated light boxes had up to 0.005, photographs of streets 0.015 to 0.4.
_COLOURS = 0.012


def light_from_surround(
    frame: SensorFrame,
    corners: NDArray[np.float64],
    dark: Dark | None = None,
    others: Sequence[NDArray[np.float64]] = (),
) -> Light:
    """Estimate the light from the bare light box around a plate, by a smooth surface.

    A quadratic in row and column is fitted to the logarithm of the cell means outside the plate,
    reweighted so that dust and shadows count little.

    Parameters
    ----------
    frame : SensorFrame
        The plate's own capture.
    corners : ndarray of float64, shape (4, 2)
        The plate's corners, ``(row, column)``.
    others : sequence of ndarray of float64, shape (4, 2)
        Those of other plates in the capture.

    Raises
    ------
    NoLightReferenceError
        If bare light does not show on opposite sides of the plate, or what lies there has colours.
    """
    means = linear_means(frame) - zero_level(frame, dark)[:, None, None]
    grid = means.shape[1:]
    outside, inside = (
        np.any(
            [
                cells_inside(outline, frame.shape, (grid[0], grid[1]), grow=by)
                for outline in (corners, *others)
            ],
            axis=0,
        )
        for by in (0.03, -0.03)
    )
    outside = ~outside
    limit = 0.995 * frame.full_scale
    bright = means.max(axis=0)
    outside &= bright < limit
    if outside.any():
        outside &= bright > 0.35 * np.percentile(bright[outside], 90)
    if not _spans(outside) or not _brighter(bright[outside], bright[inside]):
        raise NoLightReferenceError(frame.info.path)
    basis = _quadratic_basis((grid[0], grid[1]))
    fields = np.empty_like(means)
    departures = np.empty((len(means), np.count_nonzero(outside)))
    for kind, plane in enumerate(means):
        logs = np.log(np.maximum(plane[outside], 1e-3)).astype(np.float64)
        coefficients = _robust_fit(basis[outside], logs)
        fields[kind] = np.exp(basis @ coefficients)
        departures[kind] = logs - basis[outside] @ coefficients
    of_colours = np.abs(departures - departures.mean(axis=0))
    colours = float(np.quantile(of_colours, 0.9, axis=1).max())
    if colours > _COLOURS:
        why = f"its surroundings have colours, {colours:.1%} apart, as no lamp has"
        raise NoLightReferenceError(frame.info.path, why)
    return Light(
        fields=fields,
        shape=frame.shape,
        pattern=frame.pattern,
        channels=frame.channels,
        source=LightSource.ESTIMATED,
        info=frame.info,
        before=uniformity(fields.mean(axis=0)),
        after=uniformity((means / fields).mean(axis=0)[outside]),
    )


def cells_inside(
    corners: NDArray[np.float64], shape: tuple[int, int], grid: tuple[int, int], *, grow: float
) -> NDArray[np.bool_]:
    """Return which grid cells touch the plate, grown by a share of its size."""
    centre = corners.mean(axis=0)
    grown = centre + (corners - centre) * (1 + 2 * grow)
    to_grid = np.array([grid[0] / shape[0], grid[1] / shape[1]])
    points = np.rint(((grown + 0.5) * to_grid - 0.5)[:, ::-1] * 16).astype(np.int32)
    mask = np.zeros(grid, np.uint8)
    cv2.fillConvexPoly(mask, points, 1, shift=4)
    return mask.astype(bool)


def _brighter(outside: NDArray[np.float32], inside: NDArray[np.float32]) -> bool:
    """Tell bare light from a mask: no plate passes more light than there is."""
    return inside.size == 0 or float(np.median(outside)) > 0.9 * float(np.quantile(inside, 0.99))


def _spans(cells: NDArray[np.bool_]) -> bool:
    """Tell whether marked cells reach around: two opposite sides, and 5 % of the frame."""
    if float(cells.mean()) < 0.05:
        return False
    rows, columns = np.nonzero(cells)
    return bool(
        np.ptp(rows) > 0.8 * (cells.shape[0] - 1) and np.ptp(columns) > 0.8 * (cells.shape[1] - 1)
    )


def _quadratic_basis(grid: tuple[int, int]) -> NDArray[np.float64]:
    y, x = np.meshgrid(np.linspace(-1, 1, grid[0]), np.linspace(-1, 1, grid[1]), indexing="ij")
    return np.stack([np.ones_like(y), y, x, y * y, x * y, x * x], axis=-1)


def _robust_fit(basis: NDArray[np.float64], values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Least squares, reweighted by Tukey's biweight (5 rounds)."""
    weights: NDArray[np.float64] = np.ones(len(values))
    coefficients: NDArray[np.float64] = np.zeros(basis.shape[1])
    for _ in range(5):
        root = np.sqrt(weights)[:, None]
        coefficients = np.asarray(np.linalg.lstsq(basis * root, values * root[:, 0], rcond=None)[0])
        residual = values - basis @ coefficients
        scale = 1.4826 * float(np.median(np.abs(residual))) + 1e-9
        weights = np.clip(1 - (residual / (4.685 * scale)) ** 2, 0, None) ** 2
    return coefficients
