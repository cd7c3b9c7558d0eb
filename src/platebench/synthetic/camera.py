"""The copying camera: where the plate falls on the sensor, and how light becomes counts."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from platebench.core.image import CaptureInfo, CaptureKind, SensorFrame
from platebench.synthetic.streams import effect_streams

Array = NDArray[np.float64]

# The 6 x 6 colour filter that avoids a 2 x 2 repeat: 20 green, 8 red, 8 blue sites.
_SIX_BY_SIX = ("GBGGRG", "RGRBGB", "GBGGRG", "GRGGBG", "BGBRGR", "GRGGBG")
_LETTERS = {"R": 0, "G": 1, "B": 2}
_BAND_ROWS = 512
_MANY_E = 400.0


@dataclass(frozen=True, slots=True, kw_only=True)
class CameraModel:
    """A camera on a copy stand: framing, lens and sensor.

    Every fault is off where its argument is zero.

    Attributes
    ----------
    shape : (int, int)
        Rows and columns of the sensor.
    cfa : str
        "RGGB", "BGGR", "GRBG", "GBRG", "XTRANS" (6 x 6) or "MONO".
    fill : float
        Share of the frame the plate fills along the tighter side before it is turned; above 1 the
        plate is cut off by the frame.
    offset : (float, float)
        Shift of the plate's centre, (row, column), in shares of the frame's height and width.
    tilt_deg : float
        Turn of the plate in the frame, clockwise as seen.
    perspective : (float, float)
        Relative change of scale from the plate's centre to its lower and to its right side.
    blur_px : float
        Standard deviation of the lens's Gaussian blur, photosites.
    finer : int
        The plate is drawn and blurred on a grid this many times finer, then averaged over each
        photosite. At 1 it is quick, and fine detail folds over before it is blurred; at 4 the
        lens's response is ``exp(-2 pi^2 blur_px^2 f^2)`` to a fraction of a percent.
    colour_gains : (float, float, float)
        Response to the light box of red, green and blue sites; the largest should be 1.
    bits : int
        Bits of the converter: 12, 14 or 16. The default levels follow from it.
    black, white : float or None
        Level without light and level of saturation, counts. None: 1/32 and all of the range.
    full_well_e : float
        Electrons between ``black`` and ``white``.
    shot_noise : bool
        Whether photons arrive at random.
    read_noise_e : float
        Standard deviation of the read noise, electrons.
    dark_current_e_s : float
        Electrons a second without light, the same at every site.
    fixed_pattern_e : float
        Standard deviation, from site to site, of an offset that stays from frame to frame.
    pattern_seed : int
        Makes that offset: another sensor, another seed.
    iso, f_number, focal_length_mm : float
        Written into the file; they do not change the counts.
    model : str
        Name of the camera in the file.
    """

    shape: tuple[int, int] = (900, 1200)
    cfa: str = "RGGB"
    fill: float = 0.8
    offset: tuple[float, float] = (0.0, 0.0)
    tilt_deg: float = 0.0
    perspective: tuple[float, float] = (0.0, 0.0)
    blur_px: float = 0.6
    finer: int = 1
    colour_gains: tuple[float, float, float] = (0.55, 1.0, 0.7)
    bits: int = 14
    black: float | None = None
    white: float | None = None
    full_well_e: float = 48000.0
    shot_noise: bool = True
    read_noise_e: float = 3.0
    dark_current_e_s: float = 0.0
    fixed_pattern_e: float = 0.0
    pattern_seed: int = 0
    iso: float = 100.0
    f_number: float = 8.0
    focal_length_mm: float = 90.0
    model: str = "Halvorn C6"

    def __post_init__(self) -> None:
        if self.bits not in (12, 14, 16):
            raise ValueError(f"bits must be 12, 14 or 16, got {self.bits}")
        cfa_pattern(self.cfa)

    @property
    def black_level(self) -> float:
        """Level without light, counts."""
        return float(2 ** (self.bits - 5)) if self.black is None else self.black

    @property
    def white_level(self) -> float:
        """Level of saturation, counts."""
        return float(2**self.bits - 1) if self.white is None else self.white

    @property
    def counts_per_e(self) -> float:
        """Counts for each electron."""
        return (self.white_level - self.black_level) / self.full_well_e


def cfa_pattern(name: str) -> NDArray[np.uint8]:
    """Return the repeating colours of a filter: 0 red, 1 green, 2 blue.

    Examples
    --------
    >>> cfa_pattern("GBRG").tolist()
    [[1, 2], [0, 1]]
    >>> cfa_pattern("XTRANS").shape
    (6, 6)
    """
    rows: tuple[str, ...]
    if name == "MONO":
        rows = ("G",)
    elif name == "XTRANS":
        rows = _SIX_BY_SIX
    elif name in ("RGGB", "BGGR", "GRBG", "GBRG"):
        rows = (name[:2], name[2:])
    else:
        raise ValueError(f"unknown colour filter {name!r}; use RGGB, ..., XTRANS or MONO")
    return np.array([[_LETTERS[letter] for letter in row] for row in rows], np.uint8)


def plate_to_sensor(size_mm: tuple[float, float], camera: CameraModel) -> Array:
    """Return the homography from the plate, millimetres, to the sensor, photosites.

    Parameters
    ----------
    size_mm : (float, float)
        Height and width of the plate.

    Returns
    -------
    ndarray of float64, shape (3, 3)
        Maps ``(y, x, 1)``, origin in the plate's middle, to ``(row, column, 1)`` up to scale.
    """
    height, width = size_mm
    rows, cols = camera.shape
    scale = camera.fill * min(rows / height, cols / width)
    angle = np.deg2rad(camera.tilt_deg)
    c, s = np.cos(angle), np.sin(angle)
    middle = ((rows - 1) / 2 + camera.offset[0] * rows, (cols - 1) / 2 + camera.offset[1] * cols)
    # Clockwise on the screen, rows pointing down: (y, x) -> (y cos + x sin, x cos - y sin).
    turn = np.array([[c * scale, s * scale, 0], [-s * scale, c * scale, 0], [0, 0, 1]])
    lean = np.array(
        [
            [1, 0, 0],
            [0, 1, 0],
            [-camera.perspective[0] * 2 / height, -camera.perspective[1] * 2 / width, 1],
        ]
    )
    shift = np.array([[1, 0, middle[0]], [0, 1, middle[1]], [0, 0, 1]])
    return np.asarray(shift @ turn @ lean, np.float64)


def map_points(homography: Array, points: Array) -> Array:
    """Return points (..., 2) mapped through a homography.

    Examples
    --------
    >>> map_points(np.diag([2.0, 3.0, 1.0]), np.array([[1.0, 1.0]])).tolist()
    [[2.0, 3.0]]
    """
    ones = np.ones((*points.shape[:-1], 1))
    mapped = np.concatenate([points, ones], axis=-1) @ homography.T
    return np.asarray(mapped[..., :2] / mapped[..., 2:], np.float64)


def expose(
    light: NDArray[np.float32], camera: CameraModel, *, exposure_s: float, seed: int
) -> SensorFrame:
    """Return the counts for light that would fill ``light`` of the full well, colour left out.

    Parameters
    ----------
    light : ndarray of float32, shape (M, N)
        Share of the full well filled at a site whose colour gain is 1.
    exposure_s : float
        Time written into the file, and of the dark current.
    seed : int
        Of the shot and read noise.
    """
    noise = _Noise(camera, seed)
    pattern = cfa_pattern(camera.cfa)
    gains = camera.colour_gains if pattern.size > 1 else (1.0, 1.0, 1.0)
    full = np.asarray(gains, np.float32) * np.float32(camera.full_well_e)
    dark = np.float32(camera.dark_current_e_s * exposure_s)
    counts = np.empty(camera.shape, np.uint16)
    for top in range(0, camera.shape[0], _BAND_ROWS):
        band = light[top : top + _BAND_ROWS]
        tile = np.roll(full[pattern], -(top % pattern.shape[0]), axis=0)
        repeats = (-(-band.shape[0] // tile.shape[0]), -(-band.shape[1] // tile.shape[1]))
        electrons = band * np.tile(tile, repeats)[: band.shape[0], : band.shape[1]]
        electrons = noise.added(electrons + dark)
        electrons *= np.float32(camera.counts_per_e)
        electrons += np.float32(camera.black_level)
        np.rint(electrons, out=electrons)
        counts[top : top + band.shape[0]] = np.clip(electrons, 0, camera.white_level)
    return SensorFrame(
        counts=counts,
        pattern=pattern,
        black=np.full(pattern.shape, camera.black_level, np.float32),
        white=camera.white_level,
        info=capture_info(camera, exposure_s=exposure_s),
    )


class _Noise:
    """The noise of one capture, drawn band after band from the top."""

    def __init__(self, camera: CameraModel, seed: int) -> None:
        streams = effect_streams(seed)
        self.camera = camera
        self.shot, self.few, self.read = streams["shot"], streams["few"], streams["read"]
        self.fixed = effect_streams(camera.pattern_seed)["pattern"]

    def added(self, electrons: NDArray[np.float32]) -> NDArray[np.float32]:
        """Return electrons with noise.

        Arrivals are Poisson; above `_MANY_E` electrons a normal deviate of the same variance
        serves, whose skewness differs by less than 1 / sqrt(_MANY_E).
        """
        camera, size = self.camera, electrons.shape
        noisy = electrons
        if camera.shot_noise:
            arrivals = self.shot.standard_normal(size, np.float32)
            arrivals *= np.sqrt(electrons)
            noisy = arrivals + electrons
            few = electrons < _MANY_E
            noisy[few] = self.few.poisson(electrons[few])
        if camera.read_noise_e > 0:
            noisy += self.read.standard_normal(size, np.float32) * np.float32(camera.read_noise_e)
        if camera.fixed_pattern_e > 0:
            fixed = self.fixed.standard_normal(size, np.float32)
            noisy += fixed * np.float32(camera.fixed_pattern_e)
        return noisy


def capture_info(
    camera: CameraModel, *, exposure_s: float, taken: datetime | None = None
) -> CaptureInfo:
    """Return what the camera writes of itself."""
    return CaptureInfo(
        path=Path("simulated.dng"),
        kind=CaptureKind.RAW,
        camera=camera.model,
        taken=taken,
        exposure_s=exposure_s,
        f_number=camera.f_number,
        iso=camera.iso,
        focal_length_mm=camera.focal_length_mm,
    )
