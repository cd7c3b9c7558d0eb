"""Change ``session.toml`` as a person would: a few values, every comment and line kept."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import tomlkit
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import AoT, Table

from platebench.checked_table import read_toml
from platebench.errors import SettingsFileError
from platebench.fsio import atomic_write
from platebench.session.session_file import FILE_NAME, session_from_toml
from platebench.settings import SessionSettings


def edit_plate(
    folder: Path, plate_id: str, changes: Mapping[str, Any]
) -> tuple[SessionSettings, dict[str, Any]]:
    """Set keys of one plate in ``session.toml`` and write it.

    Parameters
    ----------
    folder : Path
        The session folder.
    plate_id : str
        The plate's ``id``.
    changes : mapping of str to value or None
        New values; None takes the key away, so that the value of ``[every_plate]`` holds.

    Returns
    -------
    settings : SessionSettings
        Of the file as it is now.
    before : dict
        What undoes the change: earlier values, None where a key was not there.

    Raises
    ------
    SettingsFileError
        If the file is gone, is not TOML, or lists no such plate.
    BadSettingError, BadSettingsError
        If a value cannot be used; the file is left as it was.
    WriteError
        If it cannot be written.
    """
    path = folder / FILE_NAME
    document = _document(path)
    table = _plate_table(document, plate_id, path)
    before = {key: _plain(table.get(key)) for key in changes}
    for key, value in changes.items():
        if value is None:
            table.pop(key, None)
        else:
            table[key] = value
    return _written(document, path), before


def add_captures(
    folder: Path,
    *,
    plates: Sequence[tuple[str, Sequence[str]]] = (),
    blank: Sequence[str] = (),
    dark: Sequence[str] = (),
) -> SessionSettings:
    """Add plates at the end of ``session.toml``, and frames to those it lists.

    Parameters
    ----------
    plates : sequence of (str, sequence of str)
        Ids and their captures; a plate that is there gets the captures it lacks.
    blank, dark : sequence of str
        Names of frames.

    Raises
    ------
    SettingsFileError, BadSettingError, BadSettingsError, WriteError
        As `edit_plate`.
    """
    path = folder / FILE_NAME
    document = _document(path)
    for key, names in (("blank", blank), ("dark", dark)):
        if names:
            light = document.setdefault("light", tomlkit.table())
            light[key] = [*light.get(key, []), *names]
    there = document.setdefault("plate", tomlkit.aot())
    known = {table.get("id"): table for table in there}
    for plate_id, captures in plates:
        if plate_id in known:
            before = known[plate_id].get("captures", [])
            known[plate_id]["captures"] = [*before, *(n for n in captures if n not in before)]
            continue
        table = tomlkit.table()
        table.add("id", plate_id)
        table.add("captures", list(captures))
        there.append(table)
    return _written(document, path)


def _document(path: Path) -> tomlkit.TOMLDocument:
    read_toml(path)  # its messages are the plainer ones
    try:
        return tomlkit.parse(path.read_bytes().decode("utf-8-sig"))
    except (OSError, TOMLKitError) as error:
        raise SettingsFileError(path, "cannot be read", "look at the file") from error


def _written(document: tomlkit.TOMLDocument, path: Path) -> SessionSettings:
    settings = session_from_toml(document.unwrap(), path)
    with atomic_write(path) as stream:
        stream.write(tomlkit.dumps(document).encode())
    return settings


def _plate_table(document: tomlkit.TOMLDocument, plate_id: str, path: Path) -> Table:
    plates = document.get("plate")
    for table in plates if isinstance(plates, AoT) else ():
        if isinstance(table, Table) and table.get("id") == plate_id:
            return table
    what = f'lists no plate "{plate_id}" under [[plate]]'
    raise SettingsFileError(path, what, "add it there, or name another")


def _plain(value: Any) -> Any:
    return value.unwrap() if hasattr(value, "unwrap") else value
