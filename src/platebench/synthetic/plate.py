"""A glass negative: what was in front of the camera, and the emulsion's answer to it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Plane = NDArray[np.float32]
Target = Callable[[Plane, Plane, float], Plane]
"""Density at ``(y_mm, x_mm, pitch_mm)``, over a photosite ``pitch_mm`` wide; see `targets`."""


@dataclass(frozen=True, slots=True, kw_only=True)
class EmulsionCurve:
    """A characteristic curve: density against log exposure.

    ``D = fog + g [sp(5 (x - t)) / 5 - sp(4 (x - s)) / 4]``, ``sp(z) = ln(1 + e^z)``: a straight
    line of slope nearly g with a toe at t and a shoulder at s. The defaults are a plate that meets
    ISO 6 at S = 2: density 0.10 over fog at log H = -0.39794, and 0.80 more 1.30 further on.

    Attributes
    ----------
    base_fog : float
        Density of unexposed, developed plate.
    gamma, toe, shoulder : float
        g, t and s.
    """

    base_fog: float = 0.10
    gamma: float = 0.6853841953
    toe: float = -0.4122485236
    shoulder: float = 2.1877514764

    def density(self, log_exposure: NDArray[np.floating]) -> Array:
        """Return density for log10 exposure, lx s.

        Examples
        --------
        >>> curve = EmulsionCurve()
        >>> [round(float(d), 3) for d in curve.density(np.array([-0.39794, 0.90206]))]
        [0.2, 1.0]
        """
        x = np.asarray(log_exposure, np.float64)
        rise = (
            np.logaddexp(0, 5 * (x - self.toe)) / 5 - np.logaddexp(0, 4 * (x - self.shoulder)) / 4
        )
        return np.asarray(self.base_fog + self.gamma * rise, np.float64)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PlateModel:
    """A glass negative as it lies on the light box.

    Every fault is off where its argument is zero.

    Attributes
    ----------
    size_mm : (float, float)
        Height and width of the plate as it was cut.
    scene : str, ndarray of float32 shape (m, n), or None
        A name from `scene.SCENES`, relative luminances (1 = white), or None for an unexposed
        plate.
    target : callable or None
        Density at a place on the plate, seen from the emulsion, in place of scene and curve; see
        `targets`.
    curve : EmulsionCurve
        The emulsion.
    log_exposure : float
        log10 of the exposure, lx s, that luminance 1 gave the plate.
    rebate_mm : (float, float, float, float)
        Unexposed strip the holder left along top, right, bottom and left, as the plate lies.
    glass_density : float
        Density of bare glass, where the emulsion is gone.
    grain_um : float
        Standard deviation of density times the side of the square it is measured in, at D 1.0
        over glass; it grows with the root of density and shrinks with the side (Selwyn's law).
    coating : float
        Relative density error of a coating poured by hand, largest.
    out_of_square_deg : float
        Turn of the right side about its middle, clockwise positive.
    chips, flakes, scratches, pinholes, dust : int
        How many of each.
    edge_mm, edge_density : float
        Width and density of the dark line along the rim, where the glass edge bends light away.
    stain : (float, float, float)
        Density added for red, green and blue, as a share of the silver's density.
    veil : (float, float, float)
        Density added for red, green and blue, everywhere on the emulsion.
    turned : {0, 90, 180, 270}
        Degrees clockwise the picture is turned, seen through the glass: a plate laid sideways.
    glass_side_up : bool
        The glass faces the camera, and the picture reads right. Otherwise the emulsion does, and
        the picture, turned or not, is reversed left to right: in the plate holder the emulsion
        faced the lens, and what was on the left is on the right for who looks from there.
    """

    size_mm: tuple[float, float] = (90.0, 120.0)
    scene: str | Plane | None = "landscape"
    target: Target | None = None
    curve: EmulsionCurve = field(default_factory=EmulsionCurve)
    log_exposure: float = 1.6
    rebate_mm: tuple[float, float, float, float] = (2.5, 2.5, 2.5, 2.5)
    glass_density: float = 0.04
    grain_um: float = 0.4
    coating: float = 0.0
    out_of_square_deg: float = 0.0
    chips: int = 0
    flakes: int = 0
    scratches: int = 0
    pinholes: int = 0
    dust: int = 0
    edge_mm: float = 0.0
    edge_density: float = 1.0
    stain: tuple[float, float, float] = (0.0, 0.0, 0.0)
    veil: tuple[float, float, float] = (0.0, 0.0, 0.0)
    turned: Literal[0, 90, 180, 270] = 0
    glass_side_up: bool = False

    @property
    def coloured(self) -> bool:
        """Whether red, green and blue densities differ."""
        return len(set(self.stain)) > 1 or len(set(self.veil)) > 1


def outline_mm(plate: PlateModel) -> Array:
    """Return the plate's corners as it lies, millimetres from its middle.

    Returns
    -------
    ndarray of float64, shape (4, 2)
        Top left, top right, bottom right, bottom left, as ``(y, x)``.

    Examples
    --------
    >>> outline_mm(PlateModel(size_mm=(80.0, 100.0))).tolist()
    [[-40.0, -50.0], [-40.0, 50.0], [40.0, 50.0], [40.0, -50.0]]
    """
    half_h, half_w = plate.size_mm[0] / 2, plate.size_mm[1] / 2
    lean = half_h * np.tan(np.deg2rad(plate.out_of_square_deg))
    return np.array(
        [[-half_h, -half_w], [-half_h, half_w + lean], [half_h, half_w - lean], [half_h, -half_w]]
    )


def grown(corners: Array, by_mm: float) -> Array:
    """Return an upright four-sided outline with each side moved out by ``by_mm``."""
    return np.asarray(corners + np.sign(corners) * by_mm, np.float64)
