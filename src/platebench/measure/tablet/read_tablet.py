"""Read the density of each step of a tablet."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from platebench.core.errors import TabletError
from platebench.core.image import PlateImage
from platebench.measure.patch import (
    COLOURS,
    LN10,
    PatchReading,
    density_of,
    evenness_error,
    read_patch,
)
from platebench.measure.site_noise import SiteNoise
from platebench.measure.tablet.comb import LEAST_STEPS
from platebench.measure.tablet.find_tablet import FoundTablet, find_tablet
from platebench.plate.light import LEVEL_REFUSED

_DARKEST = 1e-5  # transmittance; below it a step holds nothing
_LEAST_SNR = 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class StepReading:
    """One step as the camera sees it, glare and all.

    Attributes
    ----------
    place : int
        Which step it is of those in the frame, 0 the thinnest.
    transmittance, sigma : float
        Robust mean over the step's inner area, over the bare light; and its standard error.
    density, density_sigma : float
        The same as density.
    red, green, blue : float or None
        Densities by the camera's own channels; None where there are none.
    spread : float
        Standard deviation between parts of the step, D.
    sites : int
        Photosites averaged.
    left_out : float
        Share of the inner area left out as dust.
    """

    place: int
    transmittance: float
    sigma: float
    density: float
    density_sigma: float
    red: float | None
    green: float | None
    blue: float | None
    spread: float
    sites: int
    left_out: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TabletReading:
    """A tablet, read.

    Attributes
    ----------
    found : FoundTablet
        Where it lies.
    steps : tuple of StepReading
        Thinnest first.
    notes : tuple of str
        What a person should know, in plain words.
    """

    found: FoundTablet
    steps: tuple[StepReading, ...]
    notes: tuple[str, ...]


def read_tablet(image: PlateImage, path: Path, noise: SiteNoise | None = None) -> TabletReading:
    """Find a step tablet in a capture and read its steps.

    Parameters
    ----------
    image : PlateImage
        Transmittance, stain not taken off.
    path : Path
        The capture, for messages.
    noise : SiteNoise, optional
        Noise of its sites, and the steps in which they were counted.

    Raises
    ------
    TabletError
        If there is no tablet, fewer than four of its steps can be read, or the light around it is
        more than half a stop off the blank's.
    """
    found = find_tablet(image)
    if found is None:
        raise TabletError(
            path,
            "shows no step tablet",
            "lay it flat on the light box, all steps in the frame, and take it again",
        )
    if abs(np.log2(found.level)) > LEVEL_REFUSED:
        raise TabletError(
            path,
            f"lies in {found.level:.2f} times the light of the blank frame",
            "leave lamp, distance and aperture alone between blank and tablet, and take both again",
        )
    return _read_steps(image, found, path, noise)


def _read_steps(
    image: PlateImage, found: FoundTablet, path: Path, noise: SiteNoise | None
) -> TabletReading:
    steps = []
    clipped = 0
    for place, quad in enumerate(found.quads):
        patch = read_patch(image, quad, robust=True, noise=noise)
        if patch is None:
            clipped += 1
            continue
        step = _step(place, patch, found.level)
        if step.transmittance > max(_DARKEST, _LEAST_SNR * step.sigma):
            steps.append(step)
    if len(steps) < LEAST_STEPS:
        raise TabletError(
            path,
            f"shows only {len(steps)} steps of a tablet that can be read",
            f"take it again with at least {LEAST_STEPS} steps in the frame, none clipped",
        )
    return TabletReading(found=found, steps=tuple(steps), notes=_notes(found, steps, clipped))


def _step(place: int, patch: PatchReading, level: float) -> StepReading:
    mean = patch.all
    light = mean.transmittance / level
    # Dust and unevenness of the step itself count, where they exceed the noise of the photosites.
    spread = patch.spread or 0.0
    tiles = evenness_error(spread) * LN10 * max(light, 0.0)
    sigma = max(mean.sigma / level, float(tiles))
    colours = {
        name: density_of(patch.colours[name].transmittance / level) if three else None
        for name in COLOURS
        for three in [len(patch.colours) == 3]
    }
    return StepReading(
        place=place,
        transmittance=light,
        sigma=sigma,
        density=density_of(light),
        density_sigma=sigma / (max(light, 1e-9) * LN10),
        **colours,
        spread=spread,
        sites=mean.sites,
        left_out=patch.left_out,
    )


def _notes(found: FoundTablet, steps: list[StepReading], clipped: int) -> tuple[str, ...]:
    notes = []
    for end, name in zip(found.ends, ("thin", "dense"), strict=True):
        if end == "frame":
            notes.append(f"the frame cuts off the {name} end of the tablet")
    if clipped:
        notes.append(f"{clipped} steps are clipped")
    dusty = [step.place + 1 for step in steps if step.left_out > 0.25]
    if dusty:
        notes.append(f"much dust on step {', '.join(map(str, dusty))} of those in the frame")
    if abs(found.level - 1) > 0.02:
        notes.append(f"bare light changed by {found.level - 1:+z.0%} since the blank; allowed for")
    return tuple(notes)
