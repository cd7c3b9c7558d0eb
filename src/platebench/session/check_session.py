"""Check the captures of a session, before anyone packs the light box away."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from platebench.core.errors import (
    BracketError,
    CalibrationError,
    ExitCode,
    InputError,
    NoLightReferenceError,
    PlateError,
    SessionFolderError,
)
from platebench.core.formats import format_named
from platebench.core.image import CaptureInfo, CaptureKind, SensorFrame
from platebench.core.memory import cores
from platebench.core.progress import Progress
from platebench.core.settings import SessionSettings
from platebench.measure.checks import CaptureCheck, NoiseModel, Severity, Verdict, check_capture
from platebench.measure.checks.check_capture import with_reach
from platebench.measure.checks.dust import Specks
from platebench.measure.checks.reach import SetUp, set_up_of
from platebench.measure.checks.tilt import judge_session_tilt
from platebench.plate.exposures import read_exposures
from platebench.plate.finding.find_plate import FoundPlate
from platebench.plate.glare import Glare
from platebench.plate.job import PlateJob
from platebench.plate.light import Light
from platebench.plate.look import (
    PlateView,
    calibration_for,
    check_something_there,
    coloured_said,
    look_at_plate,
)
from platebench.plate.shown_tones import Polarity
from platebench.read.capture import read_capture
from platebench.session.check_file import CheckedCapture, asking_for_no_frames, failed
from platebench.session.check_frames import CheckedFrames, check_frames
from platebench.session.jobs import blank_digests, session_calibration
from platebench.session.pool import run_all
from platebench.session.room import peak_of
from platebench.session.scan_hints import scan_hints
from platebench.session.settings_file import FILE_NAME, load_session

_BRACKET = "bracket"  # topic of verdicts on all captures of a plate together
_OF_EXPOSURE = ("exposure", "clipping")  # topics of verdicts a bracket makes up for


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CheckTask:
    """Captures of one plate to be checked.

    Attributes
    ----------
    job : PlateJob
    noise : NoiseModel or None
    specks : Specks or None
        Of the session's blank frames.
    light_failed : bool
        There are blank or dark frames, which cannot be used.
    """

    job: PlateJob
    noise: NoiseModel | None
    specks: Specks | None
    light_failed: bool


Outcome = CaptureCheck | PlateError


def check_session(
    folder: Path,
    *,
    only: Collection[str] | None = None,
    workers: int | None = None,
    memory: int | None = None,
    progress: Progress | None = None,
) -> list[CheckedCapture]:
    """Check the blank frames, the dark frames and every capture of every plate, in that order.

    Parameters
    ----------
    folder : Path
        The session folder, holding ``session.toml``. Nothing in it is changed.
    only : collection of str or None
        Ids of the plates to check; None: all.
    workers : int or None
        Plates at a time, bounded by memory; None: as many as there are cores.
    memory : int or None
        Bytes that may be taken; None: most of what is available.
    progress : Progress or None
        Told of each plate.

    Raises
    ------
    SettingsError, SessionFolderError
        If there is no session to check.
    TabletError
        If there is a calibration that cannot be used.
    """
    settings = load_session(folder)
    if not (settings.plates or settings.blank or settings.dark):
        what = "lists no plates, blank or dark frames"
        raise SessionFolderError(folder / FILE_NAME, what, "name those that are to be checked")
    frames = check_frames(folder, settings, progress, memory)
    tasks = [
        task
        for task in _tasks(folder, settings, frames)
        if only is None or task.job.plate_id in only
    ]
    outcomes = run_all(
        _check_plate,
        tasks,
        name_of=_name_of,
        workers=workers or cores(),
        what="plates",
        progress=progress,
        peak=lambda task: peak_of("check", task.job.captures),
        memory=memory,
    )
    plates = [
        entry
        for task, outcome in zip(tasks, outcomes, strict=True)
        for entry in checked_captures(task, outcome)
    ]
    return told_together(settings, frames, plates)


def told_together(
    settings: SessionSettings, frames: CheckedFrames, plates: Sequence[CheckedCapture]
) -> list[CheckedCapture]:
    """Return checks of a session's frames and plates, as they are told: in order, tilt once."""
    order = [*settings.light_captures]
    return [
        *sorted(frames.checked, key=lambda c: order.index(c.name)),
        *tilt_said_once(lenient_on_brackets(plates)),
    ]


def lenient_on_brackets(checked: Sequence[CheckedCapture]) -> list[CheckedCapture]:
    """Return checks in which a bracket's long and short exposures are no fault.

    Where one exposure of a plate is good, what the others lose or lack in exposure is only noted.
    """
    covered = {e.plate_id for e in checked if e.check is not None and not _misexposed(e.check)}
    shown = []
    for entry in checked:
        if entry.check is not None and entry.plate_id in covered:
            entry = replace(entry, check=_exposure_noted(entry.check))
        shown.append(entry)
    return shown


