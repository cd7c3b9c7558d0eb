"""Many plates: each outcome a value, in the order of the session."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Protocol, TypeVar

from platebench.core.errors import ExitCode, PlateError
from platebench.core.progress import Progress
from platebench.plate.job import PlateResult
from platebench.session.pool import run_all
from platebench.session.room import Peak


class OfPlate(Protocol):
    """A work order that names its plate."""

    @property
    def plate_id(self) -> str:
        """Name of the plate."""


J = TypeVar("J", bound=OfPlate)


def run_batch(
    task: Callable[[J], PlateResult],
    jobs: Sequence[J],
    *,
    workers: int = 1,
    what: str = "plates",
    progress: Progress | None = None,
    peak: Callable[[J], Peak] | None = None,
    memory: int | None = None,
) -> list[PlateResult]:
    """Return one result a job, in order; a plate that failed has its ``error`` set.

    ``task`` and the other parameters are those of :func:`platebench.session.pool.run_all`.
    """
    outcomes = run_all(
        task,
        jobs,
        name_of=plate_id_of,
        workers=workers,
        what=what,
        progress=progress,
        peak=peak,
        memory=memory,
    )
    return [
        PlateResult(plate_id=job.plate_id, error=outcome)
        if isinstance(outcome, PlateError)
        else outcome
        for job, outcome in zip(jobs, outcomes, strict=True)
    ]


def plate_id_of(job: OfPlate) -> str:
    """Return the name of a job's plate."""
    return job.plate_id


def exit_code_of(results: Sequence[PlateResult]) -> ExitCode:
    """Return OK if all plates worked, PARTIAL if some did, else the first error's own code."""
    errors = [result.error for result in results if result.error is not None]
    if not errors:
        return ExitCode.OK
    return ExitCode.PARTIAL if len(errors) < len(results) else errors[0].exit_code
