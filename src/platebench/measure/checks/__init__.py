"""Quality of captures: what was measured, what it means, what to do about it."""

from platebench.measure.checks.capture_figures import CaptureCheck, CaptureFigures
from platebench.measure.checks.check_capture import check_capture
from platebench.measure.checks.noise import deepest_density, noise_from_frames
from platebench.measure.checks.sfr import NoEdgeError, Sfr, slanted_edge_sfr
from platebench.measure.checks.verdict import Severity, Verdict, worst
from platebench.plate.noise_model import NoiseModel

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
