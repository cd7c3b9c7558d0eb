"""From settings to work orders: what each plate needs, and how much memory."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import overload

from platebench.core.errors import SessionFolderError
from platebench.core.image import SensorFrame
from platebench.core.installed import profiles_folder
from platebench.core.memory import available_bytes
from platebench.core.progress import NullProgress, Progress, working
from platebench.core.settings import ScanSettings, SessionSettings
from platebench.plate.calibration import FILE_NAME, Calibration, load_calibration
from platebench.plate.glare_evidence import session_glare
from platebench.plate.job import PlateJob
from platebench.plate.light import Dark, Light, dark_from_frames, light_from_blanks
from platebench.read.capture import read_capture
from platebench.session.record import Known, hash_files
from platebench.session.room import Peak, no_room, peak_of
from platebench.session.session_log import SessionLog, load_session_log
from platebench.session.settings_file import FILE_NAME as SESSION_FILE
from platebench.tone.profile import ToneProfile
from platebench.tone.profile_file import load_tone


def session_calibration(folder: Path) -> Calibration | None:
    """Return the calibration beside ``session.toml``; None where there is none.

    Raises
    ------
    TabletError
        If there is one that cannot be used.
    """
    path = folder / FILE_NAME
    return load_calibration(path) if path.exists() else None


def blank_digests(
    folder: Path, settings: SessionSettings, known: Mapping[Path, str] | None = None
) -> tuple[str, ...]:
    """Return the SHA-256 of each blank frame, sorted.

    Parameters
    ----------
    known : mapping of Path to str, optional
        Digests at hand; the files are read where there are none.
    """
    paths = [folder / name for name in settings.blank]
    digests = hash_files(paths) if known is None else known
    return tuple(sorted(digests[path] for path in paths))


class FramesOnDisk(Sequence[SensorFrame]):
    """Captures read when they are asked for: of many, only one is in memory at a time."""

    def __init__(
        self,
        paths: Sequence[Path],
        scan: ScanSettings,
        progress: Progress | None = None,
        memory: int | None = None,
    ) -> None:
        self._paths, self._scan, self._memory = tuple(paths), scan, memory
        self._progress = progress or NullProgress()

    def __len__(self) -> int:
        return len(self._paths)

    @overload
    def __getitem__(self, place: int) -> SensorFrame: ...
    @overload
    def __getitem__(self, place: slice) -> FramesOnDisk: ...
    def __getitem__(self, place: int | slice) -> SensorFrame | FramesOnDisk:
        """Read one capture, or name several."""
        if isinstance(place, slice):
            return FramesOnDisk(self._paths[place], self._scan, self._progress, self._memory)
        return self.frame(place)

    def frame(self, place: int) -> SensorFrame:
        """Read one capture, if there is room for it."""
        refused = no_room(peak_of("look", [self._paths[place]]), self._memory or available_bytes())
        if refused is not None:
            raise refused
        frame = read_capture(self._paths[place], self._scan)
        self._progress.advance(self._paths[place].name)
        return frame

    def __iter__(self) -> Iterator[SensorFrame]:
        return (self.frame(place) for place in range(len(self)))


def prepare_light(
    folder: Path,
    settings: SessionSettings,
    progress: Progress | None = None,
    memory: int | None = None,
) -> tuple[Light | None, Dark | None]:
    """Return the light of a session's blank frames and the level of its dark frames.

    None where there are no such frames. With the light goes what captures of a card and of the room
    say of its glare.

    Raises
    ------
    CaptureError
        If one cannot be read, or not within ``memory`` bytes (None: most of what is available).
    BlankFrameError, FrameMismatchError
        If one is not what it is named as, or they do not fit together.
    """
    with working(progress, "blank frames", len(settings.light_captures)) as told:
        frames = [
            FramesOnDisk([folder / name for name in names], settings.scan, told, memory)
            for names in (settings.blank, settings.dark)
        ]
        light, dark = light_of_frames(*frames)
        return light_with_glare(folder, settings, light, dark, told, memory), dark


def light_of_frames(
    blanks: Sequence[SensorFrame], darks: Sequence[SensorFrame]
) -> tuple[Light | None, Dark | None]:
    """Return the light of blank frames and the level of dark frames; see :func:`prepare_light`."""
    dark = dark_from_frames(darks) if darks else None
    light = light_from_blanks(blanks, dark) if blanks else None
    return light, dark


def light_with_glare(
    folder: Path,
    settings: SessionSettings,
    light: Light | None,
    dark: Dark | None,
    progress: Progress | None = None,
    memory: int | None = None,
) -> Light | None:
    """Return the light with what the session's own captures say of its glare.

    Raises
    ------
    CaptureError
        If one cannot be read.
    BlankFrameError, FrameMismatchError
        If one is not what it is named as, or does not fit the blanks.
    """
    names = (settings.card, settings.box_off, settings.card_over)
    if light is None or not any(names):
        return light
    cards, boxes_off, cards_over = (
        FramesOnDisk([folder / name for name in group], settings.scan, progress, memory)
        for group in names
    )
    glare = session_glare(light, dark, cards=cards, boxes_off=boxes_off, cards_over=cards_over)
    return replace(light, glare=glare)


def wanted_plates(
    folder: Path, settings: SessionSettings, plates: Sequence[str] = ()
) -> SessionSettings:
    """Return the settings with the plates that were asked for; none: all that are not left out.

    Raises
    ------
    SessionFolderError
        If one is not in ``session.toml``, or none is left.
    """
    known = [plate.id for plate in settings.plates if not plate.skip]
    path = folder / SESSION_FILE
    if not known:
        raise SessionFolderError(path, "lists no plates", "add a [[plate]] for each")
    for name in plates:
        if name not in known:
            what = f'lists no plate "{name}"'
            raise SessionFolderError(path, what, f"name one of: {', '.join(known)}")
    kept = tuple(plate for plate in settings.plates if not plates or plate.id in plates)
    return replace(settings, plates=kept)


def session_jobs(
    folder: Path,
    output: Path,
    settings: SessionSettings,
    log: SessionLog | None = None,
    progress: Progress | None = None,
    known: Known | None = None,
) -> list[PlateJob]:
    """Return what :func:`plate_jobs` does, having read the captures for their digests."""
    captures = (name for plate in settings.plates if not plate.skip for name in plate.captures)
    paths = [folder / name for name in (*captures, *settings.light_captures)]
    return plate_jobs(folder, output, settings, hash_files(paths, progress, known), log)


def plate_jobs(
    folder: Path,
    output: Path,
    settings: SessionSettings,
    digests: dict[Path, str],
    log: SessionLog | None = None,
) -> list[PlateJob]:
    """Return the work orders of a session, light and shared printing still to come.

    Parameters
    ----------
    digests : dict of Path to str
        SHA-256 of the session's captures.
    log : SessionLog or None
        What is known of the plates; None: what the folder's logs say.

    Raises
    ------
    MissingProfileError, BadSettingError
        If a tone profile is missing or wrong.
    SettingsFileError, BadSettingError, BadSettingsError
        If the plate log cannot be read.
    TabletError
        If there is a calibration that cannot be read.
    """
    calibration = session_calibration(folder)
    blanks = blank_digests(folder, settings, digests)
    log = load_session_log(folder, settings.rights) if log is None else log
    places = (folder, profiles_folder() / "tone")
    tones: dict[str, ToneProfile] = {}
    jobs = []
    for plate in settings.plates:
        if plate.skip:
            continue
        of_pictures = [picture.tone or plate.tone for picture in plate.pictures]
        for name in {plate.tone, *of_pictures} - set(tones):
            tones[name] = load_tone(name, places)
        names = (*plate.captures, *settings.light_captures)
        jobs.append(
            PlateJob(
                folder=folder,
                output=output,
                settings=plate,
                scan=settings.scan,
                calibration=calibration,
                blanks=blanks,
                tone=tones[plate.tone],
                picture_tones=tuple(tones[name] for name in of_pictures),
                entry=log.entry(plate.id),
                inputs=tuple((name, digests[folder / name]) for name in names),
            )
        )
    return jobs


def peak_of_job(job: PlateJob) -> Peak:
    """Return the memory one worker takes at its peak for a job."""
    return peak_of(job.settings.colour, job.captures)
