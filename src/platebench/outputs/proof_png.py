"""Proof sheets as PNG: the very pages of the PDF, drawn to pixels."""

from __future__ import annotations

from pathlib import Path

import pypdfium2
from PIL.PngImagePlugin import PngInfo

from platebench.fsio import atomic_write
from platebench.progress import Progress, working

POINTS_PER_INCH = 72


def write_proof_pngs(
    pdf_path: Path, folder: Path, *, ppi: int = 150, progress: Progress | None = None
) -> tuple[Path, ...]:
    """Write each page of a PDF as a PNG beside its siblings, one page in memory at a time.

    Parameters
    ----------
    pdf_path : Path
        A proof sheet.
    folder : Path
        Where the PNGs go, named after the PDF: ``sheet-1.png`` or ``sheet-01.png`` and on.
    ppi : int
        Pixels per inch.
    progress : Progress or None
        Told of each page.

    Returns
    -------
    tuple of Path
        In page order.

    Raises
    ------
    WriteError
        If a file cannot be written.
    """
    written = []
    pdf = pypdfium2.PdfDocument(pdf_path)
    try:
        digits = len(str(len(pdf)))
        with working(progress, "pages", len(pdf)) as told:
            for number in range(len(pdf)):
                path = folder / f"{pdf_path.stem}-{number + 1:0{digits}d}.png"
                image = pdf[number].render(scale=ppi / POINTS_PER_INCH).to_pil()
                with atomic_write(path) as stream:
                    image.save(stream, "PNG", dpi=(ppi, ppi), pnginfo=_made_by())
                written.append(path)
                told.advance(path.name)
    finally:
        pdf.close()
    return tuple(written)


def _made_by() -> PngInfo:
    """Return the name of the program, by which an earlier page is known."""
    info = PngInfo()
    info.add_text("Software", "platebench")
    return info
