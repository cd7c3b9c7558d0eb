"""What a session leaves for people: the proof sheet, pages at true size, and a report."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from functools import partial
from math import nan
from pathlib import Path
from typing import Any

from platebench.core.errors import UnexpectedError
from platebench.core.files import remove_file
from platebench.core.plate_names import folded_id
from platebench.core.progress import Progress
from platebench.core.settings import LIGHT_KEYS, SessionSettings
from platebench.core.version import __version__
from platebench.plate.job import POSITIVES, PlateResult, positive_of, preview_of
from platebench.plate.plate_format import misfit_of
from platebench.plate.record import NOTHING_KNOWN
from platebench.plate_log.dates import date_in_words
from platebench.session.parts import MadeFrom, files_in_parts, parts_of
from platebench.session.record import Known, hash_files, write_json
from platebench.write.proof_caption import ProofPrint
from platebench.write.proof_picture import write_proof_pngs
from platebench.write.proof_sheet import write_proof_index, write_proof_sheet
from platebench.write.true_size import TrueSizeResult, write_true_size

OUTPUT_NAME = "converted"  # folder of results in a session's folder, unless another is named
PROOF_SHEET = "proof-sheet.pdf"
TRUE_SIZE = "true-size.pdf"
REPORT, READABLE, READABLE_PDF = "report.json", "report.html", "report.pdf"
IN_PARTS = (READABLE, READABLE_PDF, PROOF_SHEET)  # of a large session
_NO_TITLE = "Proof sheet"


def session_files(output: Path) -> tuple[Path, ...]:
    """Return the files a session may write or remove, beside those of its plates."""
    names = (REPORT, READABLE, READABLE_PDF, PROOF_SHEET, TRUE_SIZE)
    return (*(output / name for name in names), *files_in_parts(output, *IN_PARTS))


def write_proofs(
    output: Path,
    settings: SessionSettings,
    results: Sequence[PlateResult],
    made_from: MadeFrom,
    progress: Progress | None = None,
    known: Known | None = None,
) -> tuple[Path, ...]:
    """Write the proof sheet as PDF and PNG and return the files; none where no plate worked.

    An earlier sheet does not outlive the plates it shows; one that shows the same is left.

    Parameters
    ----------
    output : Path
        Folder of results.
    settings : SessionSettings
    results : sequence of PlateResult
    made_from : MadeFrom
        Keeps what the sheets show.
    progress : Progress or None
    known : dict, optional
        Digests of previews; see :func:`platebench.session.record.hash_files`.

    Raises
    ------
    WriteError
        If one cannot be written.
    """
    if all(result.error for result in results):
        remove_file(output / PROOF_SHEET)
        return ()
    title, date = settings.title or _NO_TITLE, days_of(results)
    failed = [(result.plate_id, reason_of(result)) for result in results if result.error]
    digests = digests_of_previews(output, results, known)
    files: tuple[Path, ...] = ()
    lines: list[tuple[str, str, tuple[str, ...]]] = []
    for part in parts_of(results):
        done = with_pictures(result for result in part.plates if result.error is None)
        prints = [proof_print(output, result) for result in done]
        if not prints:
            continue
        sheet = output / part.name(PROOF_SHEET)
        named = () if part.number else failed  # of many, the index names them
        span = part.span(done[0].plate_id, done[-1].plate_id)
        write = partial(
            write_proof_sheet,
            sheet,
            prints,
            title=title,
            date=date,
            ground=made_from.ground,
            not_converted=named,
            first=part.first,
            span=span,
            progress=progress,
        )
        pictures = [digests[preview_of(output, result.plate_id)] for result in done]
        facts = [replace(shown, picture=Path(shown.plate_id)) for shown in prints]
        told = (title, date, made_from.ground, named, part.first, span, facts, pictures)
        files += made_from.made(sheet.name, told, partial(_with_pages, sheet, write, progress))
        lines.append((sheet.name, span, tuple(s.plate_id for s in prints if s.doubtful)))
    if files[0].name != PROOF_SHEET:
        sheet = output / PROOF_SHEET
        index = partial(
            write_proof_index, sheet, lines, title=title, date=date, not_converted=failed
        )
        told_of_all = (title, date, failed, lines)
        made = partial(_with_pages, sheet, index, progress)
        files = (*made_from.made(PROOF_SHEET, told_of_all, made), *files)
    return files


def _with_pages(
    sheet: Path, write: Callable[[], object], progress: Progress | None
) -> tuple[Path, ...]:
    """Write a sheet and its pages as pictures."""
    write()
    return (sheet, *write_proof_pngs(sheet, sheet.parent, progress=progress))


def with_pictures(results: Iterable[PlateResult]) -> list[PlateResult]:
    """Return results of plates, each with those of the pictures on it after it."""
    return [
        one
        for result in results
        for one in (
            result,
            *(
                PlateResult(plate_id=picture.plate, record=picture)
                for picture in (result.record.pictures if result.record else ())
            ),
        )
    ]


def digests_of_previews(
    output: Path, results: Sequence[PlateResult], known: Known | None
) -> dict[Path, str]:
    """Return the SHA-256 of each preview; see :func:`platebench.session.record.hash_files`."""
    shown = (result for result in with_pictures(results) if not result.error)
    return hash_files((preview_of(output, result.plate_id) for result in shown), known=known)


def left_from_earlier(output: Path, settings: SessionSettings) -> tuple[str, ...]:
    """Return the ids of plates whose positives lie there but that the session does not list."""
    listed = {folded_id(plate.id) for plate in settings.plates}
    found = sorted(path.stem for path in (output / POSITIVES).glob("*.tif"))
    return tuple(name for name in found if folded_id(name) not in listed)


def write_true_size_pages(
    output: Path,
    settings: SessionSettings,
    results: Sequence[PlateResult],
    progress: Progress | None = None,
) -> tuple[Path, TrueSizeResult]:
    """Write every plate at its true size, from the positives themselves.

    Raises
    ------
    WriteError
        If no plate's size is known, or the file cannot be written.
    """
    path = output / TRUE_SIZE
    prints = [
        replace(
            proof_print(output, result),
            picture=positive_of(output, result.plate_id),
        )
        for result in results
        if result.error is None
    ]
    title = settings.title or _NO_TITLE
    return path, write_true_size(
        path, prints, title=title, date=days_of(results), progress=progress
    )


def proof_print(output: Path, result: PlateResult) -> ProofPrint:
    """Return a converted plate as the proof sheet shows it, from its record and preview."""
    record = result.record or NOTHING_KNOWN
    d_max, span, bound = record.dense_end or (nan, nan, False)
    return ProofPrint(
        plate_id=result.plate_id,
        picture=preview_of(output, result.plate_id),
        title=record.log.title if record.log else record.caption,
        date=date_in_words(record.log.date) if record.log else "",
        format_name=record.format or _size_of_picture(result),
        size_mm=record.size_mm,
        size_error=record.size_error_said,
        base_fog=nan if record.base_fog is None else record.base_fog,
        d_max=d_max,
        density_range=span,
        bound=bound,
        fog_seen=record.fog_seen,
        flags=record.flags,
        whole=record.whole,
        doubtful=record.doubtful,
        misfit=misfit_of(record),
    )


def _size_of_picture(result: PlateResult) -> str:
    """Return how large a picture on a plate is; "" of a plate, or where that is not known."""
    size = result.record.size_mm if result.record and "/" in result.plate_id else None
    return "" if size is None else f"{size[0]:g} x {size[1]:g} mm"


def reason_of(result: PlateResult) -> str:
    """Return in short why a plate failed: its error without what to do, and no folders.

    Examples
    --------
    >>> from platebench.core.errors import NoPlateError
    >>> reason_of(PlateResult(plate_id="p", error=NoPlateError(Path("shelf/scans/a.tif"))))
    'a.tif shows no plate'
    """
    if result.error is None:
        return ""
    reason = str(result.error).removeprefix(f"{result.plate_id}: ").partition("; ")[0]
    for path in result.error.args:
        if isinstance(path, Path):
            reason = reason.replace(str(path), path.name)
    return reason


def days_of(results: Sequence[PlateResult]) -> str:
    """Return the day, or first and last day, on which the plates were captured; "" if unknown."""
    taken = [result.record.taken for result in results if result.record]
    days = sorted({moment[:10] for moment in taken if moment})
    return " to ".join(sorted({*days[:1], *days[-1:]}))


def write_report(
    output: Path,
    settings: SessionSettings,
    results: Sequence[PlateResult],
    files: Sequence[Path],
    not_true_size: Sequence[tuple[str, str]] = (),
    log_remarks: Sequence[str] = (),
) -> Path:
    """Write ``report.json`` and return its path: the same bytes for the same session.

    Parameters
    ----------
    output : Path
        Folder of results.
    settings : SessionSettings
        What was wanted.
    results : sequence of PlateResult
        What came of it.
    files : sequence of Path
        Files of the whole session.
    not_true_size : sequence of (str, str)
        Plates left out of the true-size pages, and why.
    log_remarks : sequence of str
        What does not fit between plate log and session.

    Raises
    ------
    WriteError
        If it cannot be written.
    """
    document = report_document(output, settings, results) | {
        "left_out": [plate.id for plate in settings.plates if plate.skip],
        "left_from_earlier": list(left_from_earlier(output, settings)),
        "files": names_in(output, files),
        "not_at_true_size": dict(not_true_size),
        "plate_log": list(log_remarks),
    }
    write_json(output / REPORT, document)
    return output / REPORT


def report_document(
    output: Path, settings: SessionSettings, results: Sequence[PlateResult]
) -> dict[str, Any]:
    """Return what a report says of a session and its plates, wherever it is written."""
    return {
        "schema": 1,
        "platebench": __version__,
        "title": settings.title,
        **{key: list(getattr(settings, key)) for key in LIGHT_KEYS},
        "plates": [plate_to_json(output, result) for result in results],
    }


def plate_to_json(output: Path, result: PlateResult) -> dict[str, Any]:
    """Return a plate's outcome as JSON types."""
    shown: dict[str, Any] = {
        "id": result.plate_id,
        "status": "failed" if result.error else "done",
        "files": names_in(output, result.written),
    }
    if result.error:
        shown["error"] = error_to_json(result.error)
    if made := result.record.to_json() if result.record else result.master:
        shown["result"] = made
    return shown


def error_to_json(error: Exception) -> dict[str, Any]:
    """Return an error as JSON types: its kind, its sentence, and a traceback if there is one."""
    shown = {"kind": type(error).__name__, "message": str(error)}
    if isinstance(error, UnexpectedError):
        shown["traceback"] = error.trace
    return shown


def names_in(output: Path, paths: Iterable[Path]) -> list[str]:
    """Return paths relative to the folder of results, with forward slashes."""
    return [path.relative_to(output).as_posix() for path in paths]
