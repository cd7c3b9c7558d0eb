"""Print negatives of a session's plates, or of positives that a person names as files."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from functools import partial
from pathlib import Path

import numpy as np

from platebench.core.errors import NoDensitiesError, PrintNegativeError
from platebench.core.files import hash_file, refuse_foreign
from platebench.core.formats import PlateFormat
from platebench.core.plate_names import stem_of
from platebench.core.progress import Progress
from platebench.core.settings import ScanSettings
from platebench.core.version import __version__
from platebench.plate.densities import transmittance_of_codes
from platebench.plate.framing import frame_plate
from platebench.plate.job import POSITIVES, RECORDS, positive_of
from platebench.plate.look import check_something_there, look_at_plate
from platebench.plate.picture_part import RESIZED, cut_out, cut_to, is_resized
from platebench.plate.pictures import names_of, picture_jobs
from platebench.plate.plate_format import SET_CORNERS, misfit_of, size_doubt, unknown_size
from platebench.plate.print_positive import print_positive
from platebench.plate.record import NOTHING_KNOWN, PlateRecord, record_in
from platebench.printing.chart_sheet import draw_chart
from platebench.printing.full_sheet import (
    FullSheet,
    Piece,
    fits_film,
    piece_of,
    write_full_sheets,
)
from platebench.printing.make_negative import (
    MadeNegative,
    NegativeOrder,
    NegativeSource,
    make_negative,
    size_of,
)
from platebench.printing.make_negative import (
    stem_of as stem_of_print,
)
from platebench.printing.negative_tone import table_from_plate, table_from_positive
from platebench.printing.print_picture import read_positive
from platebench.printing.print_size import plan_print_size
from platebench.printing.process import Process, coloured, response_of
from platebench.printing.step_chart import HEIGHT, WIDTH, plain_chart
from platebench.session.capture_sharpness import resolved_share
from platebench.session.convert_plate import true_transmittance
from platebench.session.jobs import prepare_light, session_jobs
from platebench.session.originals import captures_of, refuse_captures
from platebench.session.record import OLDER, is_older_than, read_record, write_json
from platebench.session.room import peak_of
from platebench.session.run_plates import PlateOutcome, PlateRun, PlateWork
from platebench.session.session_report import OUTPUT_NAME
from platebench.session.settings_file import load_session

FOLDER = "print-negatives"
_AS_TIFF = (".tif", ".tiff")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Named:
    """A plate's positive, or that of a picture on it, and what its record says."""

    plate_id: str  # names files
    name: str = ""  # in the session
    path: Path
    in_session: bool
    record: PlateRecord = NOTHING_KNOWN
    older: bool = False  # than the settings of its plate


def print_negatives(
    folder: Path,
    plates: Sequence[str],
    process: Process,
    order: NegativeOrder,
    *,
    sharpness: bool = False,
    output: Path | None = None,
    workers: int | None = None,
    memory: int | None = None,
    progress: Progress | None = None,
) -> list[PlateOutcome[MadeNegative]]:
    """Write the print negatives of some plates, a TIFF, a PDF, a proof and a record each.

    Parameters
    ----------
    folder : Path
        The session folder.
    plates : sequence of str
        Ids of converted plates, or paths of positives (TIFF).
    process : Process
        The printing process.
    order : NegativeOrder
        Size, tones, side and margins.
    sharpness : bool
        Measure what the plate's capture resolves, on its edges, before judging the size.
    output : Path or None
        Where they go; None: ``print-negatives`` in the session folder.
    workers : int or None
        Plates at a time, bounded by memory; None: as many as there are cores. Facsimiles, which
        read captures again, are made one at a time.
    memory : int or None
        Bytes that may be taken; None: most of what is available.
    progress : Progress or None
        Told of each plate.

    Returns
    -------
    list of PlateOutcome
        One for each of ``plates``, in their order; a plate that failed is a result.

    Raises
    ------
    SettingsError, SessionFolderError
        If there is no session, or the folder cannot be written.
    """
    settings = load_session(folder)
    target = folder / FOLDER if output is None else output
    workers = 1 if order.aim == "facsimile" else workers
    run = PlateRun(folder, settings, target, workers, memory, progress)
    captures, converted = captures_of(folder, settings), folder / OUTPUT_NAME
    common = _Common(folder, process, order, sharpness, target, captures, tuple(plates))
    work = PlateWork(
        what="print negatives",
        task=partial(_print_one, common),
        peak=lambda place: peak_of("mosaic", [_positive_of(plates[place], converted)]),
        name_of=plates.__getitem__,
    )
    with run.writing(results=converted):
        return run.outcomes(work, range(len(plates)))


