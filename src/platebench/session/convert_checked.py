"""Converting and checking a plate in one go: its captures are read, and the plate found, once."""

from __future__ import annotations

from dataclasses import dataclass, replace

from platebench.core.errors import PlateError
from platebench.core.image import SensorFrame
from platebench.measure.checks import NoiseModel
from platebench.measure.checks.dust import Specks
from platebench.plate.job import PlateJob, PlateResult
from platebench.plate.look import PlateView
from platebench.session.check_frames import CheckedFrames
from platebench.session.check_session import (
    CheckTask,
    check_frames_of_plate,
    checked_captures,
    read_frames,
    view_of,
)
from platebench.session.convert_plate import convert_and_record
from platebench.session.jobs import peak_of_job
from platebench.session.room import Peak, peak_of


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CheckedConversion:
    """The unit of work; a callable that can be sent to workers.

    Attributes
    ----------
    noise : NoiseModel or None
    specks : Specks or None
        Of the session's blank frames.
    light_failed : bool
        There are blank or dark frames, which cannot be used.
    """

    noise: NoiseModel | None
    specks: Specks | None
    light_failed: bool

    @classmethod
    def by(cls, frames: CheckedFrames) -> CheckedConversion:
        """Return the work for a session whose frames were checked."""
        return cls(
            noise=frames.noise, specks=frames.specks, light_failed=frames.trouble is not None
        )

    def __call__(self, job: PlateJob) -> PlateResult:
        """Check a plate's captures and convert it; what is found goes with the result.

        Returns
        -------
        PlateResult
            With the error where it could not be converted: its check is known all the same.
        """
        task = CheckTask(
            job=job, noise=self.noise, specks=self.specks, light_failed=self.light_failed
        )
        frames = read_frames(job)
        whole = [frame for frame in frames if isinstance(frame, SensorFrame)]
        view: PlateView | PlateError | None = None
        if len(frames) == len(whole) == 1:
            view = view_of(job, whole[0])
        checks = checked_captures(task, check_frames_of_plate(task, frames, view=view))
        try:
            for frame in frames:
                if isinstance(frame, PlateError):
                    raise frame
            if isinstance(view, PlateError):
                raise view
            made = convert_and_record(job, view=view, frames=whole)
        except PlateError as error:
            made = PlateResult(plate_id=job.plate_id, error=error.with_traceback(None))
        return replace(made, checks=tuple(checks))


def peak_of_checked(job: PlateJob) -> Peak:
    """Return the memory one worker takes at its peak, for the greedier of the two."""
    return max(peak_of_job(job), peak_of("check", job.captures), key=lambda peak: peak.bytes)
