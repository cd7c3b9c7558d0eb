"""A session, or plates of it, as packages: masters made from the captures, the rest copied.

Every source is read once and hashed as it is copied; what was converted has to be as its record
says, and from the settings and captures of today.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from itertools import chain
from pathlib import Path
from typing import Any

from platebench.archive.collection import package_around
from platebench.archive.file_check import PackageCheck
from platebench.archive.manifest import MADE_WITH
from platebench.archive.package_writer import (
    PackageWriter,
    PackedFile,
    Sources,
    new_package,
    refuse_clashes,
)
from platebench.archive.premis import PREMIS, PackedPlate, premis_bytes
from platebench.archive.readme import README, readme_text
from platebench.archive.recipe import recipe_bytes
from platebench.archive.workings import FOLDER as WORKINGS
from platebench.archive.workings import plate_workings
from platebench.core.errors import ArchiveError, NoDensitiesError, WriteError
from platebench.core.files import check_room, make_folder, remove_unfinished, size_of
from platebench.core.installed import versions
from platebench.core.plate_names import fault_of_id, stem_of
from platebench.core.progress import NullProgress, Progress, working
from platebench.core.settings import PlateSettings, SessionSettings
from platebench.core.version import __version__
from platebench.exposing.develop_log import FILE_NAME as DEVELOPING
from platebench.master.make_master import Also, master_plate
from platebench.master.steps import Event, events_to_json
from platebench.plate.calibration import FILE_NAME as CALIBRATION
from platebench.plate.job import PICTURES, POSITIVES, PREVIEWS, PlateJob
from platebench.plate.light import Dark, Light
from platebench.plate.record import NOTHING_KNOWN
from platebench.plate_log.read_log import FILE_NAME as PLATE_LOG
from platebench.session.convert_session import shared_ends
from platebench.session.jobs import peak_of_job, plate_jobs
from platebench.session.master_session import (
    FOLDER,
    MasterJob,
    earlier_master,
    master_job,
    peak_of_master,
    with_light,
)
from platebench.session.parts import files_in_parts
from platebench.session.record import (
    Recorded,
    earlier_ends,
    fingerprint_of,
    json_for_people,
    recorded_result,
)
from platebench.session.run_plates import PlateRun, PlateWork, made_or_raise
from platebench.session.session_report import (
    OUTPUT_NAME,
    PROOF_SHEET,
    READABLE_PDF,
    report_document,
)
from platebench.session.settings_file import FILE_NAME as SESSION_FILE
from platebench.session.settings_file import load_session

PACKAGES = "packages"  # folder in the session where packages go unless told otherwise
CAPTURES, MASTERS = "captures", "masters"  # below data/
Events = list[dict[str, Any]]  # as JSON types
_ROOM = 1.02  # manifests and records beside the files that are counted


@dataclass(frozen=True, slots=True, kw_only=True)
class PackOptions:
    """What goes into packages.

    Attributes
    ----------
    captures : bool
        Raws or scans, blank and dark frames too; else only their digests.
    masters : bool
        Archive masters, made from the captures.
    colour : bool
        Masters of red, green and blue.
    also : tuple of {"gamma", "channels"}
        What is made of each master for other readers.
    each : bool
        A package for every plate, not one for all.
    name : str
        Name of the package, or what the names of several begin with; "": the session folder's.
    """

    captures: bool = False
    masters: bool = True
    colour: bool = False
    also: tuple[Also, ...] = ()
    each: bool = False
    name: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Packed:
    """A package that was written.

    Attributes
    ----------
    package : Path
    plates : tuple of str
    check : PackageCheck
        As it read back.
    """

    package: Path
    plates: tuple[str, ...]
    check: PackageCheck


def pack_session(
    folder: Path,
    *,
    now: datetime,
    to: Path | None = None,
    converted: Path | None = None,
    plates: Sequence[str] = (),
    options: PackOptions | None = None,
    workers: int | None = None,
    memory: int | None = None,
    progress: Progress | None = None,
) -> list[Packed]:
    """Pack a session that was converted.

    Parameters
    ----------
    folder : Path
        The session folder; nothing in it is changed but ``to``.
    now : datetime
        With a time zone: the day goes into ``bag-info.txt``, the time into ``events.json``.
    to : Path or None
        Where packages go; None: ``packages`` in the session folder.
    converted : Path or None
        Results of ``convert``; None: ``converted`` in the session folder.
    plates : sequence of str
        Ids of plates, a package each; empty: all plates.
    options : PackOptions or None
    workers, memory : int or None
        Masters at a time and bytes that may be taken; None: as much as there is.
    progress : Progress or None

    Returns
    -------
    list of Packed

    Raises
    ------
    ArchiveError
        If something is not there, not converted, changed since, or has a name that cannot be.
    WriteError
        If a package cannot be written, or there is one of that name; nothing is left of it.
    PlateError
        If a master cannot be made, or the session's settings cannot be used.
    """
    options = options or PackOptions()
    settings = load_session(folder)
    groups = _groups(folder, settings, plates, options)
    to = folder / PACKAGES if to is None else to
    if (package := package_around(to)) is not None:
        what = f"it would lie in the package {package}, and packages are never changed"
        raise WriteError(to, what, "choose another folder", "output")
    make_folder(to)
    remove_unfinished(to)  # here, since their room may be needed
    for name, _ in groups:
        if os.path.lexists(to / name):
            what = "there is something of that name already, and packages are never replaced"
            remedy = "give another name, or choose another folder"
            raise WriteError(to / name, what, remedy, "name", "output")
    sources = Sources(folder, folder / OUTPUT_NAME if converted is None else converted)
    packed = []
    for name, chosen in groups:
        packing = _Packing(sources, settings, chosen, options, progress or NullProgress())
        packed.append(packing.pack(to / name, now, workers, memory))
    return packed


def _groups(
    folder: Path, settings: SessionSettings, plates: Sequence[str], options: PackOptions
) -> list[tuple[str, tuple[PlateSettings, ...]]]:
    """Return the name and the plates of each package."""
    known = {plate.id: plate for plate in settings.plates if not plate.skip}
    for plate in plates:
        if plate not in known:
            what = f'lists no plate "{plate}" that is to be converted'
            remedy = f"name one of: {', '.join(known) or 'none'}"
            raise ArchiveError(folder / SESSION_FILE, what, remedy)
    if not known:
        raise ArchiveError(folder / SESSION_FILE, "lists no plates", "add a [[plate]] for each")
    stem = options.name or folder.resolve().name
    chosen = [known[plate] for plate in dict.fromkeys(plates)] or list(known.values())
    groups: list[tuple[str, tuple[PlateSettings, ...]]]
    if options.each or plates:
        groups = [(f"{stem}-{plate.id}", (plate,)) for plate in chosen]
    else:
        groups = [(stem, tuple(chosen))]
    for name, _ in groups:
        fault = fault_of_id(name)
        if fault:
            what = f"cannot name a package: {name!r} {fault}"
            raise ArchiveError(folder, what, "give it a name", "name")
    return groups


def _master_events(job: MasterJob) -> Events:
    """Make a master in the package: the unit of work; its record is the package's."""
    return events_to_json(master_plate(job.job, job.target, also=job.also).events)


