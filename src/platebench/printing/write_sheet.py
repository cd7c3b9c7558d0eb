"""A sheet of ink to the files that are printed: 16-bit TIFF, and PDF of exactly its size."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from platebench import __version__
from platebench.files.own_files import refuse_foreign
from platebench.fsio import atomic_write, make_folder
from platebench.outputs.negative_pdf import write_raster_pdf
from platebench.outputs.tiff import write_print_negative
from platebench.printing.chart_sheet import InkSheet
from platebench.progress import Progress, working


def write_sheet(
    folder: Path,
    name: str,
    sheet: InkSheet,
    *,
    ppi: float,
    title: str,
    facts: Mapping[str, Any] | None = None,
    progress: Progress | None = None,
) -> tuple[Path, ...]:
    """Write a sheet as ``NAME.tif``, ``NAME.pdf`` and, with ``facts``, ``NAME.json``.

    Raises
    ------
    WriteError
        If a file could not be written, or reads back different, or one of that name is not from
        here.
    """
    make_folder(folder)
    codes = sheet.codes()
    tif, pdf, known = (folder / f"{name}{end}" for end in (".tif", ".pdf", ".json"))
    refuse_foreign((tif, pdf) if facts is None else (tif, pdf, known), "chart")
    with working(progress, "sheet", 2) as told:
        write_print_negative(
            tif,
            codes.shape,
            [codes],
            ppi=ppi,
            description=title,
            software=f"platebench {__version__}",
        )
        told.advance(tif.name)
        write_raster_pdf(pdf, codes.shape, [codes], ppi=ppi, title=title)
        told.advance(pdf.name)
    if facts is None:
        return tif, pdf
    with atomic_write(known) as stream:
        stream.write((json.dumps(facts, indent=2, allow_nan=False) + "\n").encode())
    return tif, pdf, known
