"""Read the wedge on a plate that was exposed through a step tablet."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from platebench.core.errors import SpotError
from platebench.measure.patch import evenness_error, mapped, read_patch
from platebench.measure.spot import Probe, Spot, SpotReading, read_spots, reading_of
from platebench.measure.tablet.find_tablet import FoundTablet, find_tablet

WHOLE = (21, 31)  # steps of the common tablets


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class WedgeReading:
    """A wedge on a plate that was exposed through a step tablet.

    Attributes
    ----------
    steps : tuple of (int, SpotReading)
        By the number of the tablet's step they lay under: the densest under the thinnest.
    fog : SpotReading or None
        Base plus fog; None where no place was named.
    found : FoundTablet
    note : str
        How the steps were numbered.
    """

    steps: tuple[tuple[int, SpotReading], ...]
    fog: SpotReading | None
    found: FoundTablet
    note: str


def read_wedge(
    probe: Probe, fog: Spot | None = None, first_step: int | None = None
) -> WedgeReading:
    """Find the wedge on an exposed plate and read its steps.

    Parameters
    ----------
    fog : Spot or None
        Where the plate was developed but not exposed.
    first_step : int or None
        Number of the densest step that is seen; None: 1, if that end of the wedge stands clear.

    Raises
    ------
    SpotError
        If there is no wedge, or its dense end cannot be told and nothing says which step it is.
    """
    found = find_tablet(probe.image)
    if found is None:
        raise SpotError(
            probe.view.info.path,
            "shows no wedge of steps",
            "read single places, or look whether the steps are even",
            "at",
        )
    first, note = _numbering(probe, found, first_step)
    back = np.asarray(np.linalg.inv(probe.framing.plan.source), np.float64)
    steps = []
    for place, quad in enumerate(found.quads):
        patch = read_patch(probe.image, quad, robust=True, noise=probe.noise)
        if patch is None:
            continue
        middle = mapped(quad, back)
        y, x = middle.mean(axis=0)
        side = float(
            np.sqrt(abs(np.linalg.det(np.stack([middle[1] - middle[0], middle[3] - middle[0]]))))
        )
        number = first + found.steps - 1 - place
        steps.append((number, _of_step(reading_of(probe, patch, float(x), float(y), side))))
    fog_reading = None if fog is None else _of_step(read_spots(probe, [fog])[0])
    return WedgeReading(steps=tuple(steps[::-1]), fog=fog_reading, found=found, note=note)


def _of_step(reading: SpotReading) -> SpotReading:
    """Return a reading whose error is that of a step: grain is no error of a place, but of a step.

    See :func:`platebench.measure.patch.evenness_error`.
    """
    uneven = evenness_error(reading.spread)
    if reading.photon_sigma is None or reading.calibration_sigma is None:
        return reading
    sampled = max(reading.photon_sigma, uneven)
    both = float(np.hypot(sampled, reading.calibration_sigma))
    return replace(reading, photon_sigma=sampled, sigma=both)


def _numbering(probe: Probe, found: FoundTablet, first_step: int | None) -> tuple[int, str]:
    """Return the number of the densest step, and how it is known.

    A step too many or too few at the dense end is half a stop of speed, and nothing else shows it.
    """
    if first_step is not None:
        return first_step, f"steps are numbered from {first_step}, the densest, as you gave it"
    if found.clear[1]:
        return 1, "steps are numbered from the dense end of the wedge, which stands clear"
    if found.steps in WHOLE and found.ends == ("seen", "seen"):
        return 1, f"{found.steps} steps are seen: they are taken for the whole of the tablet"
    why = (
        "the frame cuts off its dense end"
        if found.ends[1] == "frame"
        else "its dense end does not stand clear of what lies beyond"
    )
    thin = [
        f"{n - found.steps + 1} of a tablet of {n}"
        for n in WHOLE
        if found.clear[0] and n >= found.steps
    ]
    hint = f", counted from the thin end: {', '.join(thin)}" if thin else ""
    raise SpotError(
        probe.view.info.path,
        f"shows {found.steps} steps of a wedge, and {why}",
        f"say which step of the tablet the densest lay under{hint}",
        "first_step",
    )
