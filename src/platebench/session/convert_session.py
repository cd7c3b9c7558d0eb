"""A whole session: settings, light, every plate that needs it, proof sheet, report."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TypeAlias

from platebench.core.errors import ExitCode, PlateError, WriteError
from platebench.core.progress import Progress
from platebench.plate.job import (
    PICTURES,
    POSITIVES,
    PREVIEWS,
    RECORDS,
    PlateJob,
    PlateResult,
    PrintingEnds,
)
from platebench.plate.light import Dark, Light
from platebench.session import convert_plate as convert
from platebench.session.check_file import CheckedCapture, keep_checks
from platebench.session.check_frames import CheckedFrames, check_frames
from platebench.session.check_session import check_session, exit_code_of_check, told_together
from platebench.session.convert_checked import CheckedConversion, peak_of_checked
from platebench.session.convert_plate import convert_and_record, files_of
from platebench.session.jobs import peak_of_job, session_jobs, wanted_plates
from platebench.session.parts import MadeFrom
from platebench.session.readable_report import write_readable_report
from platebench.session.record import (
    Known,
    earlier_ends,
    earlier_result,
    fingerprint_of,
)
from platebench.session.room import Peak
from platebench.session.run_plates import PlateRun, PlateWork, exit_code_of, result_of
from platebench.session.session_log import SessionLog, load_session_log
from platebench.session.session_report import (
    IN_PARTS,
    OUTPUT_NAME,
    TRUE_SIZE,
    left_from_earlier,
    session_files,
    write_proofs,
    write_report,
    write_true_size_pages,
)
from platebench.session.settings_file import load_session
from platebench.write.paper_page import GroundName

Task: TypeAlias = Callable[[PlateJob], PlateResult]


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
    checked : tuple of CheckedCapture
        What was found in the captures; empty where nobody asked.
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
    checked: tuple[CheckedCapture, ...] = ()

    @property
    def exit_code(self) -> ExitCode:
        """OK, PARTIAL, or the first plate's own code where all failed."""
        code = exit_code_of(self.results)
        again = exit_code_of_check(self.checked) is not ExitCode.OK
        return ExitCode.PARTIAL if (self.errors or again) and code is ExitCode.OK else code


