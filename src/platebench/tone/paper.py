"""Photographic paper: its characteristic curve, and the four quadrants from subject to print.

A paper's curve is given by the exposure each density needs. With ``y`` the net density as a
share of the paper's whole density range, 0 at paper white and 1 at full black::

    log H = middle + straight (y - 1/2) + toe ln(2 y) - shoulder ln(2 (1 - y))

All three lengths are in log exposure. The density always rises with exposure; with
``straight = 0`` and ``toe = shoulder`` it is the logistic curve.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, log_expit, logit

Floats = NDArray[np.float64]

_LOGITS: Floats = np.linspace(-24.0, 24.0, 8193)  # ends are within 4e-11 of white and black
_LOG_2 = np.log(2.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class PaperCurve:
    """Characteristic curve of a paper: reflection density against log exposure.

    Attributes
    ----------
    white, black : float
        Reflection density of unexposed and of fully blackened paper, D.
    toe, shoulder : float
        Length of the bend into white and into black, in log exposure; above 0.
    straight : float
        Length of the straight part, in log exposure; 0 or more.
    middle : float
        Log exposure (any zero) that gives the density half way between white and black.
    """

    white: float
    black: float
    toe: float
    shoulder: float
    straight: float
    middle: float = 0.0

    def __post_init__(self) -> None:
        if not self.black > self.white >= 0:
            raise ValueError(f"need black > white >= 0, got {self.black} and {self.white}")
        if not (self.toe > 0 and self.shoulder > 0 and self.straight >= 0):
            raise ValueError("need toe > 0, shoulder > 0 and straight >= 0")

    def density(self, log_exposure: Floats) -> Floats:
        """Return the print density (D) each log exposure gives; never falls.

        The curve is interpolated between 8193 exact points, within 1e-5 D.
        """
        y = expit(np.interp(log_exposure, self._exposure_of_logit(_LOGITS), _LOGITS))
        return np.asarray(self.white + (self.black - self.white) * y)

    def log_exposure(self, density: float) -> float:
        """Return the log exposure that gives a density between white and black, exactly.

        Raises
        ------
        ValueError
            If the paper cannot give that density.
        """
        if not self.white < density < self.black:
            raise ValueError(f"density {density} is not between {self.white} and {self.black}")
        y = (density - self.white) / (self.black - self.white)
        return float(self._exposure_of_logit(np.asarray(logit(y))))

    def gradient(self, density: float) -> float:
        """Return the slope of the curve, density per log exposure, where it has a density."""
        y = (density - self.white) / (self.black - self.white)
        length = self.straight + self.toe / y + self.shoulder / (1 - y)
        return (self.black - self.white) / length

    def scaled(self, factor: float) -> PaperCurve:
        """Return the curve with every exposure difference multiplied: another grade of paper."""
        return replace(
            self,
            toe=self.toe * factor,
            shoulder=self.shoulder * factor,
            straight=self.straight * factor,
            middle=self.middle * factor,
        )

    def _exposure_of_logit(self, u: Floats) -> Floats:
        # ln y = log_expit(u) and ln(1 - y) = log_expit(-u), without loss near white and black.
        return np.asarray(
            self.middle
            + self.straight * (expit(u) - 0.5)
            + self.toe * (_LOG_2 + log_expit(u))
            - self.shoulder * (_LOG_2 + log_expit(-u))
        )


def range_points(paper: PaperCurve) -> tuple[float, float]:
    """Return the log exposures between which a paper shows tones: (log HT, log HS).

    HT gives 0.04 D above paper white, HS gives 90 % of the paper's full black.

    References
    ----------
    ISO 6846:1992, as given in the Focal Encyclopedia of Photography, p. 679.
    """
    return paper.log_exposure(paper.white + 0.04), paper.log_exposure(0.9 * paper.black)


def exposure_range(paper: PaperCurve) -> float:
    """Return log HS - log HT, the density range of a negative that fits the paper."""
    tint, black = range_points(paper)
    return black - tint


def paper_of_range(paper: PaperCurve, log_range: float) -> PaperCurve:
    """Return the same paper in the grade whose exposure range is ``log_range``."""
    return paper.scaled(log_range / exposure_range(paper))
