"""A simulator of glass plates on a light box, with known truth, and a writer of real raw files."""

from platebench.synthetic.camera import CameraModel
from platebench.synthetic.light_box import LightBox
from platebench.synthetic.plate import EmulsionCurve, PlateModel
from platebench.synthetic.simulate import (
    Simulation,
    photograph,
    simulate_blank,
    simulate_box_off,
    simulate_card,
    simulate_dark,
    simulate_plate,
    true_corners,
    true_transmittance,
)
from platebench.synthetic.stray_light import HARD_LAWS, SIX_LAWS, StrayLight
from platebench.synthetic.targets import (
    SlantedEdge,
    Star,
    StepTablet,
    edge_plate,
    star_plate,
    tablet_plate,
)
from platebench.synthetic.variety import vary
from platebench.synthetic.write_dng import write_dng

__all__ = [
    "HARD_LAWS",
    "SIX_LAWS",
    "CameraModel",
    "EmulsionCurve",
    "LightBox",
    "PlateModel",
    "Simulation",
    "SlantedEdge",
    "Star",
    "StepTablet",
    "StrayLight",
    "edge_plate",
    "photograph",
    "simulate_blank",
    "simulate_box_off",
    "simulate_card",
    "simulate_dark",
    "simulate_plate",
    "star_plate",
    "tablet_plate",
    "true_corners",
    "true_transmittance",
    "vary",
    "write_dng",
]
