"""What was made from what: a record beside the outputs, and whether it still holds.

A record is deterministic (no times, no host, no paths outside the session) and is written last,
so a plate without a fitting record is simply made again.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Iterable, Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

import msgspec

from platebench.core.errors import WriteError
from platebench.core.files import (
    atomic_write,
    hash_file,
    move_file,
    place_to_work,
    size_of,
    write_error,
)
from platebench.core.installed import versions
from platebench.core.plain_json import read_json
from platebench.core.progress import NullProgress, Progress
from platebench.core.settings import PlateSettings
from platebench.core.version import __version__
from platebench.plate.job import PlateJob, PlateResult, PrintingEnds
from platebench.plate.record import PlateRecord, record_from_json

SCHEMA = 3
OLDER = "the positive is older than its settings; to print it as they are now, convert first"
_REMARKS = ("checked", "note")  # settings that say something and change nothing
_ONLY_PRINTED = (  # settings without a say in what is measured, or in a master
    "tone", "printing", "print_stops", "print_contrast",
    "picture", "picture_margin_mm", "picture_ratio", "picture_box_mm", "crop_positives",
    "pictures",
)  # fmt: skip
_NUMBERS = re.compile(r"\[\n([\s\d.,eE+-]+)\]")  # a list of numbers, spread over lines
_HASHING_THREADS = 4  # hashlib lets go of the interpreter; the disk is the limit


Known = dict[Path, tuple[tuple[int, int, int], str]]
"""Digests of files, each with what changes when its file is replaced."""


def hash_files(
    paths: Iterable[Path], progress: Progress | None = None, known: Known | None = None
) -> dict[Path, str]:
    """Return the SHA-256 of each file; "" where it cannot be read (reading it will say why).

    What is in ``known`` and has kept its size and time is not read again; the rest is added to it.
    """
    known = {} if known is None else known
    unique = sorted(set(paths))
    progress = progress or NullProgress()
    sizes = [size_of(path) for path in unique]
    progress.begin("files", len(unique), work=sum(sizes))
    digests = {}
    threads = ThreadPoolExecutor(_HASHING_THREADS)
    try:
        found = threads.map(lambda path: _hash_once(path, known), unique)
        for path, size, digest in zip(unique, sizes, found, strict=True):
            digests[path] = digest
            progress.advance(path.name, size)
    finally:
        threads.shutdown(cancel_futures=True)  # an interrupt need not wait for the rest
        progress.end()
    return digests


def fingerprint_of(job: PlateJob, *, with_ends: bool = True) -> str:
    """Return the SHA-256 over all that decides a plate's outputs; "" where an input is missing.

    Inputs by content, effective settings but for remarks, the calibration and the tone profile as
    read, shared printing ends, the plate's log, and the version of the program.

    Parameters
    ----------
    job : PlateJob
        With ``inputs`` filled in.
    with_ends : bool
        False leaves out what only matters after measuring: printing ends, tone, printing, and
        what part of the plate is printed.
    """
    if not job.inputs or not all(digest for _, digest in job.inputs):
        return ""
    settings = _deciding(job.settings)
    parts: dict[str, Any] = {
        "version": __version__,
        "schema": SCHEMA,
        "inputs": [list(pair) for pair in job.inputs],
        "scan": asdict(job.scan),
        "settings": settings,
        "calibration": job.calibration.to_json() if job.calibration else None,
    }
    if with_ends:
        parts["ends"] = asdict(job.ends) if job.ends else None
        parts["tone"] = asdict(job.tone) if job.tone else None
        parts["picture_tones"] = [asdict(tone) for tone in job.picture_tones]
        if job.entry is not None:
            parts["log"] = job.entry.to_json()
    else:
        for key in _ONLY_PRINTED:
            del settings[key]
    return hashlib.sha256(_json_bytes(parts)).hexdigest()


def _deciding(settings: PlateSettings) -> dict[str, Any]:
    """Return the settings that have a say in the pictures."""
    return {key: value for key, value in asdict(settings).items() if key not in _REMARKS}


@dataclass(frozen=True, slots=True, kw_only=True)
class WrittenFile:
    """An output as it was written."""

    bytes: int
    sha256: str


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordFile:
    """A plate's record with what it was made from; the fields are the keys in the file.

    Attributes
    ----------
    platebench : str
        Version of the program; ``versions`` those of its libraries, by name.
    fingerprint : str
        :func:`fingerprint_of` all, and ``measured_from`` of what decides the measuring.
    inputs : dict of str to str
        SHA-256 of every file read, by its name in the session.
    settings : dict
        Those that had a say, as JSON types.
    ends : PrintingEnds or None
        The plate's own.
    outputs : dict of str to WrittenFile
        Files written, by name in the folder of results.
    """

    schema: int
    plate: str
    platebench: str
    versions: dict[str, str]
    fingerprint: str
    measured_from: str
    inputs: dict[str, str]
    settings: dict[str, Any]
    ends: PrintingEnds | None
    outputs: dict[str, WrittenFile]
    result: PlateRecord


def write_record(job: PlateJob, result: PlateResult) -> PlateResult:
    """Write the record of a plate just made and return the result with it among its files.

    Raises
    ------
    WriteError
        If it cannot be written.
    """
    if result.record is None:
        raise ValueError("nothing was converted")
    digests = hash_files(result.written)
    file = RecordFile(
        schema=SCHEMA,
        plate=job.plate_id,
        platebench=__version__,
        versions=versions(),
        fingerprint=job.fingerprint,
        measured_from=fingerprint_of(job, with_ends=False),
        inputs=dict(job.inputs),
        settings=_deciding(job.settings),
        ends=result.ends,
        outputs={
            path.relative_to(job.output).as_posix(): WrittenFile(
                bytes=path.stat().st_size, sha256=digests[path]
            )
            for path in result.written
        },
        result=result.record,
    )
    document = asdict(file) | {"result": file.result.to_json()}
    write_json(job.record, document | {"seal": _seal(document)})
    return replace(result, written=(*result.written, job.record))


@dataclass(frozen=True, slots=True, kw_only=True)
class Recorded:
    """What an earlier run recorded of a plate.

    Attributes
    ----------
    result : PlateResult
    stated : dict of Path to str
        The SHA-256 its outputs had; these are not looked at.
    versions : dict of str to str
        The programs that made them, by name.
    """

    result: PlateResult
    stated: dict[Path, str]
    versions: dict[str, str]


def recorded_result(job: PlateJob) -> Recorded | None:
    """Return what an earlier run recorded, if nothing that decides it has changed since.

    Libraries that were replaced since leave a record as it is: it says which ones made it.
    """
    file = read_record(job.record)
    if file is None or not job.fingerprint or file.fingerprint != job.fingerprint:
        return None
    stated = {job.output / name: made.sha256 for name, made in file.outputs.items()}
    result = PlateResult(
        plate_id=job.plate_id,
        written=(*stated, job.record),
        record=file.result,
        ends=file.ends,
        skipped=True,
    )
    return Recorded(result=result, stated=stated, versions=file.versions)


def earlier_result(job: PlateJob, known: Known | None = None) -> PlateResult | None:
    """Return the result of an earlier run if nothing has changed since; None to make it anew.

    Nothing has changed if the fingerprint fits and every output is there, byte for byte; ``known``
    as for :func:`hash_files`.
    """
    recorded = recorded_result(job)
    if recorded is None:
        return None
    stated = recorded.stated
    return recorded.result if hash_files(stated, known=known) == stated else None


def earlier_ends(job: PlateJob) -> PrintingEnds | None:
    """Return a plate's own printing ends if an earlier run measured them from the same inputs."""
    file = read_record(job.record)
    wanted = fingerprint_of(job, with_ends=False)
    return file.ends if file is not None and wanted and file.measured_from == wanted else None


