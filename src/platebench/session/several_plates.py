"""Which plates a capture shows, where a quick look found more than one: for the draft of a session.

Corners are found in the flattened picture, as conversion would; so the captures in question are
read once more, when it is known which of the others are blank and dark frames.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TypeAlias

from platebench.core.errors import PlateError
from platebench.core.progress import Progress
from platebench.core.settings import Corners, PlateSettings, SessionSettings
from platebench.plate.exposures import read_exposures
from platebench.plate.finding.find_plate import FoundPlate
from platebench.plate.finding.find_plates import TOUCHING
from platebench.plate.finding.overview import find_all_in_overview, overview_of
from platebench.plate.job import PlateJob
from platebench.plate.light import LightSource
from platebench.plate.look import turned_tones
from platebench.session.look_over import look_over
from platebench.session.room import peak_of

PARTED_SIDE = 3400  # pixels of the long side: a twentieth of a frame still has some hundred

Part: TypeAlias = Callable[
    [Sequence[PlateSettings], SessionSettings], "list[tuple[PlateSettings, ...]]"
]
"""From drafted plates and the session's other settings to the plates that each really is."""


def part_captures(
    plates: Sequence[PlateSettings],
    settings: SessionSettings,
    *,
    folder: Path,
    workers: int | None = None,
    memory: int | None = None,
    progress: Progress | None = None,
) -> list[tuple[PlateSettings, ...]]:
    """Return, for each drafted plate, the plates that its captures show, in reading order.

    A capture that cannot be read, or a session without usable light, is left as it is: `check` and
    `convert` give the reason.

    Parameters
    ----------
    plates : sequence of PlateSettings
        One for each framing, without corners.
    settings : SessionSettings
        Its blank, dark and other frames.
    """
    outcomes = look_over(
        plates_shown,
        folder,
        plates,
        settings,
        what="captures of several plates",
        peak=lambda job: peak_of("look", job.captures),
        workers=workers,
        memory=memory,
        progress=progress,
        light_needed=False,
    )
    return [
        (plate,) if isinstance(found, PlateError) else _drafted(plate, found)
        for plate, found in zip(plates, outcomes, strict=True)
    ]


def plates_shown(job: PlateJob) -> tuple[FoundPlate, ...]:
    """Return the plates that a job's captures show.

    Raises
    ------
    PlateError
        If they cannot be read, or there is no light to divide by.
    """
    exposures = read_exposures(job)
    seen = overview_of(exposures.picture(), PARTED_SIDE)
    if exposures.info.shows_positive:
        seen = turned_tones(seen)
    known = exposures.light.source is not LightSource.SCANNER
    return find_all_in_overview(seen, light_known=known)


def parting(folder: Path, **how: int | Progress | None) -> Part:
    """Return what parts the captures of a folder; ``how`` as for :func:`part_captures`."""
    return partial(part_captures, folder=folder, **how)  # type: ignore[arg-type]


def _drafted(plate: PlateSettings, found: Sequence[FoundPlate]) -> tuple[PlateSettings, ...]:
    if len(found) < 2:
        # What else is odd about one plate, conversion sees by itself.
        touching = any(TOUCHING in one.doubts for one in found)
        return (replace(plate, doubt=TOUCHING if touching else ""),)
    return tuple(
        replace(plate, corners=_corners(one), doubt="; ".join(one.doubts)) for one in found
    )


def _corners(found: FoundPlate) -> Corners:
    first, second, third, fourth = (
        (round(float(row), 1), round(float(column), 1)) for row, column in found.corners
    )
    return first, second, third, fourth