def print_on_sheets(
    folder: Path,
    plates: Sequence[str],
    process: Process,
    order: NegativeOrder,
    film: PlateFormat,
    *,
    chart: bool = False,
    sharpness: bool = False,
    output: Path | None = None,
    workers: int | None = None,
    memory: int | None = None,
    progress: Progress | None = None,
) -> tuple[list[PlateOutcome[MadeNegative]], list[FullSheet]]:
    """Write print negatives, and sheets of film that hold them all.

    Parameters
    ----------
    film : PlateFormat
        Size of a sheet.
    chart : bool
        Lay a step chart on the first sheet that has room, so that it shows how it was printed.
    folder, plates, process, order, sharpness, output, workers, memory, progress
        As for :func:`print_negatives`.

    Returns
    -------
    outcomes : list of PlateOutcome
        A negative too large for the film is one that failed; its own files are there.
    sheets : list of FullSheet

    Raises
    ------
    PrintNegativeError
        If a step chart is wanted that does not fit the film.
    SettingsError, SessionFolderError, WriteError
        As for :func:`print_negatives`.
    """
    drawn = None
    if chart:
        step_chart = plain_chart(made_for=process.name, colour=process.colour)
        drawn = coloured(draw_chart(step_chart, order.ppi).codes(), process.colour)
    if drawn is not None and not fits_film((drawn.shape[0], drawn.shape[1]), film, order.ppi):
        what = f"is smaller than the step chart of {WIDTH:g} x {HEIGHT:g} mm"
        raise PrintNegativeError(f"a sheet of {film.name}", what, "take a larger one", "sheet")
    outcomes = print_negatives(
        folder,
        plates,
        process,
        order,
        sharpness=sharpness,
        output=output,
        workers=workers,
        memory=memory,
        progress=progress,
    )
    target = folder / FOLDER if output is None else output
    outcomes, pieces = _sorted_by_size(outcomes, film, order.ppi)
    if not pieces:
        return outcomes, []
    if drawn is not None:
        codes = drawn if order.contact == "ink" else np.ascontiguousarray(drawn[:, ::-1])
        pieces.append(Piece(name="step chart", codes=codes))
    with PlateRun(folder, load_session(folder), target).writing(results=folder / OUTPUT_NAME):
        stem = f"sheet-{process.name}-{film.name.replace(' ', '')}"
        sheets = write_full_sheets(
            target,
            pieces,
            film=film,
            ppi=order.ppi,
            margins=order.margins,
            stem=stem,
            colour=process.colour,
        )
    return outcomes, sheets


def _sorted_by_size(
    outcomes: Sequence[PlateOutcome[MadeNegative]], film: PlateFormat, ppi: float
) -> tuple[list[PlateOutcome[MadeNegative]], list[Piece]]:
    """Return the outcomes, what is too large for a film among the failed, and what is not."""
    sorted_out, pieces = [], []
    for outcome in outcomes:
        if outcome.made is not None:
            tiff, record = outcome.made.files[0], outcome.made.record
            piece = piece_of(outcome.plate_id, tiff)
            if fits_film((piece.codes.shape[0], piece.codes.shape[1]), film, ppi):
                pieces.append(piece)
            else:
                across, down = record["film_mm"]
                what = f"takes {across:.0f} x {down:.0f} mm with its margins, more than {film.name}"
                remedy = f"it fits {record['film']}; or print it smaller"
                error = PrintNegativeError(tiff, what, remedy, "sheet", "size")
                outcome = replace(outcome, made=None, error=error)
        sorted_out.append(outcome)
    return sorted_out, pieces


