"""Draw one plate on one bench, as varied as a box of old plates."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from platebench.core.formats import CUT_UNDER, FORMATS
from platebench.synthetic.camera import CameraModel
from platebench.synthetic.light_box import LightBox
from platebench.synthetic.plate import EmulsionCurve, PlateModel
from platebench.synthetic.scene import SCENES
from platebench.synthetic.simulate import true_corners

Rng = np.random.Generator

_CFAS = ("RGGB", "BGGR", "GRBG", "GBRG", "XTRANS", "MONO")
_ROOM = 0.01  # the corners stay this share of the frame inside it


def vary(
    seed: int, shape: tuple[int, int] = (900, 1200)
) -> tuple[PlateModel, LightBox, CameraModel]:
    """Return a plate, light box and camera for a seed; expose them for 1/15 s.

    All surrounds; tilt to 6 degrees either way; mild perspective; the plate fills 45 to 90 % of
    the frame and lies wholly inside it; thin to dense; clear rebate on all sides, some or none;
    out of square to 1 degree; chips, flakes, scratches, dust and stain; glare to 1 %.

    Parameters
    ----------
    seed : int
        Any non-negative integer. The seed of `simulate_plate` is separate.
    shape : (int, int)
        Rows and columns of the frame.

    Examples
    --------
    >>> plate, box, camera = vary(3)
    >>> vary(3)[1] == box
    True
    """
    rng = np.random.default_rng([seed, 1871])
    plate = _draw_plate(rng)
    box = _draw_box(rng)
    camera = CameraModel(
        shape=shape,
        cfa=str(rng.choice(_CFAS)),
        bits=int(rng.choice([12, 14, 16])),
        fill=float(rng.uniform(0.45, 0.90)),
        tilt_deg=float(rng.uniform(-6, 6)),
        perspective=(float(rng.normal(0, 0.006)), float(rng.normal(0, 0.006))),
        blur_px=float(rng.uniform(0.4, 1.2)),
        fixed_pattern_e=float(rng.uniform(0, 2)),
    )
    return plate, box, _placed(plate, camera, rng)


def _draw_plate(rng: Rng) -> PlateModel:
    size = FORMATS[int(rng.integers(len(FORMATS)))]
    cut = 1 - rng.uniform(0, CUT_UNDER, 2)
    sides = (float(size.short_mm * cut[0]), float(size.long_mm * cut[1]))
    strip = float(rng.uniform(1.5, 4.0))
    rebate = [(strip,) * 4, (0.0, strip, 0.0, strip), (strip, 0.0, 0.0, 0.0), (0.0,) * 4]
    stained = rng.random() < 0.3
    tint = float(rng.uniform(0.03, 0.15)) if stained else 0.0
    return PlateModel(
        size_mm=sides if rng.random() < 0.35 else sides[::-1],
        scene=SCENES[int(rng.integers(len(SCENES)))],
        curve=EmulsionCurve(
            base_fog=float(rng.uniform(0.06, 0.30)), gamma=float(rng.uniform(0.5, 1.1))
        ),
        log_exposure=float(rng.uniform(0.5, 2.4)),
        rebate_mm=rebate[int(rng.choice(4, p=[0.5, 0.15, 0.1, 0.25]))],
        grain_um=float(rng.uniform(0.2, 0.9)),
        coating=float(rng.uniform(0, 0.15)),
        out_of_square_deg=float(rng.uniform(-1, 1)),
        chips=int(rng.integers(0, 9)),
        flakes=int(rng.integers(0, 4)),
        scratches=int(rng.integers(0, 7)),
        pinholes=int(rng.integers(0, 21)),
        dust=int(rng.integers(0, 81)),
        edge_mm=float(rng.uniform(0.1, 0.6)) if rng.random() < 0.7 else 0.0,
        edge_density=float(rng.uniform(0.3, 1.5)),
        stain=(0.0, tint / 3, tint),
        veil=(0.0, tint / 6, tint / 2),
        glass_side_up=bool(rng.random() < 0.3),
    )


def _draw_box(rng: Rng) -> LightBox:
    kinds = ("bright", "dark", "holder")
    return LightBox(
        surround=kinds[int(rng.choice(3, p=[0.45, 0.30, 0.25]))],  # type: ignore[arg-type]
        gap_mm=float(rng.uniform(0.3, 2.0)) if rng.random() < 0.5 else 0.0,
        holder_mm=float(rng.uniform(6, 25)),
        card_density=float(rng.uniform(2.5, 4.0)),
        uneven=float(rng.uniform(0, 0.3)),
        vignette=float(rng.uniform(0, 0.4)),
        glare=float(rng.uniform(0, 0.01)),
        light_seed=int(rng.integers(1000)),
    )


def _placed(plate: PlateModel, camera: CameraModel, rng: Rng) -> CameraModel:
    """Return the camera with the plate shifted at random, shrunk where it would not fit."""
    frame = np.asarray(camera.shape, np.float64)
    for _ in range(40):
        corners = true_corners(plate, camera) / (frame - 1)
        if (np.ptp(corners, axis=0) <= 1 - 2 * _ROOM).all():
            break
        camera = replace(camera, fill=camera.fill * 0.99)
    low, high = _ROOM - corners.min(0), 1 - _ROOM - corners.max(0)
    shift = rng.uniform(low, np.maximum(high, low))
    return replace(camera, offset=(float(shift[0]), float(shift[1])))
