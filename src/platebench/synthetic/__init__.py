"""A simulator of glass plates on a light box, with known truth, and a writer of real raw files."""

from platebench.synthetic.camera import CameraModel
from platebench.synthetic.dng import write_dng
from platebench.synthetic.light_box import LightBox
from platebench.synthetic.plate import EmulsionCurve, PlateModel
from platebench.synthetic.simulate import (
    Simulation,
    simulate_blank,
    simulate_dark,
    simulate_plate,
)

__all__ = [
    "CameraModel",
    "EmulsionCurve",
    "LightBox",
    "PlateModel",
    "Simulation",
    "simulate_blank",
    "simulate_dark",
    "simulate_plate",
    "write_dng",
]