@contextmanager
def record_aside(path: Path, picture: Path) -> Iterator[None]:
    """Take a plate's record away while its files are replaced; put it back if they were not.

    Whoever is killed in between leaves a picture with our Software tag and no record, which is
    made again; with the old record it would look as if somebody had changed it. It is renamed, not
    written again: that takes no room on a full disk.

    Parameters
    ----------
    path : Path
        The record.
    picture : Path
        The positive or master that it is about.

    Raises
    ------
    WriteError
        If it cannot be taken away.
    """
    if not path.is_file():
        yield
        return
    before = _stamp(picture)
    try:
        place = ExitStack()
        aside = place.enter_context(place_to_work(path.parent)) / path.name
    except OSError as error:
        raise write_error(path, error) from error
    with place:
        move_file(path, aside)
        try:
            yield
        except BaseException:
            if _stamp(picture) == before:
                with suppress(WriteError):
                    move_file(aside, path)
            raise


def write_json(path: Path, document: Mapping[str, Any]) -> None:
    """Write a JSON document for people and programs.

    Raises
    ------
    WriteError
        If it cannot be written.
    """
    with atomic_write(path) as stream:
        stream.write(json_for_people(document))


def json_for_people(document: Mapping[str, Any]) -> bytes:
    """Return a JSON document as it is written: indented, lists of numbers on one line, UTF-8."""
    text = json.dumps(document, indent=2, ensure_ascii=False, allow_nan=False)
    text = _NUMBERS.sub(lambda found: "[" + " ".join(found[1].split()) + "]", text)
    return text.encode(errors="backslashreplace") + b"\n"  # a JSON escape, too


def read_record(path: Path) -> RecordFile | None:
    """Return a plate's record; None where there is none, or it is not as it was written."""
    try:
        document = read_json(path.read_bytes())
        # Cut off or meddled with, it is as good as none.
        if not isinstance(document, dict) or document.pop("seal", "") != _seal(document):
            return None
        result = record_from_json(document.pop("result"))
        return replace(msgspec.convert(document | {"result": {}}, RecordFile), result=result)
    except (OSError, ValueError, LookupError, RecursionError):
        return None


def is_older_than(record: RecordFile | None, settings: PlateSettings) -> bool:
    """Tell whether a plate was converted with other settings than it has now.

    Settings that an earlier version did not know yet are left aside; without a record nothing is
    known, and False is said.

    Parameters
    ----------
    record : RecordFile or None
    settings : PlateSettings
        As they are now.
    """
    if record is None:
        return False
    now = json.loads(_json_bytes(_deciding(settings)))  # tuples as the lists of the record
    return any(now[key] != value for key, value in record.settings.items() if key in now)


def _seal(record: Mapping[str, Any]) -> str:
    """Return what shows that a record is as it was written."""
    return hashlib.sha256(_json_bytes(record)).hexdigest()


def _stamp(path: Path) -> tuple[int, int, int] | None:
    """Return what changes when a file is replaced; None where there is none."""
    try:
        seen = path.stat()
    except OSError:
        return None
    return seen.st_ino, seen.st_size, seen.st_mtime_ns


def _hash_once(path: Path, known: Known) -> str:
    stamp, kept = _stamp(path), known.get(path)
    if kept is not None and stamp == kept[0]:
        return kept[1]
    digest = _hash_or_nothing(path)
    if stamp is not None and digest and stamp == _stamp(path):
        known[path] = stamp, digest
    return digest


def _hash_or_nothing(path: Path) -> str:
    try:
        return hash_file(path)
    except OSError:
        return ""


def _json_bytes(document: object) -> bytes:
    return json.dumps(document, sort_keys=True, allow_nan=False).encode()
