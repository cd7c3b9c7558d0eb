"""Convert plates as the camera's files arrive: they are judged while still on the light box.

A file counts as arrived once it has not changed for a while and can be read to its end, see
:mod:`platebench.session.incoming`. What arrives is added to ``session.toml``: as a fresh draft
while nobody has edited it and no plate would lose its id, else at the end of it. Where that could
not be done, it is tried again once ``session.toml`` has changed.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from platebench.core.errors import PlateError
from platebench.core.progress import Progress
from platebench.core.settings import (
    LIGHT_KEYS,
    PlateSettings,
    ScanBits,
    ScanSettings,
    SessionSettings,
)
from platebench.plate.job import PlateResult
from platebench.session.capture_look import CaptureLook, look_at, looked_at_with_bits, session_bits
from platebench.session.check_file import CheckedCapture, keep_checks
from platebench.session.check_session import check_session
from platebench.session.convert_session import SessionResult, convert_session
from platebench.session.draft_file import SessionDraft, is_unedited, write_draft
from platebench.session.drafting import draft_from_looks, list_captures
from platebench.session.edit_file import add_captures
from platebench.session.incoming import Incoming, Stamp
from platebench.session.record import Known
from platebench.session.settings_file import FILE_NAME, load_session
from platebench.session.several_plates import Part, parting

SETTLE_S = 3.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Arrival:
    """What came of the files that arrived.

    Attributes
    ----------
    files : tuple of str
        Names of the captures that came, read to their end.
    plates : tuple of PlateResult
        Plates converted now, in order.
    checked : tuple of CheckedCapture
        Verdicts on their captures.
    waiting : tuple of str
        Files that cannot be read as they are and may still be on their way, a sentence each.
    trouble : tuple of str
        What could not be done, in a sentence each.
    """

    files: tuple[str, ...]
    plates: tuple[PlateResult, ...] = ()
    checked: tuple[CheckedCapture, ...] = ()
    waiting: tuple[str, ...] = ()
    trouble: tuple[str, ...] = ()


@dataclass(slots=True, kw_only=True)
class SessionWatch:
    """Watches one session folder; ``look`` is called every so often.

    Parameters
    ----------
    folder : Path
        The session folder.
    output : Path or None
        Folder of results; None: ``converted`` in the session folder.
    settle_s : float
        How long a file must stay as it is, s.
    workers : int or None
        As for `convert_session`.
    memory : int or None
        As for `convert_session`.
    progress : Progress or None
        Told of each plate.
    clock : callable
        Seconds that only go forward.
    """

    folder: Path
    output: Path | None = None
    settle_s: float = SETTLE_S
    workers: int | None = None
    memory: int | None = None
    progress: Progress | None = None
    clock: Callable[[], float] = time.monotonic
    _incoming: Incoming = field(init=False)
    _done: set[tuple[str, Stamp]] = field(default_factory=set)
    _digests: Known = field(default_factory=dict)
    _again: dict[tuple[CaptureLook, ScanBits], CaptureLook] = field(default_factory=dict)
    _parted: dict[tuple[tuple[str, ...], tuple[str, ...]], tuple[PlateSettings, ...]] = field(
        default_factory=dict
    )
    _failed: tuple[frozenset[str], Stamp] | None = None  # files, session.toml as it was

    def __post_init__(self) -> None:
        self._incoming = Incoming(settle_s=self.settle_s)

    def look(self) -> Arrival | None:
        """Look at the folder once; None where there is nothing new to tell.

        Raises
        ------
        SessionFolderError
            If the folder is gone.
        """
        paths, _ = list_captures(self.folder)
        now = self.clock()
        if not self._incoming.note(paths, now):
            return None
        held = self._incoming.read(now)
        waiting, trouble = self._incoming.told()
        if waiting or trouble:  # before the plates, which take their time
            return Arrival(files=(), waiting=waiting, trouble=trouble)
        if held:
            return None
        present = {(look.name, stamp): look for look, stamp in self._incoming.looks()}
        new = {name for name, _ in present.keys() - self._done}
        if self._failed is not None and (new or self._failed[1] != self._settings_stamp()):
            new |= self._failed[0] & {name for name, _ in present}  # tried again
        self._done = set(present)
        return self._bring_in(sorted(new), list(present.values())) if new else None

    def _bring_in(self, fresh: list[str], looks: list[CaptureLook]) -> Arrival:
        try:
            settings = bring_in(self.folder, self._settled(looks), self._part)
            touched = [
                plate.id
                for plate in settings.plates
                if not plate.skip and set(plate.captures) & set(fresh)
            ]
            if not any(not plate.skip for plate in settings.plates):
                return Arrival(files=tuple(fresh))
            result: SessionResult = convert_session(
                self.folder,
                output=self.output,
                workers=self.workers,
                memory=self.memory,
                progress=self.progress,
                known=self._digests,
            )
            checked = check_session(self.folder, only=touched, workers=self.workers)
            keep_checks(self.folder, result.output, checked)
            self._failed = None
        except PlateError as error:
            self._failed = frozenset(fresh), self._settings_stamp()
            return Arrival(files=tuple(fresh), trouble=tuple(str(error).splitlines()))
        return Arrival(
            files=tuple(fresh),
            plates=tuple(plate for plate in result.results if not plate.skipped),
            checked=tuple(entry for entry in checked if entry.name in fresh),
            trouble=tuple(str(error) for error in result.errors),
        )

    def _settled(self, looks: list[CaptureLook]) -> list[CaptureLook]:
        """Return looks by the bits that the session's scans have, each taken again once at most."""
        bits = session_bits(looks)
        scan = ScanSettings(bits=bits)

        def again(some: list[CaptureLook]) -> list[CaptureLook]:
            for look in some:
                if (look, bits) not in self._again:
                    self._again[look, bits] = look_at(self.folder / look.name, scan)
            return [self._again[look, bits] for look in some]

        return looked_at_with_bits(looks, bits, again)

    def _part(
        self, plates: Sequence[PlateSettings], settings: SessionSettings
    ) -> list[tuple[PlateSettings, ...]]:
        """Find the plates of captures that may show several, of each framing and light once."""
        keys = [(plate.captures, settings.light_captures) for plate in plates]
        new = [one for one, key in zip(plates, keys, strict=True) if key not in self._parted]
        part = parting(self.folder, workers=self.workers, memory=self.memory)
        for plate, shown in zip(new, part(new, settings) if new else [], strict=True):
            self._parted[plate.captures, settings.light_captures] = shown
        return [self._parted[key] for key in keys]

    def _settings_stamp(self) -> Stamp:
        try:
            facts = (self.folder / FILE_NAME).stat()
        except OSError:
            return 0, 0
        return facts.st_size, facts.st_mtime_ns


