"""Change ``session.toml`` as a person would: a few values, every comment and line kept."""

from __future__ import annotations

import os
import re
import tomllib
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from types import MappingProxyType
from typing import Any

import tomlkit
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import AoT, Table

from platebench.core.checked_table import read_toml
from platebench.core.errors import SettingsFileError
from platebench.core.files import atomic_write
from platebench.core.settings import PlateSettings, SessionSettings
from platebench.session.settings_file import FILE_NAME, session_from_toml

_PLATE = re.compile(r"^[ \t]*\[\[[ \t]*plate[ \t]*\]\]", re.MULTILINE)
Change = Callable[[tomlkit.TOMLDocument], None]
_TRIES = 20  # of writing a file that somebody else keeps writing


class _WrittenMeanwhile(Exception):
    """The file is not the one that was read."""


def edit_plate(
    folder: Path,
    plate_id: str,
    changes: Mapping[str, Any],
    *,
    expected: Mapping[str, Any] | None = None,
) -> tuple[SessionSettings, dict[str, Any]]:
    """Set keys of one plate; as `edit_plates`, and ``before`` is that plate's."""
    wanted = None if expected is None else {plate_id: expected}
    settings, before = edit_plates(folder, {plate_id: changes}, expected=wanted)
    return settings, before[plate_id]


def edit_plates(
    folder: Path,
    changes: Mapping[str, Mapping[str, Any]],
    *,
    expected: Mapping[str, Mapping[str, Any]] | None = None,
    every: Mapping[str, Any] = MappingProxyType({}),
) -> tuple[SessionSettings, dict[str, dict[str, Any]]]:
    """Set keys of plates in ``session.toml`` and write it once: all of the changes, or none.

    Parameters
    ----------
    folder : Path
        The session folder.
    changes : mapping of str to mapping of str to value or None
        New values by the plate's ``id``; None takes a key away, so that the value of
        ``[every_plate]`` holds.
    expected : mapping like ``changes``, optional
        What keys must hold for the changes to be made; None is a key that is not there.
    every : mapping
        New values under ``[every_plate]``; the plates named no longer have their own.

    Returns
    -------
    settings : SessionSettings
        Of the file as it is now.
    before : dict
        What undoes the changes: earlier values, None where a key was not there.

    Raises
    ------
    SettingsFileError
        If the file is gone, is not TOML, lists no such plate, or holds something else than was
        expected.
    BadSettingError, BadSettingsError
        If a value cannot be used; the file is left as it was.
    WriteError
        If it cannot be written.
    """
    path = folder / FILE_NAME
    before: dict[str, dict[str, Any]] = {}

    def change_of(plate_id: str) -> Change:
        def change(document: tomlkit.TOMLDocument) -> None:
            table = _plate_table(document, plate_id, path)
            before[plate_id] = {key: _plain(table.get(key)) for key in changes[plate_id]}
            for key, value in (expected or {}).get(plate_id, {}).items():
                if _plain(table.get(key)) != value:
                    what = f'has another {key} for plate "{plate_id}" by now'
                    raise SettingsFileError(path, what, "nothing was changed; set it anew")
            for key, value in {**dict.fromkeys(every), **changes[plate_id]}.items():
                if value is None:
                    table.pop(key, None)
                else:
                    table[key] = value

        return change

    def for_every(document: tomlkit.TOMLDocument) -> None:
        document.setdefault("every_plate", tomlkit.table()).update(every)

    to_do: dict[str | None, Change] = {None: for_every} if every else {}
    to_do |= {plate_id: change_of(plate_id) for plate_id in changes}
    return _changed(path, to_do), before


