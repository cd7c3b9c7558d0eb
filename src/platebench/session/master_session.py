"""Archive masters of a session's plates, with a record of each: what was done, and digests."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from platebench.core.files import hash_file
from platebench.core.installed import versions
from platebench.core.plain_json import read_json
from platebench.core.progress import Progress
from platebench.core.version import __version__
from platebench.master.cut import FORMULA
from platebench.master.make_master import Also, MasterResult, also_files, master_plate
from platebench.master.steps import events_to_json
from platebench.plate.job import PlateJob, PlateResult
from platebench.plate.light import Dark, Light
from platebench.session.jobs import peak_of_job, session_jobs, wanted_plates
from platebench.session.originals import refuse_edited
from platebench.session.record import fingerprint_of, hash_files, record_aside, write_json
from platebench.session.room import Peak
from platebench.session.run_plates import PlateRun, PlateWork, result_of
from platebench.session.session_report import OUTPUT_NAME
from platebench.session.settings_file import load_session
from platebench.write.tiff import Compression

FOLDER = "masters"
SCHEMA = 1


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MasterJob:
    """One master to be written.

    Attributes
    ----------
    job : PlateJob
        The plate.
    target : Path
        The TIFF; preview and record lie beside it.
    compression : {"none", "zstd", "deflate"}
        Of the TIFF.
    fingerprint : str
        SHA-256 over all that decides the file; "" where an input is missing.
    force : bool
        Replace a master that somebody has changed.
    """

    job: PlateJob
    target: Path
    compression: Compression
    fingerprint: str
    force: bool
    also: tuple[Also, ...] = ()

    @property
    def plate_id(self) -> str:
        """Name of the plate."""
        return self.job.plate_id

    @property
    def record(self) -> Path:
        """Where the record goes."""
        return self.target.with_suffix(".json")

    @property
    def preview(self) -> Path:
        """Where the preview goes."""
        return self.target.with_suffix(".jpg")

    @property
    def beside(self) -> tuple[Path, ...]:
        """What may be written for other readers: of a plate in colours, all of it."""
        return also_files(self.target, self.also, channels=3)

    @property
    def files(self) -> tuple[Path, ...]:
        """All that may be written, in a fixed order."""
        return self.target, self.preview, self.record, *self.beside


def write_masters(
    folder: Path,
    *,
    plates: Sequence[str] = (),
    output: Path | None = None,
    colour: bool = False,
    compression: Compression = "none",
    also: Collection[Also] = (),
    force: bool = False,
    workers: int | None = None,
    memory: int | None = None,
    progress: Progress | None = None,
) -> list[PlateResult]:
    """Write the masters of a session; those that are there and unchanged are left as they are.

    The results are in the order of ``session.toml``; ``master`` is what the record file holds.

    Parameters
    ----------
    folder : Path
        The session folder.
    plates : sequence of str
        Ids; empty for all that are not left out.
    output : Path or None
        Folder of masters; None: ``masters`` in the session folder.
    colour : bool
        48-bit masters; see :func:`platebench.master.make_master.master_plate`.
    compression : {"none", "zstd", "deflate"}
        Of the TIFFs.
    also : collection of {"gamma", "channels"}
        The same pixels for other readers; see
        :func:`platebench.master.make_master.also_files`.
    force : bool
        Write them again, those that somebody has changed as well.
    workers, memory : int or None
        Plates at a time and bytes that may be taken; None: as much as there is.
    progress : Progress or None
        Told of each plate.

    Raises
    ------
    PlateError
        If the session as a whole cannot be worked on.
    """
    settings = load_session(folder)
    output = folder / FOLDER if output is None else output
    wanted = wanted_plates(folder, settings, plates)
    jobs = [
        master_job(job, output, colour=colour, compression=compression, also=also, force=force)
        for job in session_jobs(folder, output, wanted, progress=progress)
    ]
    run = PlateRun(folder, settings, output, workers, memory, progress)
    work = PlateWork(
        what="masters",
        task=make_master,
        earlier=earlier_master,
        lit=with_light,
        peak=peak_of_master,
    )
    targets = [path for job in jobs for path in job.files]
    coloured = any(job.job.settings.colour == "demosaiced" for job in jobs)
    below = [name for name in also if name != "channels" or coloured]
    with run.writing(targets, results=folder / OUTPUT_NAME, below=below):
        return [result_of(outcome) for outcome in run.outcomes(work, jobs)]


def make_master(job: MasterJob) -> PlateResult:
    """Write one master, its preview and its record.

    Raises
    ------
    PlateError
        If it cannot be made, or somebody has changed the one that is there.
    """
    if not job.force:
        known = _read(job.record).get("master", {}).get("sha256", "")
        beside = job.preview, job.record
        refuse_edited(job.target, known, beside=beside, mark=FORMULA)
        also = _also_of(_read(job.record), job)
        for path in job.beside:
            if path.is_file():
                refuse_edited(path, also.get(path, ""), beside=(job.record,))
    with record_aside(job.record, job.target):
        made = master_plate(job.job, job.target, compression=job.compression, also=job.also)
        record = _record(job, made)
        write_json(job.record, record)
    return PlateResult(
        plate_id=job.plate_id,
        written=(made.path, made.preview, job.record, *made.also),
        master=record,
    )


def with_light(job: MasterJob, light: Light | None, dark: Dark | None) -> MasterJob:
    """Return a job with the session's light and dark level."""
    return replace(job, job=replace(job.job, light=light, dark=dark))


