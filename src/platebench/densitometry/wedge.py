"""Read the wedge on a plate that was exposed through a step tablet."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from platebench.densitometry.spot import Probe, Spot, SpotReading, read_spot, reading_of
from platebench.errors import SpotError
from platebench.stages.find_tablet import FoundTablet, find_tablet
from platebench.stages.patch import mapped, read_patch


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class WedgeReading:
    """A wedge on a plate that was exposed through a step tablet.

    Attributes
    ----------
    steps : tuple of (int, SpotReading)
        Numbered from the dense end, which lay under the thinnest step of the tablet.
    base_fog : float or None
        Density of base plus fog; None where no place was named.
    found : FoundTablet
    """

    steps: tuple[tuple[int, SpotReading], ...]
    base_fog: float | None
    found: FoundTablet


def read_wedge(probe: Probe, fog: Spot | None = None) -> WedgeReading:
    """Find the wedge on an exposed plate and read its steps.

    Parameters
    ----------
    fog : Spot or None
        Where the plate was developed but not exposed.

    Raises
    ------
    SpotError
        If there is no wedge.
    """
    found = find_tablet(probe.view.image)
    if found is None:
        raise SpotError(
            probe.view.info.path,
            "shows no wedge of steps",
            "read single places with --at, or look whether the steps are even",
        )
    back = np.asarray(np.linalg.inv(probe.framing.plan.source), np.float64)
    steps = []
    for place, quad in enumerate(found.quads):
        patch = read_patch(probe.view.image, quad, robust=True, noise=probe.noise)
        if patch is None:
            continue
        middle = mapped(quad, back)
        y, x = middle.mean(axis=0)
        side = float(
            np.sqrt(abs(np.linalg.det(np.stack([middle[1] - middle[0], middle[3] - middle[0]]))))
        )
        steps.append((found.steps - place, reading_of(probe, patch, float(x), float(y), side)))
    base_fog = None if fog is None else read_spot(probe, fog).density
    return WedgeReading(steps=tuple(steps[::-1]), base_fog=base_fog, found=found)
