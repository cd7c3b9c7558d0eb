"""Archive masters of a session's plates, with a record of each: what was done, and digests."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from platebench import __version__
from platebench.core.errors import ExitCode, SessionFolderError, WriteError
from platebench.core.files import hash_file, make_folder, remove_unfinished
from platebench.core.locks import only_writer
from platebench.core.memory import cores
from platebench.core.plain_json import read_json
from platebench.core.progress import NullProgress, Progress
from platebench.core.settings import SessionSettings
from platebench.master.cut import FORMULA
from platebench.master.make_master import MasterResult, master_plate
from platebench.master.steps import events_to_json
from platebench.plate.job import PlateJob, PlateResult
from platebench.session.batch import exit_code_of, run_batch
from platebench.session.jobs import peak_of_job, plate_jobs, prepare_light
from platebench.session.originals import captures_of, refuse_captures, refuse_results
from platebench.session.record import fingerprint_of, hash_files, record_aside, write_json
from platebench.session.session_report import OUTPUT_NAME
from platebench.session.settings_file import FILE_NAME, load_session
from platebench.write.tiff import Compression, origin_of

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

    @property
    def plate_id(self) -> str:
        """Name of the plate."""
        return self.job.plate_id

    @property
    def record(self) -> Path:
        """Where the record goes."""
        return self.target.with_suffix(".json")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MastersResult:
    """Outcome of a session.

    Attributes
    ----------
    output : Path
        Folder of the masters.
    results : tuple of PlateResult
        In the order of ``session.toml``; ``record`` is what the record file holds.
    """

    output: Path
    results: tuple[PlateResult, ...]

    @property
    def exit_code(self) -> ExitCode:
        """OK, PARTIAL, or the first plate's own code where all failed."""
        return exit_code_of(self.results)


def write_masters(
    folder: Path,
    *,
    plates: Sequence[str] = (),
    output: Path | None = None,
    colour: bool = False,
    compression: Compression = "none",
    force: bool = False,
    workers: int | None = None,
    memory: int | None = None,
    progress: Progress | None = None,
) -> MastersResult:
    """Write the masters of a session; those that are there and unchanged are left as they are.

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
    progress = progress or NullProgress()
    chosen = _chosen(folder, settings, plates)
    names = [name for plate in chosen.plates for name in plate.captures]
    paths = [folder / name for name in (*names, *settings.blank, *settings.dark)]
    jobs = [
        _master_job(job, output, colour, compression, force)
        for job in plate_jobs(folder, output, chosen, hash_files(paths, progress))
    ]
    targets = [path for job in jobs for path in (job.target, job.record, _preview(job.target))]
    refuse_captures(targets, captures_of(folder, settings))
    refuse_results(output, folder / OUTPUT_NAME)
    make_folder(output)
    with only_writer(output, progress):
        remove_unfinished(output)
        earlier = {job.target: None if force else _earlier(job) for job in jobs}
        to_do = [job for job in jobs if earlier[job.target] is None]
        made: dict[Path, PlateResult] = {}
        if to_do:
            light, dark = prepare_light(folder, settings, progress, memory)
            to_do = [replace(job, job=replace(job.job, light=light, dark=dark)) for job in to_do]
            try:
                outcomes = run_batch(
                    make_master,
                    to_do,
                    workers=workers or cores(),
                    what="masters",
                    progress=progress,
                    peak=lambda job: peak_of_job(job.job),
                    memory=memory,
                )
            finally:
                remove_unfinished(output)
            made = {job.target: outcome for job, outcome in zip(to_do, outcomes, strict=True)}
    results = tuple(earlier[job.target] or made[job.target] for job in jobs)
    return MastersResult(output=output, results=results)


def make_master(job: MasterJob) -> PlateResult:
    """Write one master, its preview and its record.

    Raises
    ------
    PlateError
        If it cannot be made, or somebody has changed the one that is there.
    """
    if not job.force:
        _refuse_changed(job)
    with record_aside(job.record, job.target):
        made = master_plate(job.job, job.target, compression=job.compression)
        record = _record(job, made)
        write_json(job.record, record)
    return PlateResult(
        plate_id=job.plate_id, written=(made.path, made.preview, job.record), record=record
    )


def _chosen(folder: Path, settings: SessionSettings, plates: Sequence[str]) -> SessionSettings:
    """Return the settings with the plates that were asked for.

    Raises
    ------
    SessionFolderError
        If one is not in ``session.toml``, or none is left.
    """
    known = [plate.id for plate in settings.plates if not plate.skip]
    path = folder / FILE_NAME
    if not known:
        raise SessionFolderError(path, "lists no plates", "add a [[plate]] for each")
    for name in plates:
        if name not in known:
            what = f'lists no plate "{name}"'
            raise SessionFolderError(path, what, f"name one of: {', '.join(known)}")
    kept = tuple(plate for plate in settings.plates if not plates or plate.id in plates)
    return replace(settings, plates=kept)


def _master_job(
    job: PlateJob, output: Path, colour: bool, compression: Compression, force: bool
) -> MasterJob:
    if colour:
        job = replace(job, settings=replace(job.settings, colour="demosaiced"))
    pixels = fingerprint_of(job, with_ends=False)
    log = None if job.entry is None else job.entry.to_json()
    parts = json.dumps([SCHEMA, pixels, compression, log], sort_keys=True)
    return MasterJob(
        job=job,
        target=output / f"{job.plate_id}.tif",
        compression=compression,
        fingerprint=hashlib.sha256(parts.encode()).hexdigest() if pixels else "",
        force=force,
    )


def _record(job: MasterJob, made: MasterResult) -> dict[str, Any]:
    """Return what is written beside a master; no times but the capture's, no paths."""
    return {
        "schema": SCHEMA,
        "plate": job.plate_id,
        "platebench": __version__,
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
        "log": None if job.job.entry is None else job.job.entry.to_json(),
        "events": events_to_json(made.events),
    }


def _earlier(job: MasterJob) -> PlateResult | None:
    """Return the result of an earlier run if nothing has changed since."""
    record = _read(job.record)
    preview = _preview(job.target)
    if not job.fingerprint or record.get("fingerprint") != job.fingerprint:
        return None
    digests = hash_files((job.target, preview))
    if digests[job.target] != record["master"]["sha256"]:
        return None
    if digests[preview] != record["preview"]["sha256"]:
        return None
    return PlateResult(
        plate_id=job.plate_id,
        written=(job.target, preview, job.record),
        record=record,
        skipped=True,
    )


def _refuse_changed(job: MasterJob) -> None:
    """Refuse to replace a master that is not as it was made here, or anything else of its name."""
    present = [p for p in (job.target, _preview(job.target), job.record) if p.exists()]
    if not present:
        return
    known = _read(job.record).get("master", {}).get("sha256")
    if known:
        as_made = not job.target.exists() or hash_files([job.target])[job.target] == known
    else:  # as after a run that was killed: the master is written first
        software, description = origin_of(job.target)
        as_made = software.startswith("platebench ") and FORMULA in description
    if not as_made:
        raise WriteError(
            present[0],
            "it has been changed since it was made, and is left as it is",
            "move it away, or have it replaced",
            "force",
        )


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


def _preview(target: Path) -> Path:
    return target.with_suffix(".jpg")
