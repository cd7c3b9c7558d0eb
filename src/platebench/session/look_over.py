"""One look at many plates before they are converted: by each plate's captures, on workers."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, TypeVar

from platebench.core.errors import PlateError
from platebench.core.memory import cores
from platebench.core.progress import Progress
from platebench.core.settings import PlateSettings, SessionSettings
from platebench.plate.job import PlateJob
from platebench.session.jobs import prepare_light
from platebench.session.pool import run_all
from platebench.session.room import Peak

Found = TypeVar("Found")


def look_over(
    task: Callable[[PlateJob], Found],
    folder: Path,
    plates: Sequence[PlateSettings],
    settings: SessionSettings,
    *,
    what: str,
    peak: Callable[[PlateJob], Peak],
    workers: int | None,
    memory: int | None,
    progress: Progress | None,
    light_needed: bool = True,
) -> list[Found | PlateError]:
    """Return what a look at each plate found, or why it could not be had.

    Parameters
    ----------
    task : callable
        That can be sent to workers.
    plates : sequence of PlateSettings
        Those to look at, with the light of ``settings``.
    light_needed : bool
        False looks without light and dark frames where these cannot be used.

    Raises
    ------
    PlateError
        If the light is needed and cannot be used.
    """
    light: Any = None
    dark: Any = None
    try:
        light, dark = prepare_light(folder, settings, progress, memory)
    except PlateError:
        if light_needed:
            raise
    jobs = [
        PlateJob(
            folder=folder, output=folder, settings=plate, scan=settings.scan, light=light, dark=dark
        )
        for plate in plates
    ]
    return run_all(
        task,
        jobs,
        name_of=lambda job: job.plate_id,
        workers=workers or cores(),
        what=what,
        progress=progress,
        peak=peak,
        memory=memory,
    )