def tilt_said_once(checked: Sequence[CheckedCapture]) -> list[CheckedCapture]:
    """Return checks in which the camera's lean is said once, of the first plate with a tilt.

    Plates that agree show how the camera stands; plates that do not, how they were cut.
    """
    first: dict[str, int] = {}
    for place, entry in enumerate(checked):
        if entry.check is not None and entry.check.figures.tilt is not None and entry.check.leans:
            first.setdefault(entry.plate_id, place)
    figures = [check.figures.tilt for place in first.values() if (check := checked[place].check)]
    verdict = judge_session_tilt([tilt for tilt in figures if tilt is not None])
    if verdict is None:
        return list(checked)
    shown = [
        entry if entry.check is None else replace(entry, check=entry.check.without_lean())
        for entry in checked
    ]
    place = min(first.values())
    check = shown[place].check
    if check is not None:
        shown[place] = replace(
            shown[place], check=replace(check, verdicts=(*check.verdicts, verdict))
        )
    return shown


def _misexposed(check: CaptureCheck) -> list[Verdict]:
    bad = (Severity.WARN, Severity.FAIL)
    return [v for v in check.verdicts if v.topic in _OF_EXPOSURE and v.severity in bad]


def _exposure_noted(check: CaptureCheck) -> CaptureCheck:
    noted = {
        verdict: replace(
            verdict, severity=Severity.NOTE, remedy="another exposure of the bracket covers it"
        )
        for verdict in _misexposed(check)
    }
    return replace(check, verdicts=tuple(noted.get(v, v) for v in check.verdicts))


def exit_code_of_check(checked: Sequence[CheckedCapture]) -> ExitCode:
    """Return OK; PARTIAL if something has to be taken again; its own code if none can be read.

    Of a bracket one good exposure is enough: the others are meant to be too long or too short.
    But they must belong together.
    """
    errors = [entry.error for entry in checked if entry.error]
    if errors and len(errors) == len(checked):
        return errors[0].exit_code
    usable: dict[str, bool] = {}
    for entry in checked:
        good = entry.check is not None and entry.check.severity is not Severity.FAIL
        key = entry.plate_id or entry.name
        usable[key] = usable.get(key, False) or good
    broken = any(
        verdict.topic == _BRACKET
        for entry in checked
        if entry.check
        for verdict in entry.check.verdicts
    )
    return ExitCode.OK if all(usable.values()) and not errors and not broken else ExitCode.PARTIAL


def _tasks(folder: Path, settings: SessionSettings, frames: CheckedFrames) -> list[CheckTask]:
    """Return a task for each plate: every exposure of a bracket is judged."""
    calibration = session_calibration(folder)
    blanks = blank_digests(folder, settings) if calibration is not None else ()
    return [
        CheckTask(
            job=PlateJob(
                folder=folder,
                output=folder,
                settings=plate,
                scan=settings.scan,
                light=frames.light,
                dark=frames.dark,
                calibration=calibration,
                blanks=blanks,
            ),
            noise=frames.noise,
            specks=frames.specks,
            light_failed=frames.trouble is not None,
        )
        for plate in settings.plates
        if not plate.skip
    ]


def _check_plate(task: CheckTask) -> list[Outcome]:
    """Check every capture of a plate, each read once."""
    return check_frames_of_plate(task, read_frames(task.job))


def check_frames_of_plate(
    task: CheckTask,
    frames: Sequence[SensorFrame | PlateError],
    *,
    view: PlateView | PlateError | None = None,
) -> list[Outcome]:
    """Check a plate's captures.

    Parameters
    ----------
    task : CheckTask
    frames : sequence of SensorFrame or PlateError
        Its captures, or why one could not be read.
    view : PlateView or PlateError, optional
        What conversion sees of the only capture, where that is known already.
    """
    job = task.job
    outcomes: list[Outcome] = []
    for name, frame in zip(job.settings.captures, frames, strict=True):
        if isinstance(frame, PlateError):
            outcomes.append(frame)
            continue
        alone = replace(task, job=replace(job, settings=replace(job.settings, captures=(name,))))
        outcomes.append(
            _check_one(alone, frame, view_of(alone.job, frame) if view is None else view)
        )
    first = outcomes[0]
    readable = [frame for frame in frames if isinstance(frame, SensorFrame)]
    bracket = job.settings.join == "bracket" and 1 < len(frames) == len(readable)
    if bracket and not isinstance(first, PlateError):
        broken = _bracket_trouble(job, readable)
        outcomes[0] = first if broken is None else failed(first, broken, _BRACKET)
    return outcomes


def read_frames(job: PlateJob) -> list[SensorFrame | PlateError]:
    """Read a plate's captures; in place of one that cannot be read stands the error."""
    return [_read(path, job) for path in job.captures]


def view_of(job: PlateJob, frame: SensorFrame) -> PlateView | PlateError:
    """Return what conversion sees of a plate's only capture, or why it cannot be converted."""
    try:
        return look_at_plate(job, frames=[frame])
    except PlateError as error:
        return error.with_traceback(None)  # which would hold the pictures


def _read(path: Path, job: PlateJob) -> SensorFrame | PlateError:
    try:
        return read_capture(path, job.scan)
    except PlateError as error:
        return error.with_traceback(None)