def peak_of_master(job: MasterJob) -> Peak:
    """Return the memory one worker takes at its peak for a job."""
    return peak_of_job(job.job)


def master_job(
    job: PlateJob,
    output: Path,
    *,
    colour: bool = False,
    compression: Compression = "none",
    also: Collection[Also] = (),
    force: bool = False,
) -> MasterJob:
    """Return the order for the master of a plate; see :func:`write_masters`."""
    if colour:
        job = replace(job, settings=replace(job.settings, colour="demosaiced"))
    pixels = fingerprint_of(job, with_ends=False)
    log = None if job.entry is None else job.entry.to_json()
    wanted = sorted(also)
    said = [SCHEMA, pixels, compression, log, *([wanted] if wanted else [])]
    parts = json.dumps(said, sort_keys=True)
    return MasterJob(
        job=job,
        target=output / f"{job.plate_id}.tif",
        compression=compression,
        fingerprint=hashlib.sha256(parts.encode()).hexdigest() if pixels else "",
        force=force,
        also=tuple(wanted),
    )


def _record(job: MasterJob, made: MasterResult) -> dict[str, Any]:
    """Return what is written beside a master; no times but the capture's, no paths."""
    return {
        "schema": SCHEMA,
        "plate": job.plate_id,
        "platebench": __version__,
        "versions": versions(),
        "fingerprint": job.fingerprint,
        "inputs": dict(job.job.inputs),
        "master": {
            "file": made.path.name,
            "bytes": made.path.stat().st_size,
            "sha256": hash_file(made.path),
            "pixels_sha256": made.pixels_sha256,
            "rows": made.size[0],
            "columns": made.size[1],
            "channels": made.channels,
            "bits": 16,
            "density": FORMULA,
        },
        "preview": {"file": made.preview.name, "sha256": hash_file(made.preview)},
        "also": {_below(path, job): {"sha256": hash_file(path)} for path in made.also},
        "log": None if job.job.entry is None else job.job.entry.to_json(),
        "events": events_to_json(made.events),
    }


def earlier_master(job: MasterJob) -> PlateResult | None:
    """Return the result of an earlier run if nothing has changed since; None where forced."""
    record = {} if job.force else _read(job.record)
    if not job.fingerprint or record.get("fingerprint") != job.fingerprint:
        return None
    digests = hash_files((job.target, job.preview))
    if digests[job.target] != record["master"]["sha256"]:
        return None
    if digests[job.preview] != record["preview"]["sha256"]:
        return None
    also = _also_of(record, job)
    if hash_files(tuple(also)) != also:
        return None
    written = (job.target, job.preview, job.record, *also)
    return PlateResult(plate_id=job.plate_id, written=written, master=record, skipped=True)


def _also_of(record: Mapping[str, Any], job: MasterJob) -> dict[Path, str]:
    """Return the digests that a record has of what was written beside a master."""
    named = {path: record.get("also", {}).get(_below(path, job)) for path in job.beside}
    return {path: str(said["sha256"]) for path, said in named.items() if said}


def _below(path: Path, job: MasterJob) -> str:
    return path.relative_to(job.target.parent).as_posix()


def _read(path: Path) -> dict[str, Any]:
    try:
        record = read_json(path.read_bytes())
    except (OSError, ValueError):
        return {}
    whole = isinstance(record, dict) and all(
        isinstance(record.get(key), dict) and "sha256" in record[key]
        for key in ("master", "preview")
    )
    return record if whole else {}
