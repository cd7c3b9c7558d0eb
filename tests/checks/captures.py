"""Simulated captures that the quality tests share."""

from dataclasses import dataclass, replace

import numpy as np

from platebench.plate.noise_model import NoiseModel
from platebench.synthetic import CameraModel, LightBox, PlateModel
from platebench.synthetic.camera import expose
from platebench.synthetic.simulate import true_corners, true_transmittance

EXPOSURE_S = 1 / 15
EVEN = LightBox(uneven=0.0, vignette=0.0)
# 20 mm across 1000 x 0.8 px is 25 um a photosite: a 9x12 cm plate on 24 megapixels is 20 um.
PLATE = PlateModel(size_mm=(14.0, 20.0), rebate_mm=(0.7, 0.7, 0.7, 0.7), scene=None)


@dataclass
class Place:
    """What check_capture needs of a found plate."""

    corners: np.ndarray
    surround: str = "bright"
    found: bool = True
    doubts: tuple[str, ...] = ()


def camera(**changes):
    return CameraModel(**({"shape": (720, 1000), "tilt_deg": 1.0, "blur_px": 0.5} | changes))


def known_noise(cam):
    """The simulator's own noise: shot, read, and rounding to whole counts."""
    gain = cam.counts_per_e
    read = (cam.read_noise_e * gain) ** 2 + 1 / 12
    return NoiseModel(gain=gain, read_variance=read, source="the simulator")


def bare_light(cam):
    """Light of the even light box by colour number, counts."""
    share = EVEN.brightness * EXPOSURE_S
    full = cam.white_level - cam.black_level
    return {colour: gain * share * full for colour, gain in enumerate(cam.colour_gains)}


def capture_with_blur(plate, cam, soft_px=None, weight=None, seed=1):
    """Return a capture whose blur goes from the camera's own to ``soft_px`` with ``weight``.

    Returns
    -------
    frame, corners
    """
    through = true_transmittance(plate, EVEN, cam, seed=seed)
    if soft_px is not None:
        soft = true_transmittance(plate, EVEN, replace(cam, blur_px=soft_px), seed=seed)
        through = through * (1 - weight) + soft * weight
    light = (through * EVEN.brightness * EXPOSURE_S).astype(np.float32)
    frame = expose(light, cam, exposure_s=EXPOSURE_S, seed=seed)
    return frame, true_corners(plate, cam)