def _check_one(task: CheckTask, frame: SensorFrame, view: PlateView | PlateError) -> Outcome:
    job = task.job
    if isinstance(view, PlateError) and not isinstance(view, (InputError, CalibrationError)):
        return view
    try:
        seen, trouble = _seen(job, view)
        if task.light_failed and isinstance(trouble, NoLightReferenceError):
            trouble = None
        check = check_capture(
            frame,
            light=seen.light,
            dark=job.dark,
            found=seen.found,
            noise=task.noise,
            format=format_named(job.settings.format),
            glare=seen.glare,
            glare_off=seen.glare_off,
            bound=seen.bound,
            specks=task.specks,
        )
        if seen.set_up is not None:
            check = with_reach(check, seen.set_up)
    except PlateError as error:
        return error.with_traceback(None)
    if task.light_failed:
        check = asking_for_no_frames(check)
    check = _with_doubts(_with_calibration(check, job, frame), job, frame.info, seen.found)
    hints = (
        *scan_hints(job, frame.info, seen.found, seen.looks),
        *(Verdict(Severity.WARN, "plate", said) for said in seen.coloured),
    )
    check = replace(check, verdicts=(*check.verdicts, *hints))
    return check if trouble is None else failed(check, trouble, "plate")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Seen:
    """What a look at a plate leaves, its pictures let go."""

    light: Light | None
    found: FoundPlate | None = None
    glare: Glare | None = None
    glare_off: bool = False
    bound: float | None = None
    set_up: SetUp | None = None
    looks: Polarity | None = None
    coloured: tuple[str, ...] = ()


def _seen(job: PlateJob, view: PlateView | PlateError) -> tuple[_Seen, PlateError | None]:
    """Return what conversion sees of a plate, and why it could not be converted."""
    if isinstance(view, PlateError):
        return _Seen(light=job.light), view
    seen = _Seen(
        light=view.light,
        found=view.found,
        glare=view.glare,
        glare_off=view.glare_off,
        bound=view.glare_bound,
        set_up=None if view.info.shows_positive else set_up_of(view),
        looks=view.looks,
        coloured=tuple(coloured_said(view.stain)) if not view.by_green else (),
    )
    try:
        check_something_there(view, job.settings)
    except (InputError, CalibrationError) as error:
        return seen, error.with_traceback(None)
    return seen, None


def _with_doubts(
    check: CaptureCheck, job: PlateJob, info: CaptureInfo, found: FoundPlate | None
) -> CaptureCheck:
    """Say what keeps conversion from cutting the plate out, while it can still be moved."""
    if found is None or not found.doubts or not job.settings.crop:
        return check
    if job.settings.join == "tiles":  # whose plate leaves the frame, as it should
        return check
    text = f"{'; '.join(found.doubts)}, so that convert would keep the capture whole"
    how = (
        "move the plate and scan it again"
        if info.kind is CaptureKind.SCAN
        else "move the plate or the camera and take it again"
    )
    remedy = (
        f"{how}, or give its corners in session.toml (two plates in one capture: list it twice, "
        "each time with the corners of one)"
    )
    return replace(check, verdicts=(Verdict(Severity.WARN, "plate", text, remedy), *check.verdicts))


def _with_calibration(check: CaptureCheck, job: PlateJob, frame: SensorFrame) -> CaptureCheck:
    """Say whether the session's calibration holds for a capture, where there is one."""
    if job.calibration is None:
        return check
    doubts = calibration_for(job, frame.info)[1]
    again = "calibrate again with this set-up"
    verdicts = [Verdict(Severity.WARN, "calibration", doubt, again) for doubt in doubts] or [
        Verdict(
            Severity.GOOD, "calibration", "calibrated with this camera, aperture and blank frames"
        )
    ]
    return replace(check, verdicts=(*check.verdicts, *verdicts))


def _bracket_trouble(job: PlateJob, frames: Sequence[SensorFrame]) -> PlateError | None:
    """Return why a plate's captures are no bracket; what is wrong with one is said beside it."""
    try:
        exposures = read_exposures(job, frames)
        if exposures.plan is not None and any(map(any, exposures.plan.shifts)):
            exposures.picture()  # colours that would mix are only noticed where they are moved
    except BracketError as error:
        return error.with_traceback(None)
    except (InputError, CalibrationError):
        return None
    return None


def _name_of(task: CheckTask) -> str:
    return task.job.plate_id


def checked_captures(task: CheckTask, outcomes: list[Outcome] | PlateError) -> list[CheckedCapture]:
    """Return an entry for each capture; what stopped the whole plate is said of each."""
    plate, names = task.job.plate_id, task.job.settings.captures
    if isinstance(outcomes, PlateError):
        outcomes = [outcomes for _ in names]
    return [
        CheckedCapture(plate_id=plate, name=name, role="plate", error=outcome)
        if isinstance(outcome, PlateError)
        else CheckedCapture(plate_id=plate, name=name, role="plate", check=outcome)
        for name, outcome in zip(names, outcomes, strict=True)
    ]
