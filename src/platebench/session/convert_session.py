"""A whole session: settings, light, every plate that needs it, proof sheet, report."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path

from platebench.core.errors import ExitCode, PlateError, SessionFolderError
from platebench.core.files import remove_unfinished
from platebench.core.locks import only_writer
from platebench.core.memory import cores
from platebench.core.progress import NullProgress, Progress
from platebench.core.settings import SESSION_FILE, SessionSettings
from platebench.plate.job import POSITIVES, PREVIEWS, RECORDS, PlateJob, PlateResult, PrintingEnds
from platebench.plate.light import Dark, Light
from platebench.session import convert_plate as convert
from platebench.session.batch import exit_code_of, run_batch
from platebench.session.convert_plate import convert_and_record
from platebench.session.jobs import check_output, peak_of_job, plate_jobs, prepare_light
from platebench.session.readable_report import write_readable_report
from platebench.session.record import (
    Known,
    earlier_ends,
    earlier_result,
    fingerprint_of,
    hash_files,
)
from platebench.session.session_log import SessionLog, load_session_log
from platebench.session.session_report import (
    OUTPUT_NAME,
    TRUE_SIZE,
    left_from_earlier,
    write_proofs,
    write_report,
    write_true_size_pages,
)
from platebench.session.settings_file import load_session


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SessionResult:
    """Outcome of a session.

    Attributes
    ----------
    folder, output : Path
        The session folder and the folder of results.
    results : tuple of PlateResult
        In the order of ``session.toml``; plates with ``skip`` are not among them.
    left_out : tuple of str
        Ids of the plates with ``skip``.
    left_from_earlier : tuple of str
        Ids of plates whose positives an earlier run made and that are no longer listed.
    log_remarks : tuple of str
        What does not fit between plate log and session.
    files : tuple of Path
        Files of the whole session: report, proof sheet, its pages.
    not_true_size : tuple of (str, str)
        Ids of plates left out of the pages at true size, and why.
    errors : tuple of PlateError
        Why some of these could not be made; the plates' own are in ``results``.
    """

    folder: Path
    output: Path
    results: tuple[PlateResult, ...]
    left_out: tuple[str, ...]
    left_from_earlier: tuple[str, ...]
    log_remarks: tuple[str, ...]
    files: tuple[Path, ...]
    not_true_size: tuple[tuple[str, str], ...] = ()
    errors: tuple[PlateError, ...] = ()

    @property
    def exit_code(self) -> ExitCode:
        """OK, PARTIAL, or the first plate's own code where all failed."""
        code = exit_code_of(self.results)
        return ExitCode.PARTIAL if self.errors and code is ExitCode.OK else code


def convert_session(
    folder: Path,
    *,
    output: Path | None = None,
    force: bool = False,
    workers: int | None = None,
    memory: int | None = None,
    true_size: bool = False,
    progress: Progress | None = None,
    task: Callable[[PlateJob], PlateResult] = convert_and_record,
    known: Known | None = None,
) -> SessionResult:
    """Convert the plates of a session and write its proof sheet and report.

    Another run that writes into the same folder is waited for.

    Plates that were done before and have not changed are left as they are. A positive that somebody
    has changed since is never replaced, unless ``force`` says so: its plate fails.

    Parameters
    ----------
    folder : Path
        The session folder, holding ``session.toml``. Nothing in it is changed but ``output``.
    output : Path or None
        Folder of results; None: ``converted`` in the session folder.
    force : bool
        Convert every plate, done before or not, positives that somebody has changed as well.
    workers : int or None
        Plates at a time, bounded by memory; None: as many as there are cores.
    memory : int or None
        Bytes that may be taken; None: most of what is available.
    true_size : bool
        Also write a PDF with every plate at its true size. One that is there is kept up to date.
    progress : Progress or None
        Told of each plate.
    task : callable
        The unit of work; one of your own may wrap :func:`convert_and_record`.
    known : dict, optional
        Digests from earlier runs of the same process, added to; see `hash_files`.

    Returns
    -------
    SessionResult
        A plate that failed is a result with its error.

    Raises
    ------
    PlateError
        If the session as a whole cannot be worked on: settings, blank frames, output folder.
    """
    settings, log = load_session(folder), load_session_log(folder)
    output = folder / OUTPUT_NAME if output is None else output
    run = _Run(folder, output, settings, force, workers, memory, progress or NullProgress(), known)
    jobs = run.jobs(log)
    check_output(folder, output, jobs, settings)
    with only_writer(output, run.progress):
        return _convert(run, jobs, task, log, true_size=true_size)


def _convert(
    run: _Run,
    jobs: Sequence[PlateJob],
    task: Callable[[PlateJob], PlateResult],
    log: SessionLog,
    *,
    true_size: bool,
) -> SessionResult:
    """Convert what has to be, and write what shows the whole session."""
    folder, output, settings = run.folder, run.output, run.settings
    try:
        results = run.convert(jobs, task)
    finally:
        for name in (POSITIVES, PREVIEWS, RECORDS):
            remove_unfinished(output / name)
    left_out = tuple(plate.id for plate in settings.plates if plate.skip)
    remarks = log.remarks([plate.id for plate in settings.plates])
    errors: list[PlateError] = []
    files: tuple[Path, ...] = ()

    def kept(write: Callable[[], tuple[Path, ...]]) -> tuple[Path, ...]:
        """Return the files written; an error of theirs is for the end, it hides no plate."""
        try:
            return write()
        except PlateError as error:
            errors.append(error)
            return ()

    def report(not_true_size: Sequence[tuple[str, str]] = ()) -> tuple[Path, ...]:
        return (write_report(output, settings, results, files, not_true_size, remarks),)

    def true_size_pages() -> tuple[Path, ...]:
        path, made = write_true_size_pages(output, settings, results, run.progress)
        left_off.extend(made.left_out)
        return (path,)

    left_off: list[tuple[str, str]] = []
    files += kept(lambda: write_proofs(output, settings, results, run.progress))
    files += kept(
        lambda: write_readable_report(folder, output, settings, results, remarks, run.progress)
    )
    reported = kept(report)
    if true_size or _true_size_is_stale(output, results):
        files += kept(true_size_pages)
        reported = kept(lambda: report(left_off)) or reported
    return SessionResult(
        folder=folder,
        output=output,
        results=tuple(results),
        left_out=left_out,
        left_from_earlier=left_from_earlier(output, settings),
        log_remarks=remarks,
        files=(*reported, *files),
        not_true_size=tuple(left_off),
        errors=tuple(errors),
    )


