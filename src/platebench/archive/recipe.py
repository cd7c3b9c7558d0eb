"""``recipe.json``: all it takes to make a package's pictures again from the captures.

Deterministic: digests of the inputs, every setting that had a say with its value, tone profiles
and calibration spelled out, versions. No times, no host, no user, no folder of this machine.
Reading it back goes through the same checks as ``session.toml`` and the profiles themselves.
"""

from __future__ import annotations

import json
from collections.abc import Collection, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from platebench.archive.package_writer import PackedFile
from platebench.archive.pixels import pixels_to_json
from platebench.archive.readme import README
from platebench.core.checked_table import as_number
from platebench.core.errors import PackageError
from platebench.core.settings import LIGHT_KEYS, PlateSettings, SessionSettings
from platebench.master.make_master import ALSO, Also
from platebench.plate.calibration import Calibration, calibration_from_json
from platebench.plate.job import PlateJob, PrintingEnds
from platebench.plate_log.entry import LogEntry, entry_from_json
from platebench.session.record import json_for_people
from platebench.session.settings_file import session_from_toml
from platebench.tone.profile import ToneProfile
from platebench.tone.profile_file import tone_from_table, tone_to_table

SCHEMA = 1
KIND = "platebench recipe"


@dataclass(frozen=True, slots=True, kw_only=True)
class Recipe:
    """What a recipe says.

    Attributes
    ----------
    settings : SessionSettings
        Of the package's plates, nothing left to a default.
    inputs : dict of str to str
        SHA-256 of every capture that had a say, by its name in the session.
    tones : dict of str to ToneProfile
    calibration : Calibration or None
    log : dict of str to LogEntry
        What the plate log said, by plate id: it is written into the pictures.
    ends : dict of str to PrintingEnds
        Printing ends shared by a session, by plate id.
    outputs : dict of str to dict
        ``bytes``, ``sha256`` and, of a TIFF, ``pixels``, by path below ``data/``.
    master_colour : bool
        Masters of red, green and blue were asked for.
    master_also : tuple of {"gamma", "channels"}
        What was made of each master for other readers.
    versions : dict of str to str
        Programs that packed it and made the masters, by name.
    converted_with : dict of str to dict
        Programs that made the positive and its preview, by name, by plate id.
    """

    settings: SessionSettings
    inputs: dict[str, str]
    tones: dict[str, ToneProfile]
    calibration: Calibration | None = None
    log: dict[str, LogEntry] = field(default_factory=dict)
    ends: dict[str, PrintingEnds] = field(default_factory=dict)
    outputs: dict[str, dict[str, Any]] = field(default_factory=dict)
    master_colour: bool = False
    master_also: tuple[Also, ...] = ()
    versions: dict[str, str] = field(default_factory=dict)
    converted_with: dict[str, dict[str, str]] = field(default_factory=dict)


def recipe_bytes(
    settings: SessionSettings,
    jobs: Sequence[PlateJob],
    outputs: Mapping[str, PackedFile],
    versions: Mapping[str, str],
    *,
    converted_with: Mapping[str, Mapping[str, str]],
    master_colour: bool,
    master_also: Collection[Also],
) -> bytes:
    """Return the recipe of a package as JSON in UTF-8.

    Parameters
    ----------
    settings : SessionSettings
        Of the session; only the plates of ``jobs`` are spelled out.
    jobs : sequence of PlateJob
        With inputs, tone, calibration and ends as they were used.
    outputs : mapping of str to PackedFile
        What was made, by path below ``data/``.
    versions : mapping of str to str
        Of now, which made the masters.
    converted_with : mapping of str to mapping
        Those that made the positives, by plate id.
    master_colour : bool
    master_also : collection of {"gamma", "channels"}
    """
    first = jobs[0].calibration
    document = {
        "kind": KIND,
        "schema": SCHEMA,
        "read_me": README,
        "versions": dict(versions),
        "converted_with": {plate: dict(by) for plate, by in sorted(converted_with.items())},
        "inputs": dict(sorted(pair for job in jobs for pair in job.inputs)),
        "session": {
            "title": settings.title,
            "light": {key: list(getattr(settings, key)) for key in LIGHT_KEYS},
            "scan": asdict(settings.scan),
            "plate": [_plate_to_json(job.settings) for job in jobs],
        },
        "log": {job.plate_id: job.entry.to_json() for job in jobs if job.entry},
        "shared_printing": {job.plate_id: asdict(job.ends) for job in jobs if job.ends},
        "tones": {
            tone.name: tone_to_table(tone)
            for job in jobs
            for tone in (job.tone, *job.picture_tones)
            if tone
        },
        "calibration": first.to_json() if first else None,
        "master_colour": master_colour,
        "master_also": sorted(master_also),
        "outputs": {name: _facts(outputs[name]) for name in sorted(outputs)},
    }
    return json_for_people(document)