@dataclass(frozen=True, slots=True, eq=False)
class _Common:
    """What is the same for all plates of a run."""

    folder: Path
    process: Process
    order: NegativeOrder
    sharpness: bool
    target: Path
    captures: tuple[Path, ...]
    plates: tuple[str, ...]


def _print_one(common: _Common, place: int) -> MadeNegative:
    """Make one print negative: the unit of work, in a process of its own or not."""
    folder, process, order = common.folder, common.process, common.order
    converted = folder / OUTPUT_NAME
    named = _named(common.plates[place], folder, converted)
    if named.plate_id in {_positive_of(name, converted).stem for name in common.plates[:place]}:
        what = f'would get the files of another plate "{named.plate_id}" that was asked for as well'
        raise PrintNegativeError(named.path, what, "name it once, or rename one of the two files")
    if order.aim == "facsimile":
        source = _from_plate(named, folder, process, order)
    else:
        source = _from_positive(named, process, order)
    if common.sharpness and named.in_session:
        source = _with_sharpness(source, named, folder, load_session(folder).scan)
    return _make(source, named, common.captures, process, order, common.target)


def _named(name: str, folder: Path, converted: Path) -> _Named:
    path = _positive_of(name, converted)
    if path == Path(name):
        return _Named(plate_id=path.stem, path=path, in_session=False)
    plates = {plate.id: plate for plate in load_session(folder).plates}
    own = plates.get(name.partition("/")[0])
    if not path.is_file() or ("/" in name and (own is None or name not in names_of(own))):
        known = sorted(found.stem for found in (converted / POSITIVES).glob("*.tif"))
        listed = ", ".join(known[:12]) or "none yet; convert the session first"
        raise PrintNegativeError(
            converted, f'has no positive of a plate "{name}"', f"the plates there are: {listed}"
        )
    where = converted / RECORDS / f"{name.partition('/')[0]}.json"
    try:
        record = record_in(where.read_bytes())
    except (OSError, ValueError):
        record = NOTHING_KNOWN  # the positive can be printed without
    older = own is not None and is_older_than(read_record(where), own)
    if "/" in name:
        record = next((one for one in record.pictures if one.plate == name), NOTHING_KNOWN)
    return _Named(
        plate_id=stem_of(name), name=name, path=path, in_session=True, record=record, older=older
    )


def _positive_of(name: str, converted: Path) -> Path:
    """Return the file that a plate's name stands for: itself, or the positive of that id."""
    path = Path(name)
    if path.suffix.lower() in _AS_TIFF:
        return path
    return positive_of(converted, name)


def _with_sharpness(
    source: NegativeSource, named: _Named, folder: Path, scan: ScanSettings
) -> NegativeSource:
    share = resolved_share(folder, named.record, scan)
    if share is not None:
        return replace(source, efficiency=share[0], efficiency_sigma=share[1])
    note = "sharpness was not measured: no edge of the plate is a clean step in its capture"
    return replace(source, notes=(*source.notes, note))


def _make(
    source: NegativeSource,
    named: _Named,
    captures: Sequence[Path],
    process: Process,
    order: NegativeOrder,
    target: Path,
) -> MadeNegative:
    stem = stem_of_print(source.plate_id, process, order, size_of(source, order))
    files = [target / f"{stem}{end}" for end in (".tif", ".pdf", "-proof.jpg", ".json")]
    refuse_captures(files, captures)
    refuse_foreign(files, "negative")
    made = make_negative(source, process, order, target)
    write_json(
        files[3],
        made.record | {
            "platebench": __version__,
            "made_from": named.path.name,
            "sha256": hash_file(named.path),
            "plate_scale": None if named.record.scale is None else asdict(named.record.scale),
            "cut_to_picture": named.record.picture is not None
            and named.record.picture.box_px is not None,
        },
    )  # fmt: skip
    return replace(made, files=(*made.files, files[3]))