def _true_size_is_stale(output: Path, results: Sequence[PlateResult]) -> bool:
    """Tell whether there are pages at true size of plates that have been made anew since."""
    sized = [r for r in results if r.error is None and r.record.get("size_mm")]
    return (output / TRUE_SIZE).exists() and bool(sized) and not all(r.skipped for r in results)


def shared_ends(ends: Sequence[PrintingEnds]) -> PrintingEnds:
    """Return the printing ends that keep the tones of every plate: thinnest to densest.

    Examples
    --------
    >>> shared_ends([PrintingEnds(base_fog=0.2, d_max=1.5), PrintingEnds(base_fog=0.3, d_max=2)])
    PrintingEnds(base_fog=0.2, d_max=2)
    """
    return PrintingEnds(
        base_fog=min(end.base_fog for end in ends), d_max=max(end.d_max for end in ends)
    )


class _Run:
    """One run over a session: what its steps share."""

    def __init__(
        self,
        folder: Path,
        output: Path,
        settings: SessionSettings,
        force: bool,
        workers: int | None,
        memory: int | None,
        progress: Progress,
        known: Known | None,
    ) -> None:
        self.folder, self.output, self.settings, self.force = folder, output, settings, force
        self.wanted = workers or cores()
        self.memory = memory
        self.progress, self.known = progress, known

    @cached_property
    def light(self) -> tuple[Light | None, Dark | None]:
        """The bare light and the dark level, read once and only if a plate needs them."""
        return prepare_light(self.folder, self.settings, self.progress, self.memory)

    def jobs(self, log: SessionLog) -> list[PlateJob]:
        """Return the work orders of all plates that are not left out."""
        settings = self.settings
        plates = [plate for plate in settings.plates if not plate.skip]
        if not plates:
            raise SessionFolderError(
                self.folder / SESSION_FILE, "lists no plates", "add a [[plate]] for each"
            )
        names = [name for plate in plates for name in plate.captures]
        paths = [self.folder / name for name in (*names, *settings.blank, *settings.dark)]
        digests = hash_files(paths, self.progress, self.known)
        return plate_jobs(self.folder, self.output, settings, digests, log)

    def convert(
        self, jobs: Sequence[PlateJob], task: Callable[[PlateJob], PlateResult]
    ) -> list[PlateResult]:
        """Return a result for every job, in order, converting what has changed."""
        results: dict[str, PlateResult] = {}
        ready = [replace(job, fingerprint=fingerprint_of(job)) for job in jobs]
        shared = [job for job in jobs if job.settings.printing == "shared"]
        if shared:
            ends, failed = self._measure(shared)
            results.update(failed)
            together = shared_ends(list(ends.values())) if ends else None
            ready = [
                _with_fingerprint(replace(job, ends=together)) if job.plate_id in ends else job
                for job in ready
                if job.plate_id not in failed
            ]
        to_do = []
        for job in ready:
            earlier = None if self.force else earlier_result(job, self.known)
            if earlier:
                results[job.plate_id] = earlier
            else:
                to_do.append(job)
        results.update(self._run(task, to_do, "plates"))
        return [results[job.plate_id] for job in jobs]

    def _measure(
        self, jobs: Sequence[PlateJob]
    ) -> tuple[dict[str, PrintingEnds], dict[str, PlateResult]]:
        """First pass of shared printing: every plate's own ends, and the plates that failed."""
        ends: dict[str, PrintingEnds] = {}
        to_do = []
        for job in jobs:
            known = None if self.force else earlier_ends(job)
            if known:
                ends[job.plate_id] = known
            else:
                to_do.append(job)
        failed: dict[str, PlateResult] = {}
        for plate_id, result in self._run(convert.measure_plate, to_do, "measuring").items():
            if result.ends:
                ends[plate_id] = result.ends
            elif result.error:  # a scan that shows a positive is not printed, alike or otherwise
                failed[plate_id] = result
        return ends, failed

    def _run(
        self, task: Callable[[PlateJob], PlateResult], jobs: Sequence[PlateJob], what: str
    ) -> dict[str, PlateResult]:
        if not jobs:
            return {}
        light, dark = self.light
        jobs = [replace(job, light=light, dark=dark, force=self.force) for job in jobs]
        results = run_batch(
            task,
            jobs,
            workers=self.wanted,
            what=what,
            progress=self.progress,
            peak=peak_of_job,
            memory=self.memory,
        )
        return {result.plate_id: result for result in results}


def _with_fingerprint(job: PlateJob) -> PlateJob:
    return replace(job, fingerprint=fingerprint_of(job))
