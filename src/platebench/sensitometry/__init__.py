"""Sensitometry: characteristic curves of emulsions and what they say. No pictures of plates."""

from platebench.sensitometry.curve_numbers import choose_basis
from platebench.sensitometry.family import compare_batches, fit_development
from platebench.sensitometry.figures import CurveFigures, Estimate, figures_of
from platebench.sensitometry.plate_curve import Speeds, speeds_of
from platebench.sensitometry.readings import StepReadings, pair_readings

__all__ = [
    "CurveFigures",
    "Estimate",
    "Speeds",
    "StepReadings",
    "choose_basis",
    "compare_batches",
    "figures_of",
    "fit_development",
    "pair_readings",
    "speeds_of",
]
