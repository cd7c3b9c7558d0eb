"""What stood in front of the camera: procedural pictures, and three that a library ships.

All are relative luminances as a blue-sensitive plate sees them, 1 = white. None shows a person.
"""

from __future__ import annotations

from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from platebench.synthetic.scenes.facade import facade
from platebench.synthetic.scenes.fern import fern
from platebench.synthetic.scenes.landscape import landscape
from platebench.synthetic.scenes.shore import shore
from platebench.synthetic.scenes.still_life import still_life

Plane = NDArray[np.float32]

_PROCEDURAL = {
    "landscape": landscape,
    "shore": shore,
    "facade": facade,
    "still life": still_life,
    "fern": fern,
}
_LIBRARY = {"cup": "coffee", "cat": "chelsea", "moon": "moon"}  # file names in skimage.data
_BLUE_SENSITIVE = np.array(
    [0.08, 0.32, 0.60], np.float32
)  # share of red, green and blue light that acts
_LONG_SIDES = (640, 1400, 2400)
_SHAPES = (1.0, 1.25, 1.5)  # long side to short side

SCENES: tuple[str, ...] = (*_PROCEDURAL, *_LIBRARY)
"""Names that `make_scene` and `PlateModel.scene` take."""


def make_scene(name: str, shape: tuple[int, int]) -> Plane:
    """Return a picture by name.

    Parameters
    ----------
    name : str
        One of `SCENES`.
    shape : (int, int)
        Rows and columns. Small ones are quick; drawn anew every time.

    Returns
    -------
    ndarray of float32, shape (m, n)
        Relative luminance; 1 is white, clouds and lamps may exceed it.

    Raises
    ------
    ValueError
        If there is no such scene.

    Examples
    --------
    >>> make_scene("moon", (40, 60)).shape
    (40, 60)
    """
    if name in _PROCEDURAL:
        return np.asarray(np.maximum(_PROCEDURAL[name](shape), 1e-3), np.float32)
    if name in _LIBRARY:
        return _from_library(_LIBRARY[name], shape)
    raise ValueError(f"unknown scene {name!r}; there are {', '.join(SCENES)}")


def scene_near(name: str, shape: tuple[int, int]) -> Plane:
    """Return a picture of about this shape, quickly: of the few shapes drawn, the nearest.

    The caller stretches it, by an eighth at most for plates no longer than 3:2.
    """
    long, short = max(shape), min(shape)
    side = next((s for s in _LONG_SIDES if s >= 0.6 * long), _LONG_SIDES[-1])
    ratio = min(_SHAPES, key=lambda r: abs(np.log(r * short / long)))
    other = round(side / ratio)
    wanted = (side, other) if shape[0] >= shape[1] else (other, side)
    return _small(name, wanted) if side == _LONG_SIDES[0] else _large(name, wanted)


def _kept(name: str, shape: tuple[int, int]) -> Plane:
    picture = make_scene(name, shape)
    picture.flags.writeable = False
    return picture


_small = lru_cache(maxsize=64)(_kept)  # 1.6 MB each
_large = lru_cache(maxsize=2)(_kept)


def _from_library(name: str, shape: tuple[int, int]) -> Plane:
    import skimage.data

    pixels = getattr(skimage.data, name)()
    light = (pixels.astype(np.float32) / 255) ** np.float32(2.2)
    if light.ndim == 3:
        light = light[..., :3] @ _BLUE_SENSITIVE
    low, high = np.percentile(light, [1, 99.5])
    light = np.float32(0.02) + (light - np.float32(low)) / np.float32(high - low)
    rows, cols = light.shape
    scale = min(rows / shape[0], cols / shape[1])
    height, width = min(round(shape[0] * scale), rows), min(round(shape[1] * scale), cols)
    top, left = (rows - height) // 2, (cols - width) // 2
    part = light[top : top + height, left : left + width]
    how = cv2.INTER_CUBIC if shape[0] > height else cv2.INTER_AREA
    sized = cv2.resize(part, shape[::-1], interpolation=how)
    return np.maximum(np.asarray(sized, np.float32), np.float32(0.004))
