"""The one loop of all commands on plates: refuse, lock, skip what is done, run, tidy up.

A command is one file: it says which jobs there are and, as a :class:`PlateWork`, what is done with
one of them; what it writes for the whole session it writes inside :meth:`PlateRun.writing`. One
plate that fails never stops the others.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import cached_property
from operator import attrgetter
from pathlib import Path
from typing import Any, Generic, TypeAlias, TypeVar

from platebench.core.errors import ExitCode, PlateError
from platebench.core.files import make_folder, refuse_foreign, remove_unfinished
from platebench.core.locks import only_writer
from platebench.core.memory import cores
from platebench.core.progress import NullProgress, Progress
from platebench.core.settings import SessionSettings
from platebench.plate.job import PlateResult
from platebench.plate.light import Dark, Light
from platebench.session.jobs import prepare_light
from platebench.session.originals import captures_of, refuse_captures, refuse_results
from platebench.session.pool import run_all
from platebench.session.room import Peak

J = TypeVar("J")
M = TypeVar("M")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PlateOutcome(Generic[M]):
    """What became of a plate, as its job names it: what was made, or the error in its place."""

    plate_id: str
    made: M | None = None
    error: PlateError | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PlateWork(Generic[J, M]):
    """What a command does with one plate.

    Attributes
    ----------
    what : str
        Name of the work, for progress.
    task : callable
        Makes something of a job; importable by name where there may be more than one worker.
    earlier : callable or None
        Gives what an earlier run made of a job, if nothing has changed since, else None.
    lit : callable or None
        Puts the session's light and dark level into a job; None where no capture is read. The
        blank frames are read once, and only if a job is left to do.
    peak : callable or None
        Memory that a job takes; None: nothing to speak of.
    name_of : callable
        Name of a job's plate, for messages.
    """

    what: str
    task: Callable[[J], M]
    earlier: Callable[[J], M | None] | None = None
    lit: Callable[[J, Light | None, Dark | None], J] | None = None
    peak: Callable[[J], Peak] | None = None
    name_of: Callable[[J], str] = attrgetter("plate_id")


@dataclass(eq=False)
class PlateRun:
    """One run of a command over plates of a session.

    Attributes
    ----------
    folder : Path
        The session folder.
    settings : SessionSettings
    output : Path
        Where the command writes.
    workers : int or None
        Plates at a time, bounded by memory; None: as many as there are cores.
    memory : int or None
        Bytes that may be taken; None: most of what is available.
    progress : Progress or None
        Hears of each plate.
    """

    folder: Path
    settings: SessionSettings
    output: Path
    workers: int | None = None
    memory: int | None = None
    progress: Progress | None = None
    _places: tuple[Path, ...] = field(init=False, default=())

    @cached_property
    def light(self) -> tuple[Light | None, Dark | None]:
        """The bare light and the dark level."""
        return prepare_light(self.folder, self.settings, self.progress, self.memory)

    @contextmanager
    def writing(
        self,
        targets: Iterable[Path] = (),
        *,
        results: Path | None = None,
        owned: Iterable[Path] = (),
        kind: str = "",
        below: Sequence[str] = (),
    ) -> Iterator[None]:
        """Hold the folder of results while the block lasts, once nothing speaks against it.

        Another run that writes there is waited for. What killed runs left is removed.

        Parameters
        ----------
        targets : iterable of Path
            Files that will be written; none may be a capture.
        results : Path or None
            Folder that ``convert`` writes; nothing else may be written among its pictures.
        owned, kind
            As for :func:`platebench.core.files.refuse_foreign`.
        below : sequence of str
            Folders in ``output`` that are written into as well.

        Raises
        ------
        WriteError
            If the folder cannot be written, or something there is not to be replaced.
        """
        refuse_captures(targets, captures_of(self.folder, self.settings))
        if results is not None:
            refuse_results(self.output, results)
        refuse_foreign(owned, kind)
        self._places = (self.output, *(self.output / name for name in below))
        for place in self._places:
            make_folder(place)
        with only_writer(self.output, self.progress or NullProgress()):
            self._tidy()
            yield

    def outcomes(self, work: PlateWork[J, M], jobs: Sequence[J]) -> list[PlateOutcome[M]]:
        """Return what became of each job, in order; what is done already is left as it is.

        Raises
        ------
        PlateError
            If the blank frames cannot be used.
        KeyboardInterrupt
            As :func:`platebench.session.pool.run_all`.
        """
        earlier = [work.earlier(job) if work.earlier else None for job in jobs]
        to_do = [job for job, made in zip(jobs, earlier, strict=True) if made is None]
        if to_do and work.lit is not None:
            light, dark = self.light
            to_do = [work.lit(job, light, dark) for job in to_do]
        made_now: list[M | PlateError] = []
        if to_do:
            try:
                made_now = run_all(
                    work.task,
                    to_do,
                    name_of=work.name_of,
                    workers=self.workers or cores(),
                    what=work.what,
                    progress=self.progress,
                    peak=work.peak,
                    memory=self.memory,
                )
            finally:
                self._tidy()
        made = iter(made_now)
        return [
            _outcome(work.name_of(job), next(made) if before is None else before)
            for job, before in zip(jobs, earlier, strict=True)
        ]

    def _tidy(self) -> None:
        for place in self._places or (self.output,):
            remove_unfinished(place)


Ended: TypeAlias = PlateOutcome[Any] | PlateResult


def result_of(outcome: PlateOutcome[PlateResult]) -> PlateResult:
    """Return a plate's result, or one with its error."""
    return outcome.made or PlateResult(plate_id=outcome.plate_id, error=outcome.error)


def made_or_raise(outcomes: Sequence[PlateOutcome[M]]) -> list[M]:
    """Return what was made of every plate, or raise the error of the first that failed."""
    for outcome in outcomes:
        if outcome.error is not None:
            raise outcome.error
    return [outcome.made for outcome in outcomes if outcome.made is not None]


def exit_code_of(results: Sequence[Ended]) -> ExitCode:
    """Return OK if all plates worked, PARTIAL if some did, else the first error's own code."""
    errors = [result.error for result in results if result.error is not None]
    if not errors:
        return ExitCode.OK
    return ExitCode.PARTIAL if len(errors) < len(results) else errors[0].exit_code


def _outcome(plate_id: str, ended: M | PlateError) -> PlateOutcome[M]:
    if isinstance(ended, PlateError):  # its frames would keep pictures in memory
        return PlateOutcome(plate_id=plate_id, error=ended.with_traceback(None))
    return PlateOutcome(plate_id=plate_id, made=ended)
