"""What a session leaves for people: the proof sheet, pages at true size, and a report."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import nan
from pathlib import Path
from typing import Any

from platebench import __version__
from platebench.errors import UnexpectedError
from platebench.outputs.proof_caption import ProofPrint
from platebench.outputs.proof_png import write_proof_pngs
from platebench.outputs.proof_sheet import write_proof_sheet
from platebench.outputs.true_size import write_true_size
from platebench.plate_job import PREVIEWS, PlateResult
from platebench.record import write_json
from platebench.settings import SessionSettings

PROOF_SHEET = "proof-sheet.pdf"
TRUE_SIZE = "true-size.pdf"
REPORT = "report.json"


@dataclass(frozen=True, slots=True)
class Proofs:
    """Files of the proof sheet, and plates left out of the true-size pages with the reason."""

    files: tuple[Path, ...] = ()
    not_true_size: tuple[tuple[str, str], ...] = ()


def write_proofs(
    output: Path,
    settings: SessionSettings,
    results: Sequence[PlateResult],
    *,
    true_size: bool = False,
) -> Proofs:
    """Write the proof sheet as PDF and PNG, and the true-size pages if wanted.

    Raises
    ------
    WriteError
        If one cannot be written.
    """
    prints = [proof_print(output, result) for result in results if result.error is None]
    if not prints:
        return Proofs()
    title = settings.title or "Proof sheet"
    sheet = output / PROOF_SHEET
    write_proof_sheet(sheet, prints, title=title)
    for old in sorted(output.glob(f"{sheet.stem}-[0-9]*.png")):
        old.unlink()  # an earlier sheet may have had more pages
    files = [sheet, *write_proof_pngs(sheet, output)]
    if not true_size:
        return Proofs(tuple(files))
    made = write_true_size(output / TRUE_SIZE, prints, title=title)
    return Proofs((*files, output / TRUE_SIZE), made.left_out)


def proof_print(output: Path, result: PlateResult) -> ProofPrint:
    """Return a converted plate as the proof sheet shows it, from its record and preview."""
    record = result.record
    size = record.get("size_mm")
    return ProofPrint(
        plate_id=result.plate_id,
        picture=output / PREVIEWS / f"{result.plate_id}.jpg",
        format_name=record.get("format", ""),
        size_mm=(float(size[0]), float(size[1])) if size else None,
        base_fog=_density(record, "base_fog"),
        d_max=_density(record, "d_max"),
        density_range=_density(record, "density_range"),
        flags=tuple(record.get("flags", ())),
        whole=bool(record.get("whole", False)),
    )


def write_report(
    output: Path, settings: SessionSettings, results: Sequence[PlateResult], proofs: Proofs
) -> Path:
    """Write ``report.json`` and return its path: the same bytes for the same session.

    Raises
    ------
    WriteError
        If it cannot be written.
    """
    document = {
        "schema": 1,
        "platebench": __version__,
        "title": settings.title,
        "blank": list(settings.blank),
        "dark": list(settings.dark),
        "plates": [plate_to_json(output, result) for result in results],
        "left_out": [plate.id for plate in settings.plates if plate.skip],
        "files": names_in(output, proofs.files),
        "not_at_true_size": dict(proofs.not_true_size),
    }
    write_json(output / REPORT, document)
    return output / REPORT


def plate_to_json(output: Path, result: PlateResult) -> dict[str, Any]:
    """Return a plate's outcome as JSON types."""
    shown: dict[str, Any] = {
        "id": result.plate_id,
        "status": "failed" if result.error else "done",
        "files": names_in(output, result.written),
    }
    if result.error:
        shown["error"] = error_to_json(result.error)
    if result.record:
        shown["result"] = result.record
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


def _density(record: dict[str, Any], key: str) -> float:
    value = record.get(key)
    return nan if value is None else float(value)
