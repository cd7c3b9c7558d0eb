"""The bare light and the dark level of a session, prepared once for all its plates."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import overload

from platebench.image import SensorFrame
from platebench.memory import available_bytes
from platebench.progress import NullProgress, Progress, working
from platebench.session.room import no_room, peak_of
from platebench.settings import ScanSettings, SessionSettings
from platebench.stages.light import Dark, Light, dark_from_frames, light_from_blanks
from platebench.stages.read_capture import read_capture


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

    None where there are no such frames.

    Raises
    ------
    CaptureError
        If one cannot be read, or not within ``memory`` bytes (None: most of what is available).
    BlankFrameError, FrameMismatchError
        If one is not what it is named as, or they do not fit together.
    """
    darks = [folder / name for name in settings.dark]
    blanks = [folder / name for name in settings.blank]
    with working(progress, "blank frames", len(darks) + len(blanks)) as told:
        return light_of_frames(
            FramesOnDisk(blanks, settings.scan, told, memory),
            FramesOnDisk(darks, settings.scan, told, memory),
        )


def light_of_frames(
    blanks: Sequence[SensorFrame], darks: Sequence[SensorFrame]
) -> tuple[Light | None, Dark | None]:
    """Return the light of blank frames and the level of dark frames; see :func:`prepare_light`."""
    dark = dark_from_frames(darks) if darks else None
    light = light_from_blanks(blanks, dark) if blanks else None
    return light, dark
