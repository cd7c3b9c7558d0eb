"""Check the captures of a session, before anyone packs the light box away."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from platebench.errors import CalibrationError, ExitCode, InputError, PlateError
from platebench.formats import format_named
from platebench.image import SensorFrame
from platebench.look import look_at_plate
from platebench.memory import available_bytes, cores, peak_bytes, pixels_of_file, workers_for
from platebench.plate_job import PlateJob
from platebench.pool import run_all
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
from platebench.session_file import load_session
from platebench.session_light import prepare_light
from platebench.settings import SessionSettings
from platebench.stages.light import Dark, Light
from platebench.stages.read_capture import read_capture

_PAIR = 2  # frames compared with each other for the noise
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
    job: PlateJob
    noise: NoiseModel | None


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
    blanks, checked_blanks = _read_frames(folder, settings, "blank")
    darks, checked_darks = _read_frames(folder, settings, "dark")
    checked_blanks += [_check_frame(folder, f, "blank", blanks, darks) for f in blanks]
    checked_darks += [_check_frame(folder, f, "dark", blanks, darks) for f in darks]
    noise = noise_from_frames(blanks[:_PAIR], darks[:_PAIR]) if blanks else None
    del blanks, darks
    light, dark = _light(folder, settings)
    tasks = [_Task(job=job, noise=noise) for job in _jobs(folder, settings, light=light, dark=dark)]
    pixels = max((pixels_of_file(task.job.captures[0]) for task in tasks), default=0)
    outcomes = run_all(
        _check_plate,
        tasks,
        name_of=_name_of,
        workers=workers_for(
            workers or cores(), memory or available_bytes(), peak_bytes("look", pixels)
        ),
        what="captures",
        progress=progress,
    )
    plates = [
        _checked(task.job.plate_id, _name_of(task), "plate", outcome)
        for task, outcome in zip(tasks, outcomes, strict=True)
    ]
    plates = lenient_on_brackets(plates)
    order = [*settings.blank, *settings.dark]
    frames = sorted((*checked_blanks, *checked_darks), key=lambda c: order.index(c.name))
    return [*frames, *plates]


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
    """
    errors = [entry.error for entry in checked if entry.error]
    if errors and len(errors) == len(checked):
        return errors[0].exit_code
    usable: dict[str, bool] = {}
    for entry in checked:
        good = entry.check is not None and entry.check.severity is not Severity.FAIL
        key = entry.plate_id or entry.name
        usable[key] = usable.get(key, False) or good
    return ExitCode.OK if all(usable.values()) and not errors else ExitCode.PARTIAL


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


def _light(folder: Path, settings: SessionSettings) -> tuple[Light | None, Dark | None]:
    try:
        return prepare_light(folder, settings)
    except (InputError, CalibrationError):
        return None, None  # the check of the frame itself says why


def _jobs(
    folder: Path, settings: SessionSettings, *, light: Light | None, dark: Dark | None
) -> list[PlateJob]:
    """Return a job for each capture of each plate: every exposure of a bracket is judged."""
    return [
        PlateJob(
            folder=folder,
            output=folder,
            settings=replace(plate, captures=(name,)),
            scan=settings.scan,
            light=light,
            dark=dark,
        )
        for plate in settings.plates
        if not plate.skip
        for name in plate.captures
    ]


def _check_plate(task: _Task) -> CaptureCheck:
    job = task.job
    found, light, trouble = None, job.light, None
    try:
        view = look_at_plate(job)
        found, light = view.found, view.light
        del view
    except (InputError, CalibrationError) as error:
        trouble = error
    frame = read_capture(job.captures[0], job.scan)
    check = check_capture(
        frame,
        light=light,
        dark=job.dark,
        found=found,
        noise=task.noise,
        format=format_named(job.settings.format),
    )
    if trouble is None:
        return check
    verdict = Verdict(Severity.FAIL, "plate", str(trouble))
    return replace(check, verdicts=(verdict, *check.verdicts))


def _checked(
    plate_id: str, name: str, role: Role, outcome: CaptureCheck | PlateError
) -> CheckedCapture:
    if isinstance(outcome, PlateError):
        return CheckedCapture(plate_id=plate_id, name=name, role=role, error=outcome)
    return CheckedCapture(plate_id=plate_id, name=name, role=role, check=outcome)


def _name_of(task: _Task) -> str:
    return task.job.settings.captures[0]
