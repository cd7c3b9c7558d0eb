"""The light box: how even its light is, what lies around the plate, how much light strays."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from platebench.synthetic.stray_light import StrayLight
from platebench.synthetic.streams import effect_streams


@dataclass(frozen=True, slots=True, kw_only=True)
class LightBox:
    """A light box with what lies on it.

    Attributes
    ----------
    surround : {"bright", "dark", "holder"}
        Bare light box; a black card with an opening; or a frame around the plate with bare light
        box beyond it.
    gap_mm : float
        Bare light between the plate and the card or holder.
    holder_mm : float
        Width of the holder's frame.
    card_density : float
        Density of card and holder.
    brightness : float
        Share of the full well the brightest spot fills in a second, where the colour gain is 1.
    uneven : float
        Loss of the lamp's light from its brightest to its darkest place, 0 to 1.
    vignette : float
        Loss of light by the lens in the frame's corner, 0 to 1.
    glare : float
        Stray light over the whole frame, as a share of the bare light box: the same whatever
        lies on it, and with the box off, as light that leaks in from elsewhere.
    stray : StrayLight or None
        Glare that follows the scene, and light of the room.
    light_seed : int
        Where the lamp is bright and dark. The same for plate and blank, as on a bench.
    """

    surround: Literal["bright", "dark", "holder"] = "bright"
    gap_mm: float = 0.0
    holder_mm: float = 12.0
    card_density: float = 3.5
    brightness: float = 13.0
    uneven: float = 0.1
    vignette: float = 0.2
    glare: float = 0.0
    stray: StrayLight | None = None
    light_seed: int = 0


def light_field(box: LightBox, shape: tuple[int, int], rows: slice) -> NDArray[np.float32]:
    """Return the bare light, 1 at its brightest possible, for some rows of the frame.

    The lamp is a sum of a few slow waves, scaled to 1 - uneven .. 1. The lens falls off as
    ``1 / (1 + k r^2)^2``, the cosine-fourth law with tan(angle)^2 = k r^2, r = 1 in the corner.

    Returns
    -------
    ndarray of float32, shape (rows, N)
    """
    y = np.arange(shape[0], dtype=np.float64)[rows] / max(shape[0] - 1, 1) * 2 - 1
    x = np.arange(shape[1], dtype=np.float64) / max(shape[1] - 1, 1) * 2 - 1
    field = np.ones((y.size, x.size), np.float32)
    if box.uneven > 0:
        rng = effect_streams(box.light_seed)["light"]
        wave = np.zeros_like(field)
        for _ in range(4):  # cos(a + b) = cos a cos b - sin a sin b, so each wave is two products
            fy, fx = rng.uniform(-0.35, 0.35, 2)
            a = 2 * np.pi * fy * y + rng.uniform(0, 2 * np.pi)
            b = 2 * np.pi * fx * x
            wave += np.outer(np.cos(a), np.cos(b)).astype(np.float32)
            wave -= np.outer(np.sin(a), np.sin(b)).astype(np.float32)
        # |wave| <= 4, so the lamp stays within 1 - uneven .. 1 whatever rows are asked for.
        field -= np.float32(box.uneven / 8) * (4 - wave)
    if box.vignette > 0:
        k = (1 - box.vignette) ** -0.5 - 1
        aspect = shape[0] / shape[1]
        share = np.array([aspect**2, 1.0]) * k / (1 + aspect**2)
        fall = (1 + share[0] * y**2).astype(np.float32)[:, None]
        fall = fall + (share[1] * x**2).astype(np.float32)[None, :]
        field /= fall * fall
    return field


def with_glare(transmittance: NDArray[np.float32], glare: float) -> NDArray[np.float32]:
    """Return the transmittance a camera sees through veiling glare.

    ``(T + g) / (1 + g)``: stray light is a constant share of the scene's (McCann and Rizzi,
    J. Soc. Inf. Display 2007, on veiling glare), and the bare light box stays 1.

    Examples
    --------
    >>> float(with_glare(np.float32([0.001]), 0.005)[0])  # D 3.0 reads as D 2.22
    0.005970149...
    """
    if glare == 0:
        return transmittance
    return ((transmittance + np.float32(glare)) / np.float32(1 + glare)).astype(np.float32)