def bring_in(
    folder: Path, looks: Sequence[CaptureLook], part: Part | None = None
) -> SessionSettings:
    """Have ``session.toml`` list every capture that was looked at; return its settings.

    ``part`` finds the plates where a capture may show several; None: they are found anew.

    Raises
    ------
    SettingsError, WriteError
        If the file cannot be used or written.
    """
    path = folder / FILE_NAME
    draft = draft_from_looks(looks, title=folder.resolve().name, part=part or parting(folder))
    if not path.exists():
        write_draft(folder, draft)
        return load_session(folder)
    settings = load_session(folder)
    if is_unedited(path) and _continues(settings, draft.settings):
        write_draft(folder, draft)
        return load_session(folder)
    plates, frames = _additions(settings, draft)
    if not (plates or any(frames.values())):
        return settings
    return add_captures(folder, plates=plates, frames=frames)


def _continues(settings: SessionSettings, drafted: SessionSettings) -> bool:
    """Tell whether a new draft leaves every plate its id: what came late may lie in between."""
    return all(
        before.id == after.id and set(before.captures) <= set(after.captures)
        for before, after in zip(settings.plates, drafted.plates, strict=False)
    ) and len(settings.plates) <= len(drafted.plates)


def _additions(
    settings: SessionSettings, draft: SessionDraft
) -> tuple[list[PlateSettings], dict[str, list[str]]]:
    """Return what a draft has and an edited file lacks: plates, and frames by kind."""
    known = {*(n for plate in settings.plates for n in plate.captures), *settings.light_captures}
    drafted = draft.settings
    frames = {
        key: [name for name in getattr(drafted, key) if name not in known] for key in LIGHT_KEYS
    }
    plates: list[PlateSettings] = []
    taken = {plate.id for plate in settings.plates}
    for plate in drafted.plates:
        lacking = tuple(name for name in plate.captures if name not in known)
        if not lacking:
            continue
        owners = [own for own in settings.plates if set(own.captures) & set(plate.captures)]
        alike = [one for one in drafted.plates if one.captures == plate.captures]
        if len(owners) == len(alike):  # the rest of a bracket
            own = owners[alike.index(plate)]
            plates.append(replace(plate, id=own.id, captures=lacking))
            continue
        plate_id = _free_id(taken)
        taken.add(plate_id)
        plates.append(replace(plate, id=plate_id, captures=lacking))
    return plates, frames


def _free_id(taken: set[str]) -> str:
    number = len(taken) + 1
    while f"plate-{number:03d}" in taken:
        number += 1
    return f"plate-{number:03d}"
