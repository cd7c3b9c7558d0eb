"""Tiles of one plate: captured one after the other while the plate is moved under the camera.

The lens bends, the camera leans, the stand and the lamp drift a little from tile to tile. None of
it is written as a fit of tiles would write it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from platebench.core.image import SensorFrame
from platebench.synthetic.camera import CameraModel
from platebench.synthetic.light_box import LightBox
from platebench.synthetic.plate import PlateModel
from platebench.synthetic.simulate import photograph, true_corners, true_transmittance

Array = NDArray[np.float64]
Plane = NDArray[np.float32]
_ROWS = 256


@dataclass(frozen=True, slots=True, kw_only=True)
class TileStand:
    """How tiles are captured.

    Attributes
    ----------
    shape : (int, int)
        Rows and columns of a capture.
    rows, columns : int
        Tiles down and across.
    overlap : float
        Of neighbours, share of a capture.
    scatter : float
        Standard deviation of a tile's place, share of a capture.
    turn_deg, scale : float
        Standard deviations of a tile's turn, and of its scale, relative.
    lean_px : float
        Standard deviation of what a tile's own tilt moves the end of its long side by.
    barrel, moustache : float
        Bend of the lens at the end of the long side, relative: a quotient of its square and
        fifth power.
    decentred : (float, float)
        Tangential bend, relative.
    ripple_px : float
        A slow wave over the frame that no polynomial of the lens has.
    keystone : (float, float)
        Change of scale from the middle to the right and lower side by the camera's lean.
    drift : float
        Standard deviation of the light from tile to tile, relative.
    dust : int
        Specks on the box: at the same places of every capture.
    dust_px : float
        Their size.
    """

    shape: tuple[int, int] = (400, 600)
    rows: int = 2
    columns: int = 3
    overlap: float = 0.27
    scatter: float = 0.01
    turn_deg: float = 0.4
    scale: float = 0.001
    lean_px: float = 0.05
    barrel: float = -0.006
    moustache: float = 0.0006
    decentred: tuple[float, float] = (3e-4, -2e-4)
    ripple_px: float = 0.03
    keystone: tuple[float, float] = (6e-4, -4e-4)
    drift: float = 0.01
    dust: int = 0
    dust_px: float = 3.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TileSet:
    """Captures of one plate and the truth behind them.

    Attributes
    ----------
    frames : tuple of SensorFrame
    whole : ndarray of float32, shape (M, N)
        True transmittance of the plate and what lies around it.
    places : tuple of callables
        ``places[n](xy)``: where places of the whole, shape (k, 2), lie in capture n, and
    plate_places : tuple of callables
        where places of capture n lie in the whole.
    corners : ndarray of float64, shape (4, 2)
        The plate's in the whole, ``(row, column)``.
    gains : ndarray of float64
        Light of each capture.
    """

    frames: tuple[SensorFrame, ...]
    whole: Plane
    plate_places: tuple[TileLens, ...]
    corners: Array
    gains: Array
    dust: Array = field(default_factory=lambda: np.empty((0, 2)))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TileLens:
    """From a place of a capture, ``(x, y)``, to its place in the whole."""

    stand: TileStand
    middle: Array
    turn: float
    scale: float
    lean: Array

    def __call__(self, places: Array) -> Array:
        """Return where places of the capture lie in the whole, shape (n, 2)."""
        stand = self.stand
        rows, columns = stand.shape
        half = max(rows, columns) / 2
        x = (places[..., 0] - (columns - 1) / 2) / half
        y = (places[..., 1] - (rows - 1) / 2) / half
        r2 = x * x + y * y
        radial = 1 / (1 - stand.barrel * r2 - stand.moustache * r2**2.5)
        one, two = stand.decentred
        u = x * radial + 2 * one * x * y + two * (r2 + 2 * x * x)
        v = y * radial + one * (r2 + 2 * y * y) + 2 * two * x * y
        u = u + stand.ripple_px / half * np.sin(2.1 * y + 0.4)
        v = v + stand.ripple_px / half * np.cos(1.7 * x - 0.8)
        across, down = np.array(stand.keystone) + self.lean / half
        level = 1 + across * u + down * v
        u, v = u / level, v / level
        cos, sin = np.cos(self.turn), np.sin(self.turn)
        long = half * self.scale
        return np.stack(
            [
                self.middle[0] + long * (cos * u - sin * v),
                self.middle[1] + long * (sin * u + cos * v),
            ],
            axis=-1,
        )


def simulate_tiles(
    plate: PlateModel,
    box: LightBox,
    camera: CameraModel,
    stand: TileStand,
    *,
    exposure_s: float,
    seed: int,
    times: Sequence[float] = (1.0,),
) -> TileSet:
    """Return the captures of one plate, row after row.

    Parameters
    ----------
    camera : CameraModel
        Of a capture; its ``shape`` is the stand's. ``fill`` says how much of what all tiles show
        the plate takes up.
    times : sequence of float
        Exposures at each tile, over ``exposure_s``: a bracket, tile by tile.
    """
    rng = np.random.default_rng([seed, 77])
    rows, columns = stand.shape
    step = np.array([columns, rows]) * (1 - stand.overlap)
    margin = 0.06 * max(stand.shape)
    size = (
        round(rows + step[1] * (stand.rows - 1) + 2 * margin),
        round(columns + step[0] * (stand.columns - 1) + 2 * margin),
    )
    whole_camera = replace(camera, shape=size)
    whole = true_transmittance(plate, box, whole_camera, seed=seed)
    dust = rng.uniform(0.04, 0.96, (stand.dust, 2)) * [columns, rows]
    dirt = _dust_plane(stand.shape, dust, stand.dust_px)
    frames, lenses, gains = [], [], []
    for row in range(stand.rows):
        for column in range(stand.columns):
            middle = (
                np.array([columns - 1, rows - 1]) / 2
                + margin
                + step * (column, row)
                + rng.normal(0, stand.scatter, 2) * [columns, rows]
            )
            lens = TileLens(
                stand=stand,
                middle=middle,
                turn=float(np.radians(rng.normal(0, stand.turn_deg))),
                scale=float(1 + rng.normal(0, stand.scale)),
                lean=rng.normal(0, stand.lean_px, 2),
            )
            gain = float(np.exp(rng.normal(0, stand.drift)))
            seen = _seen(whole, lens) * dirt
            lit = replace(box, brightness=box.brightness * gain)
            for time in times:
                frames.append(
                    photograph(
                        seen,
                        lit,
                        replace(camera, shape=stand.shape),
                        exposure_s=exposure_s * time,
                        seed=int(rng.integers(2**31)),
                    )
                )
            lenses.append(lens)
            gains.append(gain)
    return TileSet(
        frames=tuple(frames),
        whole=whole,
        plate_places=tuple(lenses),
        corners=true_corners(plate, whole_camera),
        gains=np.array(gains),
        dust=dust,
    )


def _seen(whole: Plane, lens: TileLens) -> Plane:
    """Return what a capture shows of the whole, cubic between its pixels."""
    rows, columns = lens.stand.shape
    seen = np.empty((rows, columns), np.float32)
    for top in range(0, rows, _ROWS):
        bottom = min(top + _ROWS, rows)
        grid = np.stack(np.meshgrid(np.arange(columns), np.arange(top, bottom)), axis=-1)
        there = lens(grid.astype(np.float64))
        seen[top:bottom] = _cubic(whole, there)
    return np.maximum(seen, 0)


def _cubic(whole: Plane, there: Array) -> Plane:
    """Return the whole at places ``(x, y)``: cubic convolution with exact fractions.

    OpenCV rounds places to 1/32 pixel, which would be an error of the truth.
    """
    base = np.floor(there).astype(int)
    part = there - base
    value = np.zeros(there.shape[:2])
    weights = [[_kernel(part[..., k] - n) for n in (-1, 0, 1, 2)] for k in range(2)]
    height, width = whole.shape
    for j in range(4):
        y = np.clip(base[..., 1] + j - 1, 0, height - 1)
        line = np.zeros(there.shape[:2])
        for i in range(4):
            x = np.clip(base[..., 0] + i - 1, 0, width - 1)
            line += weights[0][i] * whole[y, x]
        value += weights[1][j] * line
    return value.astype(np.float32)


def _kernel(x: Array) -> Array:
    """Return the cubic convolution kernel of R. G. Keys (IEEE Trans. ASSP, 1981), a = -1/2."""
    x = np.abs(x)
    near = (1.5 * x - 2.5) * x * x + 1
    far = ((-0.5 * x + 2.5) * x - 4) * x + 2
    return np.where(x <= 1, near, np.where(x < 2, far, 0.0))


def _dust_plane(shape: tuple[int, int], places: Array, size: float) -> Plane:
    plane = np.zeros(shape, np.float32)
    for x, y in places:
        cv2.circle(plane, (round(x * 16), round(y * 16)), round(size * 8), 0.6, -1, cv2.LINE_AA, 4)
    if len(places):
        plane = np.asarray(cv2.GaussianBlur(plane, (0, 0), 1.2), np.float32)
    return 1 - plane
