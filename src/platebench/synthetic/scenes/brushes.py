"""Tools for procedural pictures: noise, soft steps, painted masks, sunlit relief.

Pictures are relative luminances, shape ``(m, n)``. Lengths are in picture heights, so a
scene looks the same at any size.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

Canvas = NDArray[np.uint8]
Plane = NDArray[np.floating]
Rng = np.random.Generator
Points = Sequence[tuple[float, float]]

_SHIFT = 4  # OpenCV's sub-pixel bits
_ONE = 1 << _SHIFT


def places(shape: tuple[int, int]) -> tuple[Plane, Plane]:
    """Return ``y`` of shape (m, 1) and ``x`` of shape (1, n), in picture heights."""
    y = (np.arange(shape[0], dtype=np.float32) + 0.5) / shape[0]
    x = (np.arange(shape[1], dtype=np.float32) + 0.5) / shape[0]
    return y[:, None], x[None, :]


def smooth_step(low: float, high: float, values: Plane) -> Plane:
    """Return 0 below ``low``, 1 above ``high``, a smooth cubic between.

    Examples
    --------
    >>> smooth_step(0, 2, np.float32([-1, 1, 3])).tolist()
    [0.0, 0.5, 1.0]
    """
    t = np.clip((values - np.float32(low)) / np.float32(high - low), 0, 1)
    return np.asarray(t * t * (3 - 2 * t), np.float32)


def soften(plane: Plane, radius: float) -> Plane:
    """Return the plane blurred by a Gaussian, ``radius`` picture heights wide."""
    sigma = max(radius * plane.shape[0], 0.3)
    return np.asarray(cv2.GaussianBlur(plane, (0, 0), sigma, sigma), np.float32)


def noise(
    shape: tuple[int, int],
    rng: Rng,
    *,
    size: float,
    octaves: int = 5,
    fall: float = 0.55,
    stretch: float = 1.0,
) -> Plane:
    """Return cloudy noise of mean about 0 and s.d. about 1.

    Parameters
    ----------
    size : float
        Width of the largest clouds, picture heights.
    octaves : int
        Each has half the size of the one before, and ``fall`` of its strength.
    stretch : float
        Clouds are this much wider than high.
    """
    total, power = np.zeros(shape, np.float32), 0.0
    for octave in range(octaves):
        step = size * shape[0] * 0.5**octave
        cells = (max(round(shape[0] / step * stretch), 1) + 3, max(round(shape[1] / step), 1) + 3)
        grid = rng.standard_normal(cells, np.float32)
        if step < 1.5:
            break
        # Enlarged past the frame and cut, so that the border has no look of its own.
        big = cv2.resize(
            grid,
            (
                round(shape[1] * cells[1] / (cells[1] - 3)),
                round(shape[0] * cells[0] / (cells[0] - 3)),
            ),
            interpolation=cv2.INTER_CUBIC,
        )
        total += np.float32(fall**octave) * big[: shape[0], : shape[1]]
        power += 0.55 * fall ** (2 * octave)
    return total / np.float32(np.sqrt(max(power, 1e-9)))


def ridge(width: int, height: int, rng: Rng, *, size: float, octaves: int = 6) -> Plane:
    """Return one line of noise, shape (width,), for skylines; ``height`` sets the scale."""
    at = np.arange(width, dtype=np.float32) / height
    total = np.zeros(width, np.float32)
    for octave in range(octaves):
        step = size * 0.5**octave
        knots = rng.standard_normal(int(width / height / step) + 4).astype(np.float32)
        where = at / np.float32(step)
        first = where.astype(int)
        t = where - first
        t = t * t * (3 - 2 * t)
        total += np.float32(0.5**octave) * (knots[first] * (1 - t) + knots[first + 1] * t)
    return total


def painted(
    shape: tuple[int, int], outlines: Sequence[Points], values: Sequence[int] | None = None
) -> NDArray[np.uint8]:
    """Return polygons painted one over the other, antialiased, 8 bits.

    Parameters
    ----------
    outlines : sequence of point lists
        ``(y, x)`` in picture heights.
    values : sequence of int, or None
        0 to 255; None paints 255.
    """
    canvas = np.zeros(shape, np.uint8)
    for index, outline in enumerate(outlines):
        value = 255 if values is None else int(values[index])
        cv2.fillPoly(canvas, [_fixed(outline, shape)], value, cv2.LINE_AA, _SHIFT)
    return canvas


def stroke(canvas: NDArray[np.uint8], points: Points, width: float, value: int = 255) -> None:
    """Draw a line through points, in place; width in picture heights."""
    pixels = max(round(width * canvas.shape[0]), 1)
    line = _fixed(points, canvas.shape[:2])
    cv2.polylines(canvas, [line], False, value, pixels, cv2.LINE_AA, _SHIFT)


def dab(
    canvas: NDArray[np.uint8],
    centre: tuple[float, float],
    axes: tuple[float, float],
    angle_deg: float,
    value: int,
) -> None:
    """Draw a filled ellipse in place; ``axes`` are half widths, across and along x first."""
    size = canvas.shape[0] * _ONE
    cv2.ellipse(
        canvas,
        (round(centre[1] * size), round(centre[0] * size)),
        (max(round(axes[0] * size), _ONE // 2), max(round(axes[1] * size), _ONE // 2)),
        angle_deg,
        0,
        360,
        value,
        -1,
        cv2.LINE_AA,
        _SHIFT,
    )


def over(under: Plane, top: Plane | float, mask: Plane | NDArray[np.uint8]) -> Plane:
    """Return ``top`` laid over ``under`` where the mask says (0 to 1, or 0 to 255)."""
    share = mask.astype(np.float32) / 255 if mask.dtype == np.uint8 else mask
    return np.asarray(under + (np.asarray(top, np.float32) - under) * share, np.float32)


def sunlit(
    albedo: Plane, height: Plane, *, sun: tuple[float, float, float], sky: float = 0.25
) -> Plane:
    """Return a relief lit by the sun, with cast shadows, and by an even sky.

    Parameters
    ----------
    albedo : ndarray of float32, shape (m, n)
        Share of light returned.
    height : ndarray of float32, shape (m, n)
        Towards the viewer, picture heights.
    sun : (float, float, float)
        Direction to the sun: down, right, towards the viewer.
    sky : float
        Share of the light that comes from everywhere.
    """
    down, right, front = np.asarray(sun) / np.linalg.norm(sun)
    rows = albedo.shape[0]
    dy, dx = np.gradient(height * np.float32(rows))
    lit = (front - down * dy - right * dx) / np.sqrt(1 + dy**2 + dx**2)
    lit = np.maximum(lit, 0).astype(np.float32)
    shade = np.ones_like(lit)
    across = float(np.hypot(down, right))
    reach = float(np.ptp(height)) * rows * across / front  # longest shadow, pixels
    steps = int(np.clip(reach, 1, 96))
    for step in range(1, steps + 1):
        away = reach * step / steps
        move = np.array([[1, 0, -away * right / across], [0, 1, -away * down / across]], np.float32)
        moved = cv2.warpAffine(
            height,
            move,
            albedo.shape[::-1],
            flags=cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REPLICATE,
        )
        gap = (height + np.float32(away * front / across / rows) - moved) * np.float32(rows)
        np.minimum(shade, np.clip(gap + 1, 0, 1), out=shade)
    return np.asarray(albedo * (lit * shade * (1 - sky) / front + sky), np.float32)


def _fixed(points: Points, shape: tuple[int, int] | tuple[int, ...]) -> NDArray[np.int32]:
    at = np.asarray(points, np.float64)[:, ::-1] * shape[0] * _ONE
    return np.rint(at).astype(np.int32).reshape(-1, 1, 2)
