"""Check a session's blank and dark frames while its light is made of them: each is read once."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from platebench.core.errors import CalibrationError, InputError, PlateError
from platebench.core.image import SensorFrame
from platebench.core.progress import Progress, working
from platebench.core.settings import ScanSettings, SessionSettings
from platebench.measure.checks import NoiseModel, check_capture, noise_from_frames
from platebench.measure.checks.capture_figures import (
    GLARE_ROLES,
    CaptureCheck,
    CaptureFigures,
    Role,
)
from platebench.measure.checks.dust import Specks, find_specks
from platebench.measure.checks.exposure_check import Clipping
from platebench.measure.checks.glare_check import judge_session_glare
from platebench.plate.light import Dark, Light
from platebench.session.check_file import CheckedCapture, asking_for_no_frames, failed
from platebench.session.jobs import FramesOnDisk, light_of_frames, light_with_glare

_PAIR = 2  # frames compared with each other for the noise; no more stay in memory


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CheckedFrames:
    """What came of a session's blank and dark frames.

    Attributes
    ----------
    checked : tuple of CheckedCapture
        One a frame.
    light : Light or None
        None where there are no blank frames, or they cannot be used.
    dark : Dark or None
    noise : NoiseModel or None
    specks : Specks or None
        Of the first blank frame, to see which have moved in the plates' captures.
    trouble : PlateError or None
        Why the frames that are there cannot be used.
    """

    checked: tuple[CheckedCapture, ...]
    light: Light | None
    dark: Dark | None
    noise: NoiseModel | None
    specks: Specks | None
    trouble: PlateError | None


class _PassingFrames(FramesOnDisk):
    """Frames read when they are asked for; the first two stay, the others are shown in passing."""

    def __init__(
        self,
        paths: Sequence[Path],
        scan: ScanSettings,
        show: Callable[[int, SensorFrame], None] = lambda _place, _frame: None,
        memory: int | None = None,
    ) -> None:
        super().__init__(paths, scan, memory=memory)
        self._show = show
        self._kept: dict[int, SensorFrame] = {}

    def frame(self, place: int) -> SensorFrame:
        """Return a frame, from memory where it stayed there."""
        if place not in range(_PAIR):
            return super().frame(place)
        if place not in self._kept:
            self._kept[place] = super().frame(place)
        return self._kept[place]

    def __iter__(self) -> Iterator[SensorFrame]:
        for place in range(len(self)):
            frame = self.frame(place)
            if place >= _PAIR:
                self._show(place, frame)
            yield frame

    def pair(self) -> list[SensorFrame]:
        """Return the first two frames, or as many as can be read."""
        frames = []
        for place in range(min(_PAIR, len(self))):
            try:
                frames.append(self.frame(place))
            except PlateError:
                continue
        return frames

    def let_go(self) -> None:
        """Free the frames that stayed, which would wait for the garbage collector."""
        self._kept.clear()


def check_frames(
    folder: Path,
    settings: SessionSettings,
    progress: Progress | None = None,
    memory: int | None = None,
) -> CheckedFrames:
    """Make the session's light and dark level, and check the frames they are made of.

    Memory holds two blanks, two darks and one frame more, however many there are.
    """
    with working(progress, "blank frames", len(settings.light_captures)) as told:
        frames = _checked_frames(folder, settings, told, memory)
        if frames.light is None or frames.trouble is not None:
            return frames
        light, checked = _checked_glare(folder, settings, frames.light, frames.dark, told, memory)
        return replace(frames, light=light, checked=(*frames.checked, *checked))


def _checked_glare(
    folder: Path,
    settings: SessionSettings,
    light: Light,
    dark: Dark | None,
    told: Progress,
    memory: int | None,
) -> tuple[Light, list[CheckedCapture]]:
    """Return the light with what captures of card and room say of its glare, and their check."""
    names = [(role, name) for role in GLARE_ROLES for name in getattr(settings, role)]
    try:
        lit = light_with_glare(folder, settings, light, dark, told, memory) or light
    except PlateError as error:
        error = error.with_traceback(None)
        named = {folder / name: (role, name) for role, name in names}
        path = next((path for path in error.args if path in named), folder / names[0][1])
        role, name = named[path]
        return light, [CheckedCapture(plate_id="", name=name, role=role, error=error)]
    if lit.glare is None:
        return lit, []
    verdict = judge_session_glare(lit.glare)
    checks = [
        CaptureCheck(
            name=name,
            role=role,
            figures=CaptureFigures(clipping=Clipping({}, {})),
            verdicts=(verdict,),
        )
        for role, name in names
    ]
    return lit, [
        CheckedCapture(plate_id="", name=check.name, role=check.role, check=check)
        for check in checks
    ]


def _checked_frames(
    folder: Path, settings: SessionSettings, told: Progress, memory: int | None
) -> CheckedFrames:
    names: dict[Role, tuple[str, ...]] = {"blank": settings.blank, "dark": settings.dark}
    done: dict[tuple[Role, int], CheckedCapture] = {}

    def check(role: Role, place: int, frame: SensorFrame, *, alone: bool = False) -> None:
        beside = ([], []) if alone else (blanks.pair(), darks.pair())
        name = names[role][place]
        done[role, place] = _checked_frame(name, frame, role, *beside)
        told.advance(name)

    blanks = _PassingFrames(
        [folder / name for name in settings.blank],
        settings.scan,
        lambda place, frame: check("blank", place, frame),
        memory,
    )
    darks = _PassingFrames(
        [folder / name for name in settings.dark],
        settings.scan,
        lambda place, frame: check("dark", place, frame),
        memory,
    )
    light, dark, trouble = _light(blanks, darks)
    if trouble is not None:
        done.clear()  # each is judged by itself then
    by_role: dict[Role, _PassingFrames] = {"blank": blanks, "dark": darks}
    for role, frames in by_role.items():
        for place, name in enumerate(names[role]):
            if (role, place) in done:
                continue
            try:
                frame = frames.frame(place)
            except PlateError as error:
                done[role, place] = CheckedCapture(plate_id="", name=name, role=role, error=error)
            else:
                check(role, place, frame, alone=trouble is not None)
    noise = noise_from_frames(blanks.pair(), darks.pair()) if light is not None else None
    specks = find_specks(blanks.pair()[0]) if light is not None else None
    blanks.let_go()
    darks.let_go()
    checked = [done[key] for key in sorted(done)]
    if trouble is not None:
        checked = _with_light_trouble(folder, checked, trouble)
    return CheckedFrames(
        checked=tuple(checked),
        light=light,
        dark=dark,
        noise=noise,
        specks=specks,
        trouble=trouble,
    )


def _light(
    blanks: FramesOnDisk, darks: FramesOnDisk
) -> tuple[Light | None, Dark | None, PlateError | None]:
    """Return the light and the dark level of the session, or why there are none."""
    try:
        return *light_of_frames(blanks, darks), None
    except (InputError, CalibrationError) as error:
        return None, None, error.with_traceback(None)  # which would hold the frames


def _checked_frame(
    name: str,
    frame: SensorFrame,
    role: Role,
    blanks: Sequence[SensorFrame],
    darks: Sequence[SensorFrame],
) -> CheckedCapture:
    try:
        others = [blank for blank in blanks if blank is not frame][: _PAIR - 1]
        check = check_capture(frame, role=role, blanks=others, darks=darks)
    except PlateError as error:
        return CheckedCapture(plate_id="", name=name, role=role, error=error)
    return CheckedCapture(plate_id="", name=name, role=role, check=check)


def _with_light_trouble(
    folder: Path, frames: Sequence[CheckedCapture], trouble: PlateError
) -> list[CheckedCapture]:
    """Return checked blank and dark frames, the one that conversion would stop at failed."""
    frames = [
        replace(entry, check=entry.check and asking_for_no_frames(entry.check)) for entry in frames
    ]
    if any(str(entry.error) == str(trouble) for entry in frames):
        return frames
    named = next((path for path in trouble.args if isinstance(path, Path)), None)
    at = next((k for k, entry in enumerate(frames) if folder / entry.name == named), 0)
    check = frames[at].check
    if check is None:
        return frames  # it cannot even be read, and says so
    return [
        *frames[:at],
        replace(frames[at], check=failed(check, trouble, "light")),
        *frames[at + 1 :],
    ]
