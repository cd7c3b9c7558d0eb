"""The session under review: its plates as they stand, and what a person changes about them.

Safe to use from several threads. What is decided lives in ``session.toml``; the table holds
nothing that the file does not, but for the steps that undo takes back.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from threading import Lock, RLock, Thread
from typing import Any, NamedTuple

import numpy as np

from platebench.core.errors import PlateError, SessionFolderError
from platebench.core.installed import profiles_folder
from platebench.core.settings import Corners, PlateSettings, SessionSettings
from platebench.plate.calibration import FILE_NAME as CALIBRATION
from platebench.plate.job import PlateJob, PrintingEnds
from platebench.plate.light import Dark, Light
from platebench.review.kept import KeptChoices
from platebench.review.layers import (
    Layer,
    Shown,
    Table,
    captured_table,
    density_table,
    jpeg,
    painted,
    positive_table,
    show_plate,
)
from platebench.review.plate_pixels import PlatePixels, load_pixels
from platebench.review.results import Results, stamp_of
from platebench.review.shelf import Shelf
from platebench.review.tiles import DeepSize, codes_of_preview, codes_of_tile
from platebench.session.convert_session import shared_ends
from platebench.session.edit_file import edit_plates
from platebench.session.jobs import blank_digests, prepare_light, session_calibration
from platebench.session.session_report import OUTPUT_NAME
from platebench.session.settings_file import FILE_NAME, load_session
from platebench.tone.profile_file import list_tones, load_tone

EDITABLE = (
    *("corners", "rotate", "emulsion", "tone", "printing", "print_stops", "print_contrast"),
    *("crop", "straighten", "format", "pictures", "skip", "checked", "note", "long_mm", "short_mm"),
    *("picture", "picture_margin_mm", "picture_ratio", "picture_box_mm", "crop_positives"),
)
MOST_STEPS_BACK = 500
LOUPE = 64  # pixels of the capture, a power of two


class _PixelsKey(NamedTuple):
    """All that decides a plate's pixels."""

    plate_id: str
    but_corners: tuple[object, ...]
    corners: Corners | None


@dataclass(frozen=True, slots=True)
class _Step:
    """One change of one plate or many, both ways: values by plate and key."""

    before: Mapping[str, Mapping[str, Any]]
    after: Mapping[str, Mapping[str, Any]]


