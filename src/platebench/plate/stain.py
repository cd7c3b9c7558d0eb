"""Stain: density that is not neutral, measured by colour and taken off the mosaic.

Silver is neutral; pyro, selenium, age and residual dye are not. On the mosaic a stain shows as a
checkerboard, because blue-filtered sites see more density than green ones. The extra density of
each kind of site is modelled as an offset that varies slowly over the plate plus a share of the
image density, ``D_kind = a(row, column) + (1 + b) * D_green``, and both are removed.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from platebench.plate.finding.overview import Overview
from platebench.plate.flatten import SiteCorrection
from platebench.plate.light_estimate import cells_inside
from platebench.plate.smooth_field import site_classes

# D, of nine cells in ten, that neither silver nor a smooth stain explains. Simulated plates of the
# seeds 200 to 225 had 0.001 to 0.023, seven photographs of streets and landscapes 0.04 to 0.5.
COLOURED = 0.035
STAIN_LIMIT = 0.01  # D: less than this is inside the uncertainty of a single reading
_DARKEST_USED = 0.002  # transmittance; denser cells are noise and glare
_GREEN, _BLUE = 1, 2


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Stain:
    """Density by colour against green, over the plate.

    Attributes
    ----------
    red, blue : float
        Mean extra density (D) in the red and the blue channel.
    red_share, blue_share : float
        Extra density per unit of green density, dimensionless.
    found : bool
        True where a colour departs by more than ``STAIN_LIMIT``, root mean square, and the plate is
        not ``coloured``.
    unexplained : float
        Departure of the colours from any such stain, D: nine cells in ten have less.
    correction : SiteCorrection
        Takes the stain off; see :func:`transmittance_from_counts`.
    blue_gains : ndarray of float32, shape (rows, columns)
        The correction's gains of blue, over the capture: the mean of its kinds of sites.
    """

    red: float
    blue: float
    red_share: float
    blue_share: float
    found: bool
    correction: SiteCorrection
    blue_gains: NDArray[np.float32]
    unexplained: float = 0.0

    @property
    def coloured(self) -> bool:
        """Whether what is there has colours of its own, as no negative has."""
        return self.unexplained > COLOURED


def measure_stain(overview: Overview, corners: NDArray[np.float64]) -> Stain | None:
    """Measure how far a plate is from neutral.

    Parameters
    ----------
    overview : Overview
        Transmittance; its cells are used.
    corners : ndarray of float64, shape (4, 2)
        Of the plate in the capture, ``(row, column)``.

    Returns
    -------
    Stain or None
        None where the picture has one colour only, or shows too little of the plate.
    """
    channels = overview.pixels.shape[2] if overview.pixels.ndim == 3 else 1
    colours = _colours_of_kinds(overview.pattern, channels)
    if not {0, _GREEN, _BLUE} <= set(colours.tolist()):
        return None
    means = overview.cells
    grid = (means.shape[1], means.shape[2])
    inside = cells_inside(corners, overview.shape, grid, grow=-0.03)
    green = means[colours == _GREEN].mean(axis=0)
    usable = inside & (means.min(axis=0) > _DARKEST_USED)
    if np.count_nonzero(usable) < 24:
        return None
    density = -np.log10(np.maximum(green, 1e-6)).astype(np.float64)
    gains, exponents, worst = np.ones_like(means), np.ones(len(means), np.float32), 0.0
    unexplained = 0.0
    offsets, shares = np.zeros(3), np.zeros(3)
    for kind, colour in enumerate(colours):
        extra = -np.log10(np.maximum(means[kind], 1e-6)).astype(np.float64) - density
        offset, share = _offset_and_share(density[usable], extra[usable])
        rest = _smooth_inside(extra - offset - share * density, usable)
        model = offset + rest + share * density
        gains[kind] = 10 ** (offset + rest)
        exponents[kind] = 1 / (1 + share)
        if colour != _GREEN:
            unexplained = max(unexplained, _patches(extra - model, usable))
            worst = max(worst, float(np.sqrt(np.mean(model[usable] ** 2))))
        offsets[colour], shares[colour] = float(model[usable].mean()), share
    return Stain(
        red=float(offsets[0]),
        blue=float(offsets[2]),
        red_share=float(shares[0]),
        blue_share=float(shares[2]),
        found=worst > STAIN_LIMIT and unexplained <= COLOURED,
        unexplained=unexplained,
        correction=SiteCorrection(gains=gains, exponents=exponents),
        blue_gains=np.asarray(gains[colours == _BLUE].mean(axis=0), np.float32),
    )


def _patches(values: NDArray[np.float64], usable: NDArray[np.bool_]) -> float:
    """Return how far patches of some cells lie from zero: the 90 % quantile of their means.

    Single cells differ by where their sites lie on sharp detail.
    """
    clean = cv2.medianBlur(np.where(usable, values, 0.0).astype(np.float32), 3)
    weight = cv2.blur(usable.astype(np.float32), (5, 5))
    means = cv2.blur(np.asarray(clean, np.float32), (5, 5)) / np.maximum(weight, 0.1)
    return float(np.quantile(np.abs(means[usable]), 0.9))


def _colours_of_kinds(pattern: NDArray[np.uint8], channels: int) -> NDArray[np.intp]:
    """Return the colour (0 red, 1 green, 2 blue) of each kind of site, or of each channel."""
    if channels == 3:
        return np.arange(3)
    classes = site_classes(pattern)
    first = [int(np.flatnonzero(classes.ravel() == kind)[0]) for kind in range(classes.max() + 1)]
    return pattern.ravel()[first].astype(np.intp)


def _offset_and_share(
    density: NDArray[np.float64], extra: NDArray[np.float64]
) -> tuple[float, float]:
    """Fit ``extra = offset + share * density`` with the worst tenth of cells left out."""
    keep = np.ones(len(density), bool)
    share, offset = 0.0, float(np.median(extra))
    for _ in range(3):
        if np.ptp(density[keep]) > 0.15:
            share, offset = (float(v) for v in np.polyfit(density[keep], extra[keep], 1))
        else:
            offset = float(np.median(extra[keep]))
        residual = np.abs(extra - offset - share * density)
        keep = residual <= np.quantile(residual, 0.9)
    return offset, min(max(share, -0.5), 2.0)


def _smooth_inside(values: NDArray[np.float64], usable: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Return a wide Gaussian mean over the usable cells, continued outwards.

    Cells on sharp detail differ by chance of where their sites lie: outliers are pulled in first.
    """
    spread = 1.4826 * float(np.median(np.abs(values[usable] - np.median(values[usable]))))
    values = np.clip(values, *(np.median(values[usable]) + np.array([-2, 2]) * spread))
    weight = cv2.GaussianBlur(usable.astype(np.float64), (0, 0), 5.0)
    mean = cv2.GaussianBlur(np.where(usable, values, 0.0), (0, 0), 5.0)
    return np.asarray(np.where(weight > 1e-3, mean / np.maximum(weight, 1e-3), 0.0), np.float64)