def _plate_to_json(plate: PlateSettings) -> dict[str, Any]:
    values = {key: value for key, value in asdict(plate).items() if value is not None}
    values["pictures"] = [
        {key: value for key, value in picture.items() if value not in (None, (), "")}
        for picture in values["pictures"]
    ]
    for key in ("captures", "corners", "pictures"):
        if key in values:
            values[key] = json.loads(json.dumps(values[key]))  # tuples as the lists that are read
    return values


def _facts(file: PackedFile) -> dict[str, Any]:
    facts: dict[str, Any] = {"bytes": file.digests.size, "sha256": file.digests.sha256}
    if file.shape is not None:
        facts["pixels"] = pixels_to_json(file.digests.span, file.shape)
    return facts


def read_recipe(document: Mapping[str, Any], path: Path) -> Recipe:
    """Return a recipe that was read as JSON, everything in it checked.

    Parameters
    ----------
    path : Path
        Named in messages.

    Raises
    ------
    PackageError
        If it is no recipe of this version.
    SettingsError, TabletError
        If its settings, a tone profile or the calibration cannot be used.
    """
    said = dict(document)
    if said.get("kind") != KIND or said.get("schema") != SCHEMA:
        what = "is no recipe of this version"
        raise PackageError(path, what, "use the version of the program that is named in it")
    session = said.get("session")
    settings = session_from_toml(_table(session, "session", path), path)
    if not settings.plates:
        raise _nonsense(path, "session")
    calibration = said.get("calibration")
    if not isinstance(also := said.get("master_also", []), list):
        raise _nonsense(path, "master_also")
    return Recipe(
        settings=settings,
        inputs=_texts(said, "inputs", path),
        tones={
            name: tone_from_table(_table(tone, f"tones.{name}", path), Path(f"{name}.toml"))
            for name, tone in _table(said.get("tones"), "tones", path).items()
        },
        calibration=None if calibration is None else calibration_from_json(calibration, path),
        log={
            plate: _entry(entry, f"log.{plate}", path)
            for plate, entry in _table(said.get("log"), "log", path).items()
        },
        ends={
            plate: _ends(ends, f"shared_printing.{plate}", path)
            for plate, ends in _table(said.get("shared_printing"), "shared_printing", path).items()
        },
        outputs={
            name: _table(facts, f"outputs.{name}", path)
            for name, facts in _table(said.get("outputs"), "outputs", path).items()
        },
        master_colour=said.get("master_colour") is True,
        master_also=tuple(kind for kind in ALSO if kind in also),
        versions=_texts(said, "versions", path),
        converted_with={
            plate: _texts(by, plate, path, f"converted_with.{plate}")
            for by in (_table(said.get("converted_with", {}), "converted_with", path),)
            for plate in by
        },
    )


def _entry(value: object, name: str, path: Path) -> LogEntry:
    try:
        return entry_from_json(_table(value, name, path))
    except ValueError as error:
        raise _nonsense(path, name) from error


def _ends(value: object, name: str, path: Path) -> PrintingEnds:
    table = _table(value, name, path)
    base_fog, d_max = as_number(table.get("base_fog")), as_number(table.get("d_max"))
    if base_fog is None or d_max is None:
        raise _nonsense(path, name)
    return PrintingEnds(base_fog=base_fog, d_max=d_max)


def _texts(document: Mapping[str, Any], name: str, path: Path, shown: str = "") -> dict[str, str]:
    table = _table(document.get(name), shown or name, path)
    if not all(isinstance(value, str) for value in table.values()):
        raise _nonsense(path, shown or name)
    return table


def _table(value: object, name: str, path: Path) -> dict[str, Any]:
    if not isinstance(value, dict):
        raise _nonsense(path, name)
    return value


def _nonsense(path: Path, name: str) -> PackageError:
    what = f"has nothing to use under {name}"
    return PackageError(path, what, "take the package from another copy")
