"""Process profiles as TOML files; the user's own replace what they name and keep the cautions."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from platebench.core.cautions import CAUTIONS
from platebench.core.checked_table import LONGEST_TEXT, CheckedTable, read_toml
from platebench.core.errors import MissingProfileError
from platebench.core.installed import profiles_folder
from platebench.printing.print_look import SOURCED, Status
from platebench.printing.print_tables import (
    STATED,
    read_band,
    read_calibration,
    read_ink,
    read_look,
    read_print_curve,
    read_statuses,
)
from platebench.printing.process import TABLET_STEP, ExposureScale, Process

FOLDER = "process"  # of the session, of the user's settings, of the profiles that come along
_TEXT_KEYS = ("title", "light", "contrast", "hazards", "cautions")
_TABLE_KEYS = ("spectral_band", "print", "print_curve", "calibration", "ink")
_KEYS = (*_TEXT_KEYS, "exposure_scale", "grade", *_TABLE_KEYS)
_NUMBERS = ("low", "typical", "high")
_SHORTEST, _LONGEST = 0.1, 4.0  # log units


def process_folders(session: Path | None, user: Path | None) -> tuple[Path, ...]:
    """Return where profiles are looked for, the strongest first.

    Parameters
    ----------
    session : Path or None
        Session folder; its ``process`` folder comes first.
    user : Path or None
        The user's settings folder; its ``process`` folder comes next.
    """
    own = [folder / FOLDER for folder in (session, user) if folder is not None]
    return (*own, profiles_folder() / FOLDER)


def list_processes(folders: Sequence[Path]) -> list[str]:
    """Return the names of the process profiles in some folders, sorted."""
    return sorted({path.stem for folder in folders for path in folder.glob("*.toml")})


def load_processes(folders: Sequence[Path], names: Sequence[str] = ()) -> list[Process]:
    """Read several process profiles, or all there are, by name.

    Raises
    ------
    MissingProfileError, SettingsFileError, BadSettingError, BadSettingsError
        As :func:`load_process` does.
    """
    return [load_process(name, folders) for name in names or list_processes(folders)]


def load_process(name: str, folders: Sequence[Path]) -> Process:
    """Read the process profile ``name.toml``.

    Where several folders have it, each top-level key counts from the first folder that has the
    key, so a file of one's own may hold a tested scale and nothing else. Hazards and cautions
    are never replaced, only added to.

    Parameters
    ----------
    name : str
        File name without ``.toml``; not a path.
    folders : sequence of Path
        The strongest first; see :func:`process_folders`.

    Raises
    ------
    MissingProfileError
        If no folder has it; says which ones there are.
    SettingsFileError
        If a file cannot be read as TOML.
    BadSettingError, BadSettingsError
        If a file has an unknown key, lacks one, or says nonsense.
    """
    known = list_processes(folders)
    if name not in known:
        raise MissingProfileError("process", name, tuple(folders), tuple(known))
    paths = [folder / f"{name}.toml" for folder in folders]
    files = [(path, read_toml(path)) for path in paths if path.is_file()]
    for path, values in files:  # each by itself, so that a message names the file it is about
        table = CheckedTable(path, "", values, [])
        _read_table(table, complete=len(files) == 1)
        table.finish()
    joined = _joined([values for _, values in files])
    scaled = (path for path, values in files if "exposure_scale" in values or "grade" in values)
    table = CheckedTable(next(scaled, files[0][0]), "", joined, [])
    process = _read_table(table, complete=True)
    table.finish()
    return process


def _joined(files: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    """Join the files of one name, the strongest first."""
    joined: dict[str, Any] = {}
    for values in files:
        scaled = "exposure_scale" in joined or "grade" in joined
        for key, value in values.items():
            if key in ("hazards", "cautions"):
                joined[key] = [*joined.get(key, []), *value]
            elif not (scaled and key in ("exposure_scale", "grade")):
                joined.setdefault(key, value)
    return joined


def _read_table(table: CheckedTable, *, complete: bool) -> Process:
    """Read a profile; problems are noted in the table."""
    table.check_keys(_KEYS)
    if complete:
        for key, remedy in (
            ("title", "name the process"),
            ("light", 'write "ultraviolet" or "blue"'),
            ("hazards", "list its hazards, or write [] if there are none"),
        ):
            if key not in table:
                table.problem(key, "is missing", remedy)
    ink, calibration = read_ink(table), read_calibration(table)
    if calibration and calibration.colour != (None if ink is None else ink.colour):
        calibration = None  # of prints through another ink
    return Process(
        name=table.path.stem,
        title=table.text("title", table.path.stem),
        light=table.choice("light", ("ultraviolet", "blue"), "ultraviolet"),
        scales=_scales(table, complete=complete),
        contrast=table.text("contrast", ""),
        hazards=_hazards(table),
        cautions=_texts(table, "cautions"),
        path=table.path,
        look=read_look(table),
        print_curve=read_print_curve(table),
        band=read_band(table),
        calibration=calibration,
        ink=ink,
    )


def _scales(table: CheckedTable, *, complete: bool) -> tuple[ExposureScale, ...]:
    grades, single = table.tables("grade"), "exposure_scale" in table
    if single and "grade" in table:
        table.problem("exposure_scale", "stands beside [[grade]]", "write one of the two")
    elif single:
        return (_scale(table.table("exposure_scale")),)
    elif not grades and (complete or "grade" in table):
        table.problem("exposure_scale", "is missing", "write its numbers under [exposure_scale]")
    scales = [_scale(grade, named=True) for grade in grades]
    return tuple(sorted(scales, key=lambda scale: -scale.typical))


def _scale(table: CheckedTable, *, named: bool = False) -> ExposureScale:
    """Read one scale; ends left out lie half a tablet step from the typical value."""
    table.check_keys((*_NUMBERS, "status", "source", "adjustable", *(("name",) if named else ())))
    said = [key for key in _NUMBERS if key in table]
    if "typical" not in said and said != ["low", "high"]:
        table.problem("typical", "is missing", "write the scale in log units, such as 1.65")
        said = []
    if named and "name" not in table:
        table.problem("name", "is missing", 'name the grade, such as "grade 2"')
    number = {key: table.number(key, _SHORTEST, _LONGEST, 1.0) for key in said}
    low, high = number.get("low"), number.get("high")
    middle = (low + high) / 2 if low is not None and high is not None else 1.0
    typical = number.get("typical", middle)
    low = typical - TABLET_STEP / 2 if low is None else low
    high = typical + TABLET_STEP / 2 if high is None else high
    if not low <= typical <= high:
        table.problem("typical", f"is {typical:g}", "keep low, typical and high in this order")
    source = table.text("source", "")
    status = _statuses(table, said)
    for key, value in status.items():
        if value in SOURCED and not source.strip():
            table.problem("source", "is missing", f"name where {key} was read")
            break
    return ExposureScale(
        low=low,
        typical=typical,
        high=high,
        status=(
            status.get("low", Status.STEP),
            status.get("typical", Status.MIDDLE),
            status.get("high", Status.STEP),
        ),
        source=source,
        grade=table.text("name", "") if named else "",
        adjustable=table.flag("adjustable", False),
    )


def _statuses(table: CheckedTable, said: Sequence[str]) -> dict[str, Status]:
    if "status" not in table:
        table.problem("status", "is missing", f"write one of {_quoted(STATED)}")
    return read_statuses(table, said)


def _hazards(table: CheckedTable) -> tuple[str, ...]:
    hazards = _texts(table, "hazards")
    for hazard in hazards:
        if hazard not in CAUTIONS:
            table.problem(
                "hazards",
                f'lists "{hazard}", which is none known here',
                f"write it under cautions, or choose from {_quoted(list(CAUTIONS))}",
            )
    return hazards


def _texts(table: CheckedTable, key: str) -> tuple[str, ...]:
    """Return a list of texts, each once."""
    value = table.values.get(key, [])
    if not isinstance(value, list) or not all(
        isinstance(text, str) and text.isprintable() and len(text) <= LONGEST_TEXT for text in value
    ):
        remedy = f'write {key} = ["...", "..."], each at most {LONGEST_TEXT} characters'
        table.problem(key, "is not a list of texts", remedy)
        return ()
    return tuple(dict.fromkeys(value))


def _quoted(words: Sequence[str]) -> str:
    return ", ".join(f'"{word}"' for word in words)
