"""What is known of a session's plates: its plate log and its developing log, as one.

``plates.csv`` has a row a plate; ``developing.csv``, which ``develop-log`` writes, a row for each
step in the darkroom. The steps fill in what the plate log leaves empty; where both say something
and differ, a person must decide.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path
from typing import Any

from platebench.core.camera_time import seconds_from_words, time_in_words
from platebench.core.checked_table import raise_problems
from platebench.core.errors import BadSettingError
from platebench.core.files import atomic_write
from platebench.core.plate_names import folded_id
from platebench.exposing.develop_log import FILE_NAME as DEVELOPING
from platebench.exposing.develop_log import read_log
from platebench.plate_log.entry import LogEntry, StepNoted
from platebench.plate_log.read_log import FILE_NAME as PLATES
from platebench.plate_log.read_log import load_plate_log, template

_SAME_TIME = 0.02  # share by which two notes of one time may differ: a watch and a memory
_SAME_HEAT_C = 0.5


@dataclass(frozen=True, kw_only=True)
class SessionLog:
    """The logs of a session folder.

    Attributes
    ----------
    entries : mapping of str to LogEntry
        By plate id.
    files : tuple of Path
        What was read; empty where there is no log.
    rights : mapping of str to str
        What plates are marked with where their row says nothing.
    """

    entries: Mapping[str, LogEntry] = field(default_factory=dict)
    files: tuple[Path, ...] = ()
    rights: Mapping[str, str] = field(default_factory=dict)

    @cached_property
    def _by_folded_id(self) -> dict[str, LogEntry]:
        return {folded_id(name): entry for name, entry in self.entries.items()}

    def entry(self, plate_id: str) -> LogEntry | None:
        """Return what is known of a plate; None where nothing is. Capitals do not matter."""
        found = self._by_folded_id.get(folded_id(plate_id))
        if not self.rights:
            return found
        found = found or LogEntry(plate_id=plate_id)
        lacking: dict[str, Any] = {
            key: said for key, said in self.rights.items() if not getattr(found, key)
        }
        return replace(found, **lacking)

    def remarks(self, plate_ids: Sequence[str]) -> tuple[str, ...]:
        """Return what does not fit between log and session, a sentence each."""
        known = {folded_id(name) for name in self.entries}
        wanted = {folded_id(name) for name in plate_ids}
        lacking = [name for name in plate_ids if folded_id(name) not in known]
        strange = [name for name in self.entries if folded_id(name) not in wanted]
        said = []
        if lacking and any(path.name == PLATES for path in self.files):
            said.append(f"{PLATES} has no row for {_some(lacking)}")
        if strange:
            said.append(f"the plate log names what session.toml does not: {_some(strange)}")
        return tuple(said)


def load_session_log(folder: Path, rights: Mapping[str, str] | None = None) -> SessionLog:
    """Read the logs of a session folder; there need not be any.

    Parameters
    ----------
    folder : Path
    rights : mapping of str to str, optional
        What the session's plates are marked with where their row says nothing.

    Raises
    ------
    SettingsFileError
        If one cannot be read.
    BadSettingError, BadSettingsError
        If cells cannot be read, or the two logs differ about a plate.
    """
    plates, developing = folder / PLATES, folder / DEVELOPING
    entries = load_plate_log(plates) if _is_there(plates) else {}
    steps = read_log(developing) if _is_there(developing) else {}
    problems: list[BadSettingError] = []
    known = SessionLog(entries=entries)
    for name, noted in steps.items():
        entry = known.entry(name) or LogEntry(plate_id=name)
        entries[entry.plate_id] = _with_steps(entry, noted, plates, problems)
    raise_problems(problems)
    files = tuple(path for path in (plates, developing) if _is_there(path))
    return SessionLog(entries=entries, files=files, rights=rights or {})


def write_template(folder: Path, plate_ids: Sequence[str]) -> Path | None:
    """Write an empty plate log where there is none, or one that nobody has filled in.

    Returns
    -------
    Path or None
        The log; None where somebody's own is there, which is left as it is.

    Raises
    ------
    WriteError
        If it cannot be written.
    """
    path = folder / PLATES
    if path.is_symlink() or (_is_there(path) and not _is_template(path)):
        return None
    with atomic_write(path) as stream:
        stream.write(template(tuple(plate_ids)))
    return path


def _is_there(path: Path) -> bool:
    return path.exists() or path.is_symlink()


def _is_template(path: Path) -> bool:
    """Tell whether a plate log is one of ours as it was written: headings and ids, no more."""
    try:
        content = path.read_bytes()
        rows = content.decode("utf-8-sig").splitlines()[1:]
    except (OSError, UnicodeDecodeError):
        return False
    ids = tuple(row.rstrip(",").strip('"').replace('""', '"') for row in rows)
    return content == template(ids)


def _with_steps(
    entry: LogEntry, noted: tuple[StepNoted, ...], path: Path, problems: list[BadSettingError]
) -> LogEntry:
    """Return an entry with the steps of developing, and what they say in the cells left empty."""
    found: dict[str, Any] = {}
    develop = [step for step in noted if step.name == "develop"]
    heats = [step.temperature_c for step in develop if step.temperature_c is not None]
    times = {
        "develop_s": (entry.develop_s, _total(develop)),
        "fixing": (_seconds(entry.fixing), _total(step for step in noted if step.name == "fix")),
        "washing": (_seconds(entry.washing), _total(step for step in noted if step.name == "wash")),
    }
    for key, (written, timed) in times.items():
        if timed and written and abs(written - timed) > _SAME_TIME * timed:
            what = f"says {time_in_words(written)}, {DEVELOPING} says {time_in_words(timed)}"
            problems.append(_differs(path, entry, key, what))
        elif timed and not getattr(entry, key):
            found[key] = timed if key == "develop_s" else time_in_words(timed)
    if heats and entry.temperature_c is None:
        found["temperature_c"] = heats[0]
    elif entry.temperature_c is not None and not _near(entry.temperature_c, heats):
        what = f"says {entry.temperature_c:g} °C, {DEVELOPING} says {heats[0]:g} °C"
        problems.append(_differs(path, entry, "temperature_c", what))
    return replace(entry, **found, steps=noted)


_CALLED = {
    "develop_s": "developed for",
    "fixing": "fixing",
    "washing": "washing",
    "temperature_c": "temperature C",
}


def _differs(path: Path, entry: LogEntry, key: str, what: str) -> BadSettingError:
    where = f"{_CALLED[key]} of plate {entry.plate_id}"
    return BadSettingError(path, where, what, "correct one of them")


def _near(heat: float, heats: Sequence[float]) -> bool:
    return not heats or min(abs(other - heat) for other in heats) <= _SAME_HEAT_C


def _total(steps: Iterable[StepNoted]) -> float:
    return sum(step.time_s for step in steps)


def _seconds(text: str) -> float | None:
    """Return a cell of free text as seconds, where it is a time with a unit and nothing else."""
    if text.replace(".", "", 1).replace(",", "", 1).isdigit():
        return None
    try:
        return seconds_from_words(text.replace(",", "."))
    except ValueError:
        return None


def _some(names: Sequence[str], most: int = 8) -> str:
    more = f" and {len(names) - most} more" if len(names) > most else ""
    return ", ".join(names[:most]) + more