def convert_session(
    folder: Path,
    *,
    output: Path | None = None,
    force: bool = False,
    workers: int | None = None,
    memory: int | None = None,
    true_size: bool = False,
    check: bool = False,
    ground: GroundName | None = None,
    progress: Progress | None = None,
    task: Task = convert_and_record,
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
    check : bool
        Also check every capture, as :func:`platebench.session.check_session.check_session` does;
        what is to be converted is read once for both.
    ground : {"black", "white"} or None
        What the prints of the proof sheet lie on; None: as it was made last, black at first.
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
    settings = load_session(folder)
    log = load_session_log(folder, settings.rights)
    known = {} if known is None else known  # pictures hashed once for records and reports
    wanted_plates(folder, settings)
    output = folder / OUTPUT_NAME if output is None else output
    run = PlateRun(folder, settings, output, workers, memory, progress)
    jobs = [
        replace(job, fingerprint=fingerprint_of(job), force=force)
        for job in session_jobs(folder, output, settings, log, progress, known)
    ]
    if output.exists() and not output.is_dir():
        raise WriteError(output, "it is a file", "choose another folder", "output")
    if output.resolve() == folder.resolve():  # a proof sheet there would be drafted as a plate
        raise WriteError(output, "it is the folder of captures", "choose another", "output")
    of_plates = [path for job in jobs for path in (*files_of(job), job.record)]
    of_session = session_files(output)
    several = any(job.settings.pictures for job in jobs)
    places = POSITIVES, PREVIEWS, RECORDS, *([PICTURES] if several else [])
    with run.writing((*of_plates, *of_session), owned=of_session, kind="report", below=places):
        frames = check_frames(folder, settings, progress, memory) if check else None
        if frames is not None:
            task = CheckedConversion.by(frames)
            if frames.trouble is None:
                run.light = frames.light, frames.dark
        results = _convert(run, jobs, task, known, peak_of_checked if check else peak_of_job)
        checked = [] if frames is None else _checked(run, frames, results)
        made = _session_files(run, results, log, known, true_size=true_size, ground=ground)
        return replace(made, checked=tuple(checked))


def _checked(
    run: PlateRun, frames: CheckedFrames, results: Sequence[PlateResult]
) -> list[CheckedCapture]:
    """Return the check of every capture, and keep it for the report.

    Plates that were left as they are have not been read: they are checked by themselves.
    """
    found = {result.plate_id: list(result.checks) for result in results if result.checks}
    others = [result.plate_id for result in results if not result.checks]
    if others:
        more = check_session(
            run.folder,
            only=others,
            workers=run.workers,
            memory=run.memory,
            progress=run.progress,
        )
        for entry in more:
            found.setdefault(entry.plate_id, []).append(entry)
    in_order = [entry for result in results for entry in found.get(result.plate_id, [])]
    checked = told_together(run.settings, frames, in_order)
    keep_checks(run.folder, run.output, checked)
    return checked


def _convert(
    run: PlateRun,
    jobs: Sequence[PlateJob],
    task: Task,
    known: Known,
    peak: Callable[[PlateJob], Peak],
) -> list[PlateResult]:
    """Return a result for every job, in order, converting what has changed."""

    def results_of(
        what: str,
        task: Task,
        earlier: Callable[[PlateJob], PlateResult | None],
        some: list[PlateJob],
    ) -> list[PlateResult]:
        work = PlateWork(what=what, task=task, earlier=earlier, lit=_lit, peak=peak)
        return [result_of(outcome) for outcome in run.outcomes(work, some)]

    shared = [job for job in jobs if job.settings.printing == "shared"]
    measured = results_of("measuring", convert.measure_plate, _measured_earlier, shared)
    done = {result.plate_id: result for result in measured if result.error}
    ends = {result.plate_id: result.ends for result in measured if result.ends}
    if ends:  # a scan that shows a positive is not printed, alike or otherwise
        together = shared_ends(list(ends.values()))
        jobs = [_printed_by(job, together) if job.plate_id in ends else job for job in jobs]
    ready = [job for job in jobs if job.plate_id not in done]
    for result in results_of("plates", task, lambda job: _converted_earlier(job, known), ready):
        done[result.plate_id] = result
    return [done[job.plate_id] for job in jobs]


def _converted_earlier(job: PlateJob, known: Known) -> PlateResult | None:
    return None if job.force else earlier_result(job, known)


def _measured_earlier(job: PlateJob) -> PlateResult | None:
    ends = None if job.force else earlier_ends(job)
    return None if ends is None else PlateResult(plate_id=job.plate_id, ends=ends)


def _lit(job: PlateJob, light: Light | None, dark: Dark | None) -> PlateJob:
    return replace(job, light=light, dark=dark)


def _printed_by(job: PlateJob, ends: PrintingEnds) -> PlateJob:
    job = replace(job, ends=ends)
    return replace(job, fingerprint=fingerprint_of(job))


def _session_files(
    run: PlateRun,
    results: list[PlateResult],
    log: SessionLog,
    known: Known,
    *,
    true_size: bool,
    ground: GroundName | None,
) -> SessionResult:
    """Write what shows the whole session."""
    folder, output, settings = run.folder, run.output, run.settings
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

    def others_gone() -> tuple[Path, ...]:
        made_from.remove_others(*IN_PARTS)
        return ()

    def true_size_pages() -> tuple[Path, ...]:
        path, made = write_true_size_pages(output, settings, results, run.progress)
        left_off.extend(made.left_out)
        return (path,)

    left_off: list[tuple[str, str]] = []
    made_from = MadeFrom(output, ground)
    more = run.progress, known
    files += kept(lambda: write_proofs(output, settings, results, made_from, *more))
    files += kept(
        lambda: write_readable_report(folder, output, settings, results, made_from, remarks, *more)
    )
    if not errors:
        kept(others_gone)
    made_from.keep()
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
    sized = [r for r in results if r.error is None and r.record and r.record.size_mm]
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
