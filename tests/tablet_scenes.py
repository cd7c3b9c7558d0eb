"""Step tablets and plates on the simulator's light box, with their truth."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np

from platebench.core.image import PlateImage
from platebench.plate.bands import banded
from platebench.plate.finding.overview import overview_of
from platebench.plate.flatten import transmittance_from_counts
from platebench.plate.glare_evidence import LitScene, lit_scene, session_glare
from platebench.plate.light import Light, light_from_blanks
from platebench.synthetic import (
    CameraModel,
    LightBox,
    PlateModel,
    StepTablet,
    photograph,
    simulate_blank,
    simulate_box_off,
    simulate_card,
    true_transmittance,
)
from platebench.synthetic.targets import TABLET_21

TABLET_31 = tuple(round(0.05 + 0.10 * step, 2) for step in range(31))
STRIP_MM = (12.7, 127.0)  # half an inch by five, as such tablets are cut
CAMERA = CameraModel(shape=(700, 1050))
BOX = LightBox(glare=0.005)
EXPOSURE_S = 1 / 16

# Densities of the reference plate S2 through a 21-step tablet, log H = 2.50 - tablet density:
# derived from its defining formula, in the order of the tablet's steps.
WEDGE_S2 = (
    1.8305, 1.7974, 1.7498, 1.6871, 1.6110, 1.5249, 1.4320, 1.3349, 1.2353, 1.1343, 1.0326,
    0.9305, 0.8284, 0.7265, 0.6253, 0.5258, 0.4297, 0.3401, 0.2616, 0.1993, 0.1558,
)  # fmt: skip


def strip(
    densities: tuple[float, ...] = TABLET_21,
    *,
    size_mm: tuple[float, float] = STRIP_MM,
    dust: int = 0,
    scratches: int = 0,
) -> PlateModel:
    """Return a tablet: one row of steps along its longer side."""
    count = len(densities)
    grid = (1, count) if size_mm[1] > size_mm[0] else (count, 1)
    target = StepTablet(densities=densities, grid=grid, size_mm=size_mm)
    return PlateModel(size_mm=size_mm, target=target, grain_um=0.0, dust=dust, scratches=scratches)


def wedge_plate(**changes: object) -> PlateModel:
    """Return a 9 x 12 cm plate exposed through a tablet 20 x 105 mm, base plus fog 0.10."""
    target = StepTablet(densities=WEDGE_S2, grid=(1, 21), size_mm=(20.0, 105.0), surround=0.10)
    return replace(PlateModel(target=target, grain_um=0.0), **changes)  # type: ignore[arg-type]


@lru_cache(maxsize=8)
def light(box: LightBox, camera: CameraModel) -> Light:
    straight = replace(camera, tilt_deg=0.0, offset=(0.0, 0.0), fill=0.8)
    return light_from_blanks(
        [simulate_blank(box, straight, exposure_s=EXPOSURE_S, seed=90 + n) for n in range(2)]
    )


@lru_cache(maxsize=8)
def light_and_glare(box: LightBox, camera: CameraModel) -> Light:
    """Return the light of a session that has captures of two cards and with the box off."""
    bare = replace(box, surround="bright")
    known = light(bare, camera)
    cards = [
        simulate_card(bare, camera, exposure_s=EXPOSURE_S, seed=95, aside=0.1),
        simulate_card(bare, camera, exposure_s=EXPOSURE_S, seed=97, height=0.4),
    ]
    off = simulate_box_off(bare, camera, exposure_s=64 * EXPOSURE_S, seed=96)
    return replace(known, glare=session_glare(known, None, cards=cards, boxes_off=[off]))


def scene_of(image: PlateImage, known: Light) -> LitScene:
    """Return a capture with what is known of its glare."""
    return lit_scene(overview_of(banded(image)), known)


def seen(
    plate: PlateModel, box: LightBox = BOX, camera: CameraModel = CAMERA, *, seed: int = 1
) -> PlateImage:
    """Return the transmittance that a camera makes of something on the light box."""
    return seen_through(true_transmittance(plate, box, camera, seed=seed), box, camera, seed=seed)


def seen_through(truth: np.ndarray, box: LightBox, camera: CameraModel, *, seed: int) -> PlateImage:
    """Return the transmittance that a camera makes of a known one."""
    frame = photograph(truth, box, camera, exposure_s=EXPOSURE_S, seed=seed)
    bare = replace(box, surround="bright")
    return transmittance_from_counts(frame, light(bare, camera))
