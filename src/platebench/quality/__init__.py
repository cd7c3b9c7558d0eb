"""Quality of captures: what was measured, what it means, what to do about it."""

from platebench.quality.check import check_capture
from platebench.quality.figures import CaptureCheck, CaptureFigures
from platebench.quality.noise import deepest_density, noise_from_frames
from platebench.quality.sfr import NoEdgeError, Sfr, slanted_edge_sfr
from platebench.quality.verdict import Severity, Verdict, worst
from platebench.stages.noise_model import NoiseModel

__all__ = [
    "CaptureCheck",
    "CaptureFigures",
    "NoEdgeError",
    "NoiseModel",
    "Severity",
    "Sfr",
    "Verdict",
    "check_capture",
    "deepest_density",
    "noise_from_frames",
    "slanted_edge_sfr",
    "worst",
]
