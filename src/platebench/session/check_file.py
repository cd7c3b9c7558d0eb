"""What ``check`` found in one capture, and the file that keeps it beside the results."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from platebench.core.errors import PlateError, WriteError
from platebench.core.plain_json import read_json
from platebench.measure.checks import CaptureCheck, Verdict
from platebench.measure.checks.capture_figures import Role
from platebench.measure.checks.verdict import Severity
from platebench.session.record import write_json

_BY_FRAMES = ("blank match", "noise floor")  # topics that ask for frames the session has


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CheckedCapture:
    """What came of checking one capture.

    Attributes
    ----------
    plate_id : str
        The plate it belongs to; "" for blank and dark frames.
    name : str
        The file, relative to the session folder.
    role : {"plate", "blank", "dark", "card", "box_off", "card_over"}
        What it is for.
    check : CaptureCheck or None
        Figures and verdicts; None where there is an error.
    error : PlateError or None
        Why it could not be checked.
    """

    plate_id: str
    name: str
    role: Role
    check: CaptureCheck | None = None
    error: PlateError | None = None


def asking_for_no_frames(check: CaptureCheck) -> CaptureCheck:
    """Return a check made without the frames that cannot be used; they are there, mended first."""
    said = tuple(verdict for verdict in check.verdicts if verdict.topic not in _BY_FRAMES)
    return replace(check, verdicts=said)


def failed(check: CaptureCheck, error: PlateError, topic: str) -> CaptureCheck:
    """Return a check with an error of conversion said first."""
    return replace(check, verdicts=(Verdict(Severity.FAIL, topic, str(error)), *check.verdicts))


FILE_NAME = "check.json"
SCHEMA = 1
_ORDER = tuple(map(str, Severity))

Verdicts = tuple[tuple[str, str], ...]  # severity, sentence


def keep_checks(folder: Path, output: Path, checked: Sequence[CheckedCapture]) -> None:
    """Keep verdicts for the report, with those kept before on other captures.

    Nothing happens where nothing can be written: a check changes nothing that it could do without.
    """
    with suppress(OSError):
        output.mkdir(exist_ok=True)
    kept = _read(output / FILE_NAME)
    for entry in checked:
        said = (
            [["fail", str(entry.error)]]
            if entry.error
            else [[str(v.severity), str(v)] for v in (entry.check.verdicts if entry.check else ())]
        )
        kept[entry.name] = {"bytes": _size(folder / entry.name), "verdicts": said}
    with suppress(WriteError):
        write_json(output / FILE_NAME, {"schema": SCHEMA, "captures": dict(sorted(kept.items()))})


class KeptChecks:
    """What ``check`` has kept of a session, read once for all its plates.

    Parameters
    ----------
    folder, output : Path
        The session folder and the folder of results.
    """

    def __init__(self, folder: Path, output: Path) -> None:
        self._folder, self._kept = folder, _read(output / FILE_NAME)

    def verdicts(self, names: Sequence[str]) -> Verdicts | None:
        """Return what was found in captures; None where one was not checked as it is now.

        The gravest comes first. What was found in several is said once; what was not found in all
        of them is followed by the names it holds for.
        """
        return _verdicts(self._folder, self._kept, names)


def _verdicts(folder: Path, kept: Mapping[str, Any], names: Sequence[str]) -> Verdicts | None:
    found: dict[tuple[str, str], list[str]] = {}
    for name in names:
        entry = kept.get(name)
        if entry is None or entry.get("bytes") != _size(folder / name):
            return None
        for severity, text in entry["verdicts"]:
            held = found.setdefault((severity, text), [])
            held += [] if name in held else [name]
    return tuple(
        (severity, text if len(held) == len(set(names)) else f"{text} ({', '.join(held)})")
        for (severity, text), held in sorted(found.items(), key=lambda one: _rank(one[0][0]))
    )


def _rank(severity: str) -> int:
    """Return the place of a severity among others, the gravest first."""
    return -_ORDER.index(severity) if severity in _ORDER else 1


def _size(path: Path) -> int | None:
    try:
        return path.stat().st_size
    except OSError:
        return None


def _read(path: Path) -> dict[str, Any]:
    try:
        document = read_json(path.read_bytes())
    except (OSError, ValueError):
        return {}
    captures = document.get("captures") if isinstance(document, dict) else None
    if not isinstance(captures, Mapping) or document.get("schema") != SCHEMA:
        return {}
    return {name: entry for name, entry in captures.items() if _is_entry(entry)}


def _is_entry(entry: object) -> bool:
    if not isinstance(entry, Mapping):
        return False
    said = entry.get("verdicts")
    return isinstance(said, list) and all(
        isinstance(pair, list) and len(pair) == 2 and all(isinstance(p, str) for p in pair)
        for pair in said
    )