def add_captures(
    folder: Path,
    *,
    plates: Sequence[PlateSettings] = (),
    frames: Mapping[str, Sequence[str]] = MappingProxyType({}),
) -> SessionSettings:
    """Add plates at the end of ``session.toml``, and frames to those it lists.

    Parameters
    ----------
    plates : sequence of PlateSettings
        Ids, captures, corners and doubts; a plate that is there gets the captures it lacks.
    frames : mapping of str to sequence of str
        Names of frames by their key under ``[light]``, such as "blank".

    Raises
    ------
    SettingsFileError, BadSettingError, BadSettingsError, WriteError
        As `edit_plate`.
    """

    def change(document: tomlkit.TOMLDocument) -> None:
        for key, names in frames.items():
            if names:
                light = document.setdefault("light", tomlkit.table())
                light[key] = [*light.get(key, []), *names]
        there = document.setdefault("plate", tomlkit.aot())
        known = {table.get("id"): table for table in there}
        for plate in plates:
            if plate.id in known:
                before = known[plate.id].get("captures", [])
                lacking = (name for name in plate.captures if name not in before)
                known[plate.id]["captures"] = [*before, *lacking]
                continue
            table = tomlkit.table()
            table.add("id", plate.id)
            table.add("captures", list(plate.captures))
            if plate.corners is not None:
                table.add("corners", [list(corner) for corner in plate.corners])
            if plate.doubt:
                table.add("doubt", plate.doubt)
            there.append(table)

    return _changed(folder / FILE_NAME, {None: change})


def _changed(path: Path, changes: Mapping[str | None, Change]) -> SessionSettings:
    """Change the file as it is now; what somebody else writes meanwhile is not lost.

    A change stands under the plate it is for, and only that plate's lines are read with their
    comments: in a session of thousands that takes most of the time. Under None: the whole file.
    """
    target = path.resolve() if path.is_symlink() else path
    for _ in range(_TRIES):
        values = read_toml(path)  # its messages are the plainer ones
        try:
            read = path.read_bytes()
            text = read.decode("utf-8-sig")
        except (OSError, ValueError) as error:
            raise SettingsFileError(path, "cannot be read", "look at the file") from error
        for plate_id, change in changes.items():
            start, end = _lines_of_plate(text, values, plate_id)
            try:
                document = tomlkit.parse(text[start:end])
            except (ValueError, TOMLKitError) as error:
                raise SettingsFileError(path, "cannot be read", "look at the file") from error
            change(document)
            text = text[:start] + tomlkit.dumps(document) + text[end:]
        settings = session_from_toml(tomllib.loads(text), path)
        with suppress(_WrittenMeanwhile), atomic_write(target) as stream:
            stream.write(text.encode())
            stream.flush()
            os.fsync(stream.fileno())
            if path.read_bytes() != read:
                raise _WrittenMeanwhile
            return settings
    raise SettingsFileError(path, "is being written by something else", "try again in a moment")


def _lines_of_plate(text: str, values: Mapping[str, Any], plate_id: str | None) -> tuple[int, int]:
    """Return where a plate's table begins and ends; all of the text where that is not plain."""
    plates = values.get("plate")
    starts = [found.start() for found in _PLATE.finditer(text)]
    if not isinstance(plates, list) or len(starts) != len(plates):
        return 0, len(text)
    places = [n for n, plate in enumerate(plates) if plate.get("id") == plate_id]
    for place in places[:1]:
        start, end = starts[place], (*starts, len(text))[place + 1]
        with suppress(tomllib.TOMLDecodeError):  # its header stands in a text
            if tomllib.loads(text[start:end]) == {"plate": [plates[place]]}:
                return start, end
    return 0, len(text)


def _plate_table(document: tomlkit.TOMLDocument, plate_id: str, path: Path) -> Table:
    plates = document.get("plate")
    for table in plates if isinstance(plates, AoT) else ():
        if isinstance(table, Table) and table.get("id") == plate_id:
            return table
    what = f'lists no plate "{plate_id}" under [[plate]]'
    raise SettingsFileError(path, what, "add it there, or name another")


def _plain(value: Any) -> Any:
    return value.unwrap() if hasattr(value, "unwrap") else value
