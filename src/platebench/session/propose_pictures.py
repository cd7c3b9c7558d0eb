"""Propose the pictures on plates that hold several; written into ``session.toml`` where wanted."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from platebench.core.image import MONO_PATTERN, PlateImage
from platebench.core.progress import Progress
from platebench.core.rounding import rounded
from platebench.plate.colours import one_channel
from platebench.plate.finding.find_pictures import Parting, find_pictures
from platebench.plate.job import PlateJob
from platebench.plate.light import Dark, Light
from platebench.plate.look import look_at_plate
from platebench.plate.straighten import plan_straighten, straighten_rows
from platebench.session.edit_file import edit_plate
from platebench.session.jobs import peak_of_job, session_jobs, wanted_plates
from platebench.session.run_plates import PlateOutcome, PlateRun, PlateWork
from platebench.session.settings_file import load_session

SIDES_IN_DOUBT = "its sides are in doubt: set its corners first"
SET_BY_HAND = "it has pictures already, which were left as they are"


@dataclass(frozen=True, slots=True, kw_only=True)
class ProposedPictures:
    """What a plate seems to hold.

    Attributes
    ----------
    parting : Parting
        Of one picture, or where nothing is plain, without boxes.
    why_not : str
        What kept the plate from being looked at, or the pictures from being written.
    written : bool
        The pictures stand in ``session.toml`` now.
    """

    parting: Parting
    why_not: str = ""
    written: bool = False


def propose_pictures(
    folder: Path,
    plates: Sequence[str] = (),
    *,
    write: bool = False,
    workers: int | None = None,
    memory: int | None = None,
    progress: Progress | None = None,
) -> list[PlateOutcome[ProposedPictures]]:
    """Look for gaps between pictures on plates and return what each seems to hold.

    Parameters
    ----------
    folder : Path
        The session folder.
    plates : sequence of str
        Ids; none: all that are not left out.
    write : bool
        Write what was found into ``session.toml``, for plates that have no pictures there.
    workers, memory : int or None
        Plates at a time and bytes that may be taken; None: as much as there is.
    progress : Progress or None
        Told of each plate.

    Raises
    ------
    PlateError
        If the session as a whole cannot be worked on.
    """
    settings = load_session(folder)
    wanted = wanted_plates(folder, settings, plates)
    run = PlateRun(folder, settings, folder, workers, memory, progress)
    jobs = session_jobs(folder, folder, wanted, progress=progress)
    work = PlateWork(what="plates", task=pictures_on, lit=_lit, peak=peak_of_job)
    outcomes = run.outcomes(work, jobs)
    return [_written(folder, outcome) for outcome in outcomes] if write else outcomes


def pictures_on(job: PlateJob) -> ProposedPictures:
    """Return what one plate seems to hold: the unit of work.

    Raises
    ------
    PlateError
        If it cannot be read.
    """
    view = look_at_plate(job)
    if not view.found.found or view.found.doubts:
        return ProposedPictures(parting=Parting(), why_not=SIDES_IN_DOUBT)
    small = view.small
    pixels = one_channel(small.pixels, by_green=view.by_green)
    grey = PlateImage(pixels=pixels, valid=small.valid, pattern=MONO_PATTERN)
    plan = plan_straighten(grey.shape, small.places(view.found.corners))
    plate, _ = straighten_rows(grey, plan, 0, plan.shape[0])
    parting = find_pictures(plate, positive=view.info.shows_positive)
    return ProposedPictures(
        parting=parting, why_not=SET_BY_HAND if parting.boxes and job.settings.pictures else ""
    )


def _written(
    folder: Path, outcome: PlateOutcome[ProposedPictures]
) -> PlateOutcome[ProposedPictures]:
    made = outcome.made
    if made is None or made.why_not or not made.parting.boxes:
        return outcome
    pictures = [{"box": [rounded(share, 4) for share in box]} for box in made.parting.boxes]
    edit_plate(folder, outcome.plate_id, {"pictures": pictures}, expected={"pictures": None})
    return replace(outcome, made=replace(made, written=True))


def _lit(job: PlateJob, light: Light | None, dark: Dark | None) -> PlateJob:
    return replace(job, light=light, dark=dark)