class _Packing:
    """One package as it is made."""

    def __init__(
        self,
        sources: Sources,
        settings: SessionSettings,
        plates: tuple[PlateSettings, ...],
        options: PackOptions,
        progress: Progress,
    ) -> None:
        self.sources, self.options, self.progress = sources, options, progress
        self.plates = plates
        together = [p for p in settings.plates if p.printing == "shared" and not p.skip]
        others = together if any(plate in together for plate in plates) else []
        known = {plate.id: plate for plate in (*plates, *others)}
        self.settings = replace(settings, plates=tuple(known.values()))
        self.whole = len(plates) == sum(not plate.skip for plate in settings.plates)

    def pack(self, target: Path, now: datetime, workers: int | None, memory: int | None) -> Packed:
        """Write the package."""
        self._documents()  # links that lead out are refused before anything is read
        names = self._capture_names()
        outputs = [name for plate in self.plates for name in self.sources.result_names(plate)]
        payload = [f"{CAPTURES}/{name}" for name in names] if self.options.captures else []
        payload += [f"{MASTERS}/{plate.id}.tif" for plate in self.plates]
        refuse_clashes([*payload, *outputs], self.sources.folder)
        check_room(target.parent, self._bytes_needed(names, outputs))
        tags = [
            ("External-Identifier", target.name),
            ("External-Description", self.settings.title),
            ("Made-With", f"{MADE_WITH}{__version__}"),
        ]
        with new_package(target, now.date(), tags, self.progress) as writer:
            jobs = self._jobs(writer, names)
            recorded = self._copy_results(writer, jobs)
            place = writer.place_for(MASTERS) if self.options.masters else writer.folder
            run = PlateRun(
                self.sources.folder, self.settings, place, workers, memory, self.progress
            )
            events = []
            if self.options.masters:
                events = self._make_masters(writer, jobs, run)
            self._put_workings(writer, jobs, run)
            self._put_documents(writer, jobs, recorded, events, now)
        assert writer.check is not None  # finished, since nothing was raised
        return Packed(
            package=target,
            plates=tuple(plate.id for plate in self.plates),
            check=replace(writer.check, package=target),
        )

    def _capture_names(self) -> tuple[str, ...]:
        settings = self.settings
        captures = (name for plate in self.plates for name in plate.captures)
        return tuple(dict.fromkeys((*settings.light_captures, *captures)))

    def _documents(self) -> dict[str, Path]:
        """Return the session's own files that are packed as they are, where there are any."""
        names = (SESSION_FILE, CALIBRATION, PLATE_LOG, DEVELOPING)
        return {name: self.sources.capture(name) for name in names if self.sources.has(name)}

    def _bytes_needed(self, captures: Sequence[str], outputs: Sequence[str]) -> int:
        there = (  # a picture on a plate may not have been cut out
            name
            for name in outputs
            if not name.startswith(f"{PICTURES}/") or self.sources.has_result(name)
        )
        size = sum(self.sources.result(name).stat().st_size for name in there)
        if self.options.captures:
            size += sum(self.sources.capture(name).stat().st_size for name in captures)
        if self.options.masters:  # about a positive of the whole glass, or three
            for plate in self.plates:
                colour = self.options.colour or plate.colour == "demosaiced"
                positive = self.sources.result(self.sources.result_names(plate)[0])
                kinds = 1 + len(self.options.also)
                size += positive.stat().st_size * (3 if colour else 1) * kinds
        return round(size * _ROOM)

    def _jobs(self, writer: PackageWriter, names: Sequence[str]) -> list[PlateJob]:
        """Read every capture once, and return the work orders they belong to."""
        digests: dict[Path, str] = {}
        shared = (name for plate in self.settings.plates for name in plate.captures)
        every = dict.fromkeys((*names, *shared))
        sizes = {name: size_of(self.sources.folder / name) for name in every}
        with working(self.progress, "captures", len(every), work=sum(sizes.values())) as told:
            for name, size in sizes.items():
                source = self.sources.capture(name)
                if self.options.captures and name in names:
                    digest = writer.copy(source, f"{CAPTURES}/{name}", pixels=False).digests.sha256
                else:
                    digest = self.sources.sha256(source)
                digests[self.sources.folder / name] = digest
                told.advance(name, size)
        folder, output = self.sources.folder, self.sources.converted
        jobs = {job.plate_id: job for job in plate_jobs(folder, output, self.settings, digests)}
        shared_jobs = [job for job in jobs.values() if job.settings.printing == "shared"]
        known = [ends for job in shared_jobs if (ends := earlier_ends(job)) is not None]
        for job in shared_jobs if known else ():
            jobs[job.plate_id] = replace(job, ends=shared_ends(known))
        return [
            replace(job, fingerprint=fingerprint_of(job))
            for job in (jobs[plate.id] for plate in self.plates)
        ]

    def _copy_results(self, writer: PackageWriter, jobs: Sequence[PlateJob]) -> list[Recorded]:
        every = []
        with working(self.progress, "results", len(jobs)) as told:
            for job in jobs:
                recorded = recorded_result(job)
                if recorded is None:
                    what = (
                        "was not converted from today's captures, settings and plate log by this "
                        "version of the program"
                    )
                    remedy = "convert the session, then pack it"
                    raise ArchiveError(job.record, what, remedy, "convert")
                for path in recorded.result.written:
                    name = path.relative_to(job.output).as_posix()
                    stated = recorded.stated.get(path, "")
                    writer.copy(self.sources.result(name), name, sha256=stated)
                every.append(recorded)
                told.advance(job.plate_id)
        return every

    def _make_masters(
        self,
        writer: PackageWriter,
        jobs: Sequence[PlateJob],
        run: PlateRun,
    ) -> list[Events]:
        """Put every plate's master into the package; return what was done to make them.

        Those that ``master`` has made, as they would be made now, are copied.
        """
        work = PlateWork(
            what="masters",
            task=_master_events,
            earlier=lambda job: self._copied_master(writer, job),
            lit=with_light,
            peak=peak_of_master,
        )
        colour, also = self.options.colour, self.options.also
        masters = [master_job(job, run.output, colour=colour, also=also) for job in jobs]
        make_folder(run.output)
        try:
            made = made_or_raise(run.outcomes(work, masters))
        except NoDensitiesError as error:
            what = "shows a positive, of which no master can be made"
            raise ArchiveError(error.path, what, "pack the session without masters") from error
        for job in masters:
            for path in (job.target, job.preview, *job.beside):
                name = f"{MASTERS}/{path.relative_to(run.output).as_posix()}"
                if name not in writer.files and path.is_file():
                    writer.adopt(name)
        return made

    def _copied_master(self, writer: PackageWriter, job: MasterJob) -> Events | None:
        """Copy the session's own master of a plate, if it is as it would be made now."""
        there = replace(job, target=self.sources.folder / FOLDER / job.target.name)
        earlier = earlier_master(there)
        record = None if earlier is None else earlier.master
        if record is None or record.get("versions") != versions():
            return None
        for path, part in ((there.target, "master"), (there.preview, "preview")):
            writer.copy(path, f"{MASTERS}/{path.name}", sha256=record[part]["sha256"])
        for name, digest in record.get("also", {}).items():
            writer.copy(there.target.parent / name, f"{MASTERS}/{name}", sha256=digest["sha256"])
        events: Events = record["events"]
        return events

    def _put_workings(self, writer: PackageWriter, jobs: Sequence[PlateJob], run: PlateRun) -> None:
        """Put the numbers behind every positive into the package."""

        def lit(job: PlateJob, light: Light | None, dark: Dark | None) -> PlateJob:
            return replace(job, light=light, dark=dark)

        work: PlateWork[PlateJob, list[dict[str, Any]]] = PlateWork(
            what="workings", task=plate_workings, lit=lit, peak=peak_of_job
        )
        for made in chain(*made_or_raise(run.outcomes(work, jobs))):
            writer.put(f"{WORKINGS}/{stem_of(made['positive'])}.json", json_for_people(made))

    def _put_documents(
        self,
        writer: PackageWriter,
        jobs: Sequence[PlateJob],
        recorded: Sequence[Recorded],
        events: Sequence[Events],
        now: datetime,
    ) -> None:
        pictures: dict[str, PackedFile] = {
            name: file
            for name, file in writer.files.items()
            if name.split("/")[0] in (MASTERS, POSITIVES, PREVIEWS, PICTURES)
        }
        for name, source in self._documents().items():
            writer.copy(source, name)
        documents = (PROOF_SHEET, READABLE_PDF)
        parts = [path.name for path in files_in_parts(self.sources.converted, *documents)]
        for name in (*documents, *(n for n in parts if n.endswith(".pdf"))) if self.whole else ():
            if self.sources.has_result(name):
                writer.copy(self.sources.result(name), name)
        results = [one.result for one in recorded]
        report = report_document(self.sources.converted, self.settings, results)
        writer.put("report.json", json_for_people(report))
        recipe = recipe_bytes(
            self.settings,
            jobs,
            pictures,
            versions(),
            converted_with={one.result.plate_id: one.versions for one in recorded},
            master_colour=self.options.colour,
            master_also=self.options.also,
        )
        writer.put("recipe.json", recipe)
        packed = Event(
            type="message digest calculation",
            step="pack",
            detail="digests of every file by SHA-256 and SHA-512, as it was copied",
            when=now.isoformat(timespec="seconds"),
            agent=f"platebench {__version__}",
        )
        document = {
            "schema": 1,
            "plates": {job.plate_id: made for job, made in zip(jobs, events, strict=False)},
            "package": events_to_json((packed,)),
        }
        writer.put("events.json", json_for_people(document))
        name, title = writer.target.name, self.settings.title
        text = readme_text(name, title, jobs, {*writer.files, PREMIS})
        writer.put(README, text.encode(errors="backslashreplace"))
        plates = [
            PackedPlate(
                job=job,
                record=one.result.record or NOTHING_KNOWN,
                program=f"platebench {one.versions.get('platebench', '')}".strip(),
                master=made,
            )
            for job, one, made in zip(jobs, recorded, events or [[]] * len(jobs), strict=True)
        ]
        writer.put(PREMIS, premis_bytes(name, title, plates, writer.files, now))
