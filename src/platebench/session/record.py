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

from platebench import __version__
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
from platebench.plate.job import PlateJob, PlateResult, PrintingEnds
from platebench.write.tiff import origin_of

SCHEMA = 3
OLDER = "the positive is older than its settings; to print it as they are now, convert first"
_REMARKS = ("checked", "note")  # settings that say something and change nothing
_OURS = "platebench "  # how the Software tag of a positive begins
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
        False leaves out what only matters after measuring: printing ends, tone and printing.
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
        "calibration": asdict(job.calibration) if job.calibration else None,
    }
    if with_ends:
        parts["ends"] = asdict(job.ends) if job.ends else None
        parts["tone"] = asdict(job.tone) if job.tone else None
        if job.entry is not None:
            parts["log"] = job.entry.to_json()
    else:
        for key in ("tone", "printing", "print_stops", "print_contrast"):
            del settings[key]
    return hashlib.sha256(_json_bytes(parts)).hexdigest()


def _deciding(settings: PlateSettings) -> dict[str, Any]:
    """Return the settings that have a say in the pictures."""
    return {key: value for key, value in asdict(settings).items() if key not in _REMARKS}


def write_record(job: PlateJob, result: PlateResult) -> PlateResult:
    """Write the record of a plate just made and return the result with it among its files.

    Raises
    ------
    WriteError
        If it cannot be written.
    """
    digests = hash_files(result.written)
    document = {
        "schema": SCHEMA,
        "plate": job.plate_id,
        "platebench": __version__,
        "versions": versions(),
        "fingerprint": job.fingerprint,
        "measured_from": fingerprint_of(job, with_ends=False),
        "inputs": dict(job.inputs),
        "settings": _deciding(job.settings),
        "ends": asdict(result.ends) if result.ends else None,
        "outputs": {
            path.relative_to(job.output).as_posix(): {
                "bytes": path.stat().st_size,
                "sha256": digests[path],
            }
            for path in result.written
        },
        "result": result.record,
    }
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
    record = read_record(job.record)
    if not job.fingerprint or record.get("fingerprint") != job.fingerprint:
        return None
    stated = {job.output / name: str(facts["sha256"]) for name, facts in record["outputs"].items()}
    result = PlateResult(
        plate_id=job.plate_id,
        written=(*stated, job.record),
        record=dict(record["result"]),
        ends=_ends(record),
        skipped=True,
    )
    return Recorded(result=result, stated=stated, versions=dict(record["versions"]))


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
    record = read_record(job.record)
    wanted = fingerprint_of(job, with_ends=False)
    if not wanted or record.get("measured_from") != wanted:
        return None
    return _ends(record)


def refuse_edited(job: PlateJob) -> None:
    """Refuse to replace a positive that is not as it was made here, but for ``job.force``.

    With a record its bytes tell; without one, as after a run that was killed, its Software tag.

    Raises
    ------
    WriteError
        If somebody has changed it.
    """
    if job.force or not job.positive.is_file():
        return
    outputs = read_record(job.record).get("outputs", {})
    facts = outputs.get(job.positive.relative_to(job.output).as_posix())
    if facts:
        as_made = _hash_or_nothing(job.positive) == facts["sha256"]
    else:
        as_made = origin_of(job.positive)[0].startswith(_OURS)
    if not as_made:
        raise WriteError(
            job.positive,
            "it has been changed since it was made, and is left as it is",
            "move it away, or have it replaced",
            "force",
        )


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


def _ends(record: Mapping[str, Any]) -> PrintingEnds | None:
    ends = record["ends"]
    if ends is None:
        return None
    return PrintingEnds(base_fog=float(ends["base_fog"]), d_max=float(ends["d_max"]))


def read_record(path: Path) -> dict[str, Any]:
    """Return a plate's record; empty where there is none, or it is not as it was written."""
    try:
        record = read_json(path.read_bytes())
    except (OSError, ValueError, RecursionError):
        return {}
    try:
        sealed = isinstance(record, dict) and record.pop("seal", "") == _seal(record)
    except (ValueError, RecursionError):  # a number that is none, which no record has
        return {}
    return record if sealed else {}  # cut off or meddled with: as good as none


def is_older_than(record: Mapping[str, Any], settings: PlateSettings) -> bool:
    """Tell whether a plate was converted with other settings than it has now.

    Settings that an earlier version did not know yet are left aside; without a record nothing is
    known, and False is said.

    Parameters
    ----------
    record : mapping
        The plate's record, as :func:`read_record` gives it.
    settings : PlateSettings
        As they are now.
    """
    before = record.get("settings")
    if not isinstance(before, Mapping):
        return False
    now = json.loads(_json_bytes(_deciding(settings)))  # tuples as the lists of the record
    return any(now[key] != value for key, value in before.items() if key in now)


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


def dense_end(record: Mapping[str, Any]) -> tuple[float, float, bool]:
    """Return Dmax and density range, and whether they are bounds: lost in the dark beyond.

    Raises
    ------
    KeyError, TypeError, ValueError
        If the record does not hold them.
    """
    d_max, span = float(record["d_max"]), float(record["density_range"])
    least = record.get("densities", {}).get("d_max_at_least")
    if least is None:
        return d_max, span, False
    return float(least), span - (d_max - float(least)), True
