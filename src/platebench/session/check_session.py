"""Check the captures of a session, before anyone packs the light box away."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from platebench.errors import (
    BracketError,
    CalibrationError,
    ExitCode,
    InputError,
    NoLightReferenceError,
    PlateError,
)
from platebench.exposures import read_exposures
from platebench.formats import format_named
from platebench.image import SensorFrame
from platebench.look import check_something_there, look_at_plate
from platebench.memory import available_bytes, cores, peak_bytes, pixels_of_file, workers_for
from platebench.plate_job import PlateJob
from platebench.progress import Progress
from platebench.quality import (
    CaptureCheck,
    NoiseModel,
    Severity,
    Verdict,
    check_capture,
    noise_from_frames,
)
from platebench.quality.figures import Role
from platebench.session.pool import run_all
from platebench.session.session_file import load_session
from platebench.session.session_jobs import EXPOSURE_BYTES_PER_PIXEL
from platebench.session.session_light import prepare_light
from platebench.settings import SessionSettings
from platebench.stages.find_plate import FoundPlate
from platebench.stages.light import Dark, Light
from platebench.stages.read_capture import read_capture

_PAIR = 2  # frames compared with each other for the noise
_BRACKET = "bracket"  # topic of verdicts on all captures of a plate together
_BY_FRAMES = ("blank match", "noise floor")  # topics that ask for frames the session has
_OF_EXPOSURE = ("exposure", "clipping")  # topics of verdicts a bracket makes up for


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CheckedCapture:
    """What came of checking one capture.

    Attributes
    ----------
    plate_id : str
        The plate it belongs to; "" for blank and dark frames.
    name : str
        The file, relative to the session folder.
    role : {"plate", "blank", "dark"}
        What it is for.
    check : CaptureCheck or None
        Figures and verdicts; None where there is an error.
    error : PlateError or None
        Why it could not be checked.
    """

    plate_id: str
    name: str
    role: Role
    check: CaptureCheck | None = None
    error: PlateError | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Task:
    job: PlateJob  # of one capture
    noise: NoiseModel | None
    light_failed: bool  # there are blank or dark frames, which cannot be used
    bracket: PlateJob | None  # the whole plate, with the first of its several captures


def check_session(
    folder: Path,
    *,
    workers: int | None = None,
    memory: int | None = None,
    progress: Progress | None = None,
) -> list[CheckedCapture]:
    """Check the blank frames, the dark frames and every capture of every plate, in that order.

    Parameters
    ----------
    folder : Path
        The session folder, holding ``session.toml``. Nothing in it is changed.
    workers : int or None
        Captures at a time, bounded by memory; None: as many as there are cores.
    memory : int or None
        Bytes that may be taken; None: most of what is available.
    progress : Progress or None
        Told of each capture.

    Raises
    ------
    SettingsError, SessionFolderError
        If there is no session to check.
    """
    settings = load_session(folder)
    light, dark, trouble = _light(folder, settings)
    blanks, checked_blanks = _read_frames(folder, settings, "blank")
    darks, checked_darks = _read_frames(folder, settings, "dark")
    beside = (blanks, darks) if trouble is None else ((), ())  # else each is judged by itself
    checked_blanks += [_check_frame(folder, f, "blank", *beside) for f in blanks]
    checked_darks += [_check_frame(folder, f, "dark", *beside) for f in darks]
    noise = noise_from_frames(*(few[:_PAIR] for few in beside)) if beside[0] else None
    del blanks, darks, beside
    frames = [*checked_blanks, *checked_darks]
    if trouble is not None:
        frames = _with_light_trouble(folder, frames, trouble)
    tasks = _tasks(folder, settings, noise, light=light, dark=dark, light_failed=bool(trouble))
    peak = max((_peak_bytes(task) for task in tasks), default=0)
    outcomes = run_all(
        _check_plate,
        tasks,
        name_of=_name_of,
        workers=workers_for(workers or cores(), memory or available_bytes(), peak),
        what="captures",
        progress=progress,
    )
    plates = [
        _checked(task.job.plate_id, _name_of(task), "plate", outcome)
        for task, outcome in zip(tasks, outcomes, strict=True)
    ]
    plates = lenient_on_brackets(plates)
    order = [*settings.blank, *settings.dark]
    return [*sorted(frames, key=lambda c: order.index(c.name)), *plates]


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


def _read_frames(
    folder: Path, settings: SessionSettings, role: Role
) -> tuple[list[SensorFrame], list[CheckedCapture]]:
    """Read blank or dark frames; those that cannot be read are checked already."""
    frames, failed = [], []
    for name in settings.blank if role == "blank" else settings.dark:
        try:
            frames.append(read_capture(folder / name, settings.scan))
        except PlateError as error:
            failed.append(CheckedCapture(plate_id="", name=name, role=role, error=error))
    return frames, failed


def _check_frame(
    folder: Path,
    frame: SensorFrame,
    role: Role,
    blanks: Sequence[SensorFrame],
    darks: Sequence[SensorFrame],
) -> CheckedCapture:
    name = frame.info.path.relative_to(folder).as_posix()
    try:
        others = [blank for blank in blanks if blank is not frame][: _PAIR - 1]
        check = check_capture(frame, role=role, blanks=others, darks=darks[:_PAIR])
    except PlateError as error:
        return CheckedCapture(plate_id="", name=name, role=role, error=error)
    return CheckedCapture(plate_id="", name=name, role=role, check=check)


def _light(
    folder: Path, settings: SessionSettings
) -> tuple[Light | None, Dark | None, PlateError | None]:
    """Return the light and the dark level of the session, or why there are none."""
    try:
        return *prepare_light(folder, settings), None
    except (InputError, CalibrationError) as error:
        return None, None, error.with_traceback(None)  # which would hold the frames


def _with_light_trouble(
    folder: Path, frames: Sequence[CheckedCapture], trouble: PlateError
) -> list[CheckedCapture]:
    """Return checked blank and dark frames, the one that conversion would stop at failed."""
    frames = [
        replace(entry, check=entry.check and _asking_for_no_frames(entry.check)) for entry in frames
    ]
    if any(str(entry.error) == str(trouble) for entry in frames):
        return frames
    named = next((path for path in trouble.args if isinstance(path, Path)), None)
    at = next((k for k, entry in enumerate(frames) if folder / entry.name == named), 0)
    check = frames[at].check
    if check is None:
        return frames  # it cannot even be read, and says so
    return [*frames[:at], replace(frames[at], check=_failed(check, trouble)), *frames[at + 1 :]]


def _asking_for_no_frames(check: CaptureCheck) -> CaptureCheck:
    """Return a check made without the frames that cannot be used; they are there, mended first."""
    said = tuple(verdict for verdict in check.verdicts if verdict.topic not in _BY_FRAMES)
    return replace(check, verdicts=said)


def _failed(check: CaptureCheck, error: PlateError, topic: str = "light") -> CaptureCheck:
    return replace(check, verdicts=(Verdict(Severity.FAIL, topic, str(error)), *check.verdicts))


def _tasks(
    folder: Path,
    settings: SessionSettings,
    noise: NoiseModel | None,
    *,
    light: Light | None,
    dark: Dark | None,
    light_failed: bool,
) -> list[_Task]:
    """Return a task for each capture of each plate: every exposure of a bracket is judged."""
    tasks = []
    for plate in settings.plates:
        if plate.skip:
            continue
        whole = PlateJob(
            folder=folder,
            output=folder,
            settings=plate,
            scan=settings.scan,
            light=light,
            dark=dark,
        )
        for name in plate.captures:
            first = name == plate.captures[0] and len(plate.captures) > 1
            tasks.append(
                _Task(
                    job=replace(whole, settings=replace(plate, captures=(name,))),
                    noise=noise,
                    light_failed=light_failed,
                    bracket=whole if first else None,
                )
            )
    return tasks


def _peak_bytes(task: _Task) -> int:
    pixels = max(map(pixels_of_file, (task.bracket or task.job).captures))
    more = len(task.bracket.captures) - 1 if task.bracket else 0
    return peak_bytes("look", pixels) + EXPOSURE_BYTES_PER_PIXEL * pixels * more


def _check_plate(task: _Task) -> CaptureCheck:
    job = task.job
    broken = _bracket_trouble(task.bracket) if task.bracket is not None else None
    found, light, trouble = _look(job)
    if task.light_failed and isinstance(trouble, NoLightReferenceError):
        trouble = None
    frame = read_capture(job.captures[0], job.scan)
    check = check_capture(
        frame,
        light=light,
        dark=job.dark,
        found=found,
        noise=task.noise,
        format=format_named(job.settings.format),
    )
    if task.light_failed:
        check = _asking_for_no_frames(check)
    if trouble is not None:
        check = _failed(check, trouble, "plate")
    return check if broken is None else _failed(check, broken, _BRACKET)


def _look(job: PlateJob) -> tuple[FoundPlate | None, Light | None, PlateError | None]:
    """Return where the plate lies, its light, and why it could not be converted."""
    found, light = None, job.light
    try:
        view = look_at_plate(job)
        found, light = view.found, view.light
        check_something_there(view, job.settings)
    except (InputError, CalibrationError) as error:
        return found, light, error.with_traceback(None)  # which would hold the pictures
    return found, light, None


def _bracket_trouble(job: PlateJob) -> PlateError | None:
    """Return why a plate's captures are no bracket; what is wrong with one is said beside it."""
    try:
        exposures = read_exposures(job)
        if exposures.plan is not None and any(map(any, exposures.plan.shifts)):
            exposures.picture()  # colours that would mix are only noticed where they are moved
    except BracketError as error:
        return error.with_traceback(None)
    except (InputError, CalibrationError):
        return None
    return None


def _checked(
    plate_id: str, name: str, role: Role, outcome: CaptureCheck | PlateError
) -> CheckedCapture:
    if isinstance(outcome, PlateError):
        return CheckedCapture(plate_id=plate_id, name=name, role=role, error=outcome)
    return CheckedCapture(plate_id=plate_id, name=name, role=role, check=outcome)


def _name_of(task: _Task) -> str:
    return task.job.settings.captures[0]