class ReviewTable:
    """One session, looked at and corrected.

    Parameters
    ----------
    folder : Path
        The session folder, holding ``session.toml``.
    output : Path or None
        Folder of results; None: ``converted`` in the session folder.
    memory_bytes : int
        For plates held at full size.
    user_folder : Path or None
        Where a person keeps process profiles of their own.
    front : str
        Address of the page this one is opened from; "" where it is opened by itself.

    Raises
    ------
    SettingsError, SessionFolderError
        If there is no session there.
    """

    def __init__(
        self,
        folder: Path,
        *,
        output: Path | None = None,
        memory_bytes: int = 1 << 30,
        user_folder: Path | None = None,
        front: str = "",
    ) -> None:
        self.front = front  # address of the page this one was opened from
        self.folder, self.user_folder = folder, user_folder
        self.output = folder / OUTPUT_NAME if output is None else output
        self.results = Results(self.output)
        self.kept = KeptChoices(user_folder)
        self.shelf: Shelf[PlatePixels] = Shelf(memory_bytes)
        self._settings = load_session(folder)
        self.fault: Exception | None = None  # what is wrong with session.toml as it is now
        self._writing = RLock()
        self._light_lock = Lock()
        self._light: tuple[object, tuple[Light | None, Dark | None]] | None = None
        self._aside: set[_PixelsKey] = set()
        self._aside_lock = Lock()
        self.when_ready: Callable[[str], None] = lambda _plate_id: None
        self._done: list[_Step] = []
        self._undone: list[_Step] = []

    @property
    def settings(self) -> SessionSettings:
        """What ``session.toml`` said when it was read last."""
        return self._settings

    def reread(self) -> None:
        """Read ``session.toml`` again.

        Raises
        ------
        SettingsError
            If it cannot be used now; the settings of before stay, and ``fault`` says why.
        """
        try:
            self._settings, self.fault = load_session(self.folder), None
        except (PlateError, OSError) as error:
            self.fault = error
            raise

    def plate(self, plate_id: str) -> PlateSettings:
        """Return a plate's settings.

        Raises
        ------
        SessionFolderError
            If the session lists no such plate.
        """
        for plate in self._settings.plates:
            if plate.id == plate_id:
                return plate
        raise SessionFolderError(
            self.folder / FILE_NAME, f'lists no plate "{plate_id}"', "name another"
        )

    def tones(self) -> list[str]:
        """Return the names of the tone profiles there are."""
        return list_tones(self._tone_folders())

    # -- pictures ---------------------------------------------------------------------------

    def shown(self, plate_id: str) -> Shown:
        """Return a plate ready to be drawn, read from its captures where that is still to do.

        Corners moved by hand change the light measured around the plate, and with it all
        densities a little. While that is worked out, the pixels of before are shown with the new
        corners; ``when_ready`` is called once the others are there.

        Raises
        ------
        PlateError
            If it cannot be read.
        """
        settings = self.plate(plate_id)
        key = self._pixels_key(settings)
        pixels = self.shelf.held(key) or self._nearly(key, settings)
        if pixels is None:
            pixels = self.shelf.get(key, lambda: self._load(settings))
            self._put_away_others(key)
        return show_plate(pixels, settings)

    def is_at_hand(self, plate_id: str) -> bool:
        """Tell whether a plate's pixels are in memory, as its settings are now."""
        return self.shelf.held(self._pixels_key(self.plate(plate_id))) is not None

    def _nearly(self, key: _PixelsKey, settings: PlateSettings) -> PlatePixels | None:
        """Return pixels that differ in the corners only, and have the right ones made."""
        for other in self.shelf.held_keys():
            if isinstance(other, _PixelsKey) and other.but_corners == key.but_corners:
                pixels = self.shelf.held(other)
                if pixels is not None:
                    self._load_aside(key, settings)
                    return pixels
        return None

    def _load_aside(self, key: _PixelsKey, settings: PlateSettings) -> None:
        with self._aside_lock:
            if key in self._aside:
                return
            self._aside.add(key)

        def work() -> None:
            try:
                if key == self._pixels_key(self.plate(settings.id)):  # else it has moved on
                    self.shelf.get(key, lambda: self._load(settings))
                    self._put_away_others(key)
                    self.when_ready(settings.id)
            except PlateError:
                pass  # told when the plate is converted
            finally:
                with self._aside_lock:
                    self._aside.discard(key)

        Thread(target=work, daemon=True).start()

    def _put_away_others(self, key: _PixelsKey) -> None:
        for other in self.shelf.held_keys():
            same_plate = isinstance(other, _PixelsKey) and other.plate_id == key.plate_id
            if same_plate and other != key:
                self.shelf.drop(other)

    def version(self, plate_id: str) -> str:
        """Return what changes whenever a plate's pictures do."""
        settings = replace(self.plate(plate_id), checked=False, note="", pictures=())
        ends = self._shared_ends() if settings.printing == "shared" else None
        tone = self._tone_stamp(settings.tone)
        text = repr((settings, ends, tone, self._pixels_key(settings), self.is_at_hand(plate_id)))
        return hashlib.sha256(text.encode()).hexdigest()[:12]

    def table(self, shown: Shown, layer: Layer) -> Table:
        """Return the pixel value of each code in a layer."""
        ends = self.ends(shown)
        if (
            layer in ("captured", "negative") or ends is None
        ):  # a positive is shown as it was scanned
            return captured_table(shown.pixels)
        if layer == "density":
            return density_table(shown.pixels)
        tone = load_tone(shown.settings.tone, self._tone_folders())
        return positive_table(shown.pixels, shown.settings, tone, ends)

    def ends(self, shown: Shown) -> PrintingEnds | None:
        """Return the densities that print black and white, as conversion sets them.

        None of a scan that shows a positive, which is not printed.
        """
        if shown.pixels.densities is None:
            return None
        if shown.settings.printing == "shared" and (shared := self._shared_ends()):
            return shared
        densities = shown.pixels.densities
        return PrintingEnds(base_fog=densities.d_min, d_max=densities.d_max)

    def tile(self, plate_id: str, layer: Layer, level: int, column: int, row: int) -> bytes | None:
        """Return one tile of a layer as JPEG; None where there is none."""
        shown = self.shown(plate_id)
        size = shown.size(layer)
        box = size.tile_box(level, column, row)
        if box is None:
            return None
        codes = codes_of_tile(shown.pixels.levels, shown.plan(layer).source, size, level, box)
        return jpeg(painted(codes, self.table(shown, layer)))

    def preview(
        self, plate_id: str, layer: Layer, long_side: int, tried: Mapping[str, Any] | None = None
    ) -> bytes:
        """Return a layer whole, at most ``long_side`` pixels long, as JPEG.

        ``tried`` are settings to look at before they are decided on: ``tone``, ``print_stops``,
        ``print_contrast``.
        """
        shown = self.shown(plate_id)
        shown = replace(shown, settings=replace(shown.settings, **(tried or {})))
        codes = codes_of_preview(
            shown.pixels.levels, shown.plan(layer).source, shown.size(layer), long_side
        )
        return jpeg(painted(codes, self.table(shown, layer)))

    def loupe(self, plate_id: str, row: float, column: float) -> bytes:
        """Return the capture around a place, ``LOUPE`` pixels square at full size, as JPEG."""
        shown = self.shown(plate_id)
        half = (LOUPE - 1) / 2
        source = np.array([[1.0, 0, column - half], [0, 1, row - half], [0, 0, 1]])
        square = DeepSize(rows=LOUPE, columns=LOUPE)
        codes = codes_of_tile(
            shown.pixels.levels, source, square, square.last_level, (0, 0, LOUPE, LOUPE)
        )
        return jpeg(painted(codes, self.table(shown, "captured")), quality=92)

    # -- changes ----------------------------------------------------------------------------

    def edit(self, plate_id: str, changes: Mapping[str, Any]) -> None:
        """Change a plate's settings; as `edit_many`."""
        self.edit_many({plate_id: changes})

    def edit_many(self, changes: Mapping[str, Mapping[str, Any]]) -> None:
        """Change settings of plates in ``session.toml``, at once and in one step.

        Raises
        ------
        SettingsError
            If a value cannot be used, or the file cannot be read; no plate is changed then.
        WriteError
            If it cannot be written.
        """
        unknown = sorted({key for one in changes.values() for key in one} - set(EDITABLE))
        if unknown:
            known = ", ".join(EDITABLE)
            what = f"cannot be changed here ({', '.join(unknown)})"
            raise SessionFolderError(self.folder / FILE_NAME, what, f"known here: {known}")
        with self._writing:
            step = self._apply({name: self._looked_at(name, changes[name]) for name in changes})
            if step.before != step.after:
                self._done.append(step)
                del self._done[:-MOST_STEPS_BACK]
                self._undone.clear()

    def _looked_at(self, plate_id: str, changes: Mapping[str, Any]) -> Mapping[str, Any]:
        """Return changes; those of an outline end a doubt about it, as somebody has looked."""
        doubted = changes.get("corners") and self.plate(plate_id).doubt
        return {**changes, "doubt": None} if doubted else changes

    def undo(self) -> tuple[str, ...]:
        """Take the last change back and return its plates' ids; none where there is no change.

        Raises
        ------
        SettingsError
            If somebody has changed the same setting in the file since: theirs stays, and the step
            is forgotten.
        """
        return self._step_over(self._done, self._undone)

    def redo(self) -> tuple[str, ...]:
        """Make the change taken back last again; as `undo`."""
        return self._step_over(self._undone, self._done)

    def _step_over(self, steps: list[_Step], others: list[_Step]) -> tuple[str, ...]:
        with self._writing:
            if not steps:
                return ()
            step = steps.pop()
            others.append(self._apply(step.before, expected=step.after))
            return tuple(step.before)

    @property
    def steps(self) -> tuple[int, int]:
        """How many changes can be taken back, and made again."""
        return len(self._done), len(self._undone)

    def _apply(
        self,
        changes: Mapping[str, Mapping[str, Any]],
        expected: Mapping[str, Mapping[str, Any]] | None = None,
    ) -> _Step:
        self._settings, before = edit_plates(self.folder, changes, expected=expected)
        self.fault = None
        return _Step(before, changes)

    # -- what pictures are made of ----------------------------------------------------------

    def _load(self, settings: PlateSettings) -> PlatePixels:
        light, dark = self._session_light()
        calibration = session_calibration(self.folder)
        return load_pixels(
            PlateJob(
                folder=self.folder,
                output=self.output,
                settings=settings,
                scan=self._settings.scan,
                light=light,
                dark=dark,
                calibration=calibration,
                blanks=blank_digests(self.folder, self._settings) if calibration else (),
            )
        )

    def _session_light(self) -> tuple[Light | None, Dark | None]:
        """Return the light, prepared once for as long as its frames stay what they are."""
        settings = self._settings
        key = self._stamps(settings.light_captures), settings.scan
        with self._light_lock:
            if self._light is None or self._light[0] != key:
                self._light = key, prepare_light(self.folder, settings)
            return self._light[1]

    def _pixels_key(self, settings: PlateSettings) -> _PixelsKey:
        """Return all that decides a plate's pixels: files, light, and the settings that matter."""
        said = asdict(settings)
        for name in EDITABLE:  # decides how pixels are read, not which; corners stand by themselves
            del said[name]
        session = self._settings
        names = (*settings.captures, *session.light_captures, CALIBRATION)
        but_corners = (json.dumps(said, sort_keys=True), session.scan, self._stamps(names))
        return _PixelsKey(settings.id, but_corners, settings.corners)

    def _stamps(self, names: tuple[str, ...]) -> tuple[tuple[str, int, int], ...]:
        return tuple((name, *stamp_of(self.folder / name)) for name in names)

    def _tone_folders(self) -> tuple[Path, Path]:
        return self.folder, profiles_folder() / "tone"

    def _tone_stamp(self, name: str) -> tuple[int, int]:
        for folder in self._tone_folders():
            path = folder / f"{name}.toml"
            if path.is_file():
                return stamp_of(path)
        return 0, 0

    def _shared_ends(self) -> PrintingEnds | None:
        """Return the ends that plates printed alike share, from what conversion measured."""
        plates = self._settings.plates
        alike = [plate.id for plate in plates if plate.printing == "shared" and not plate.skip]
        records = [self.results.record(plate_id) for plate_id in alike]
        known = [record.ends for record in records if record and record.ends]
        return shared_ends(known) if known else None