def _from_positive(named: _Named, process: Process, order: NegativeOrder) -> NegativeSource:
    picture = read_positive(named.path)
    return NegativeSource(
        plate_id=named.plate_id,
        path=named.path,
        codes=cut_to(picture.codes, named.record),
        table=table_from_positive(picture.luminance, response_of(process)),
        ppi=picture.ppi,
        no_size=_no_size(named),
        notes=(
            *([OLDER] if named.older else []),
            *([RESIZED] if is_resized(picture.codes.shape, named.record) else []),
            *_doubts(named, order),
        ),
        read_as=picture.notes,
    )


def _from_plate(
    named: _Named, folder: Path, process: Process, order: NegativeOrder
) -> NegativeSource:
    """Look at the plate's captures again: its densities as they were measured, nothing toned."""
    if not named.in_session:
        what = "is a positive, which no longer holds the plate's densities"
        remedy = "name a plate of the session, or leave the aim at positive"
        raise PrintNegativeError(named.path, what, remedy)
    if why := named.record.no_densities:
        raise NoDensitiesError.of_record(named.path, why)
    _size_from_record(named, order)
    settings = load_session(folder)
    plate_id = named.name.partition("/")[0]
    own = tuple(p for p in settings.plates if p.id == plate_id)
    ends = named.record.printed
    if ends is None or not own or own[0].skip:
        what = f"holds no plate {named.plate_id} with its measured densities"
        raise PrintNegativeError(folder, what, "convert the session again")
    settings = replace(settings, plates=own)
    (job,) = session_jobs(folder, folder, settings)
    light, dark = prepare_light(folder, settings)
    job = replace(job, light=light, dark=dark)
    view = look_at_plate(job)
    check_something_there(view, job.settings)
    framing = frame_plate(view, job)
    if named.name != plate_id:
        jobs, faults = picture_jobs(job, view, framing)
        job, view = next((pair for pair in jobs if pair[0].plate_id == named.name), (job, view))
        if job.plate_id != named.name:
            what = "; ".join(faults) or "has changed"
            raise PrintNegativeError(folder, what, "convert the session again")
        framing = frame_plate(view, job)
    as_they_are = np.arange(65536, dtype=np.uint16)
    codes = print_positive(view.picture, framing.plan, as_they_are, by_green=view.by_green)
    part = named.record.picture
    light_seen = true_transmittance(transmittance_of_codes(), view.level, view.calibration)
    return NegativeSource(
        plate_id=named.plate_id,
        path=named.path,
        codes=codes if part is None or part.box_px is None else cut_out(codes, part.box_px),
        table=table_from_plate(
            light_seen,
            process,
            black_at=ends.black_at,
            white_at=max(ends.white_at, ends.black_at + 0.05),
        ),
        ppi=framing.ppi,
        no_size=_no_size(named),
        notes=_doubts(named, order),
    )


def _size_from_record(named: _Named, order: NegativeOrder) -> None:
    """Refuse a size that cannot be made before the captures are read again."""
    if named.record.pixels is None:
        return
    columns, rows = named.record.pixels
    if named.record.picture is not None and (box := named.record.picture.to_cut):
        columns, rows = box[2] - box[0], box[3] - box[1]
    plan_print_size(
        named.path,
        (rows, columns),
        named.record.ppi,
        size=order.size,
        enlarge=order.enlarge,
        ppi=order.ppi,
        no_size=_no_size(named),
    )


def _no_size(named: _Named) -> tuple[str, str] | None:
    """Return why a plate of the session would have no size; None of a file, which says nothing."""
    if not named.in_session:
        return None
    return unknown_size(named.record.format, doubtful=named.record.doubtful)


def _doubts(named: _Named, order: NegativeOrder) -> tuple[str, ...]:
    if not named.record.doubtful:
        part = named.record.picture
        notes = (part.doubt,) if part is not None and part.doubt else ()
        if order.size is None and named.record.size_error_said:
            notes = (*notes, f"the plate's own size: {named.record.size_said}")
        misfit = misfit_of(named.record)
        what = "the plate's own size" if order.size is None else "how much the plate is enlarged"
        return (*notes, *([size_doubt(misfit, what=what)] if misfit else []))
    return (
        "the plate's sides are in doubt, so the whole capture is printed, not the plate alone; "
        f"{SET_CORNERS}",
    )
