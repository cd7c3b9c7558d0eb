"""Pictures made ready for paper, gray, at the size they are printed; and pages as PNG."""

from __future__ import annotations

import io
import warnings
from pathlib import Path

import numpy as np
import pypdfium2
from numpy.typing import NDArray
from PIL import Image
from PIL.PngImagePlugin import PngInfo

from platebench.core.errors import WriteError
from platebench.core.files import atomic_write
from platebench.core.formats import MM_PER_INCH
from platebench.core.progress import Progress, working

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


Box = tuple[int, int, int, int]  # top, left, bottom, right; half-open, pixels

MAX_PPI = 300  # finer than paper shows at reading distance
JPEG_QUALITY = 92
MAX_SKEW = 0.03  # plates are cut up to 1 % under their nominal sides, so shape can differ by 2 %


def picture_shape(
    target: Path, plate_id: str, picture: Path | NDArray[np.uint8]
) -> tuple[int, int]:
    """Return rows and columns of a picture without decoding it.

    Parameters
    ----------
    target : Path
        The file being made, for the error.
    plate_id : str
        The plate, for the error.
    picture : Path or ndarray of uint8, shape (M, N)
        The positive.

    Raises
    ------
    WriteError
        If the file is missing or is not a picture.
    """
    if isinstance(picture, np.ndarray):
        if picture.dtype != np.uint8 or picture.ndim != 2 or not picture.size:
            raise TypeError(f"picture must be uint8 (M, N), got {picture.dtype} {picture.shape}")
        return picture.shape[0], picture.shape[1]
    with _opened(target, plate_id, picture) as image:
        return image.height, image.width


def size_fits(shape: tuple[int, int], size_mm: tuple[float, float]) -> bool:
    """Tell whether a size of (width, height) has the shape of a picture of (rows, columns)."""
    width, height = size_mm
    if not (0 < width < float("inf") and 0 < height < float("inf")):
        return False
    ratio = (width / height) / (shape[1] / shape[0])
    return 1 / (1 + MAX_SKEW) < ratio < 1 + MAX_SKEW


def gray_jpeg(
    target: Path, plate_id: str, picture: Path | NDArray[np.uint8], size_mm: tuple[float, float]
) -> bytes:
    """Return a picture as a gray JPEG, reduced to ``MAX_PPI`` at its printed size.

    A gray JPEG file that is near that size already is passed on as it is.
    """
    if isinstance(picture, np.ndarray):
        return _jpeg(_reduced(Image.fromarray(picture), size_mm))
    with _opened(target, plate_id, picture) as image:
        if image.format == "JPEG" and image.mode == "L":
            if image.width <= 1.25 * _columns(size_mm[0]):
                return picture.read_bytes()
            image.draft("L", (_columns(size_mm[0]) * 2, _columns(size_mm[1]) * 2))
        return _jpeg(_reduced(_decoded(target, plate_id, picture, image), size_mm))


def gray_pixels(
    target: Path, plate_id: str, picture: Path | NDArray[np.uint8], part: Box | None = None
) -> Image.Image:
    """Return a picture, or a part of it, as 8-bit gray, at its own resolution."""
    if isinstance(picture, np.ndarray):
        whole = Image.fromarray(picture)
    else:
        with _opened(target, plate_id, picture) as image:
            whole = _decoded(target, plate_id, picture, image)
    if part is None:
        return whole
    top, left, bottom, right = part
    return whole.crop((left, top, right, bottom))


def _columns(length_mm: float) -> int:
    return max(1, round(length_mm / MM_PER_INCH * MAX_PPI))


def _reduced(image: Image.Image, size_mm: tuple[float, float]) -> Image.Image:
    columns, rows = _columns(size_mm[0]), _columns(size_mm[1])
    if columns >= image.width or rows >= image.height:
        return image
    return image.resize((columns, rows), Image.Resampling.LANCZOS, reducing_gap=3.0)


def _jpeg(image: Image.Image) -> bytes:
    stream = io.BytesIO()
    image.save(stream, "JPEG", quality=JPEG_QUALITY, optimize=True)
    return stream.getvalue()


def _opened(target: Path, plate_id: str, picture: Path) -> Image.Image:
    try:
        with warnings.catch_warnings():  # a 100 MP positive is no attack
            warnings.simplefilter("ignore", Image.DecompressionBombWarning)
            return Image.open(picture)
    except FileNotFoundError as error:
        what = f"the picture of plate {plate_id}, {picture}, is missing"
        raise WriteError(target, what, "convert the plate again") from error
    except (
        OSError,
        ValueError,
        Image.DecompressionBombError,
    ) as error:  # UnidentifiedImageError is an OSError
        what = f"the picture of plate {plate_id}, {picture}, cannot be read"
        raise WriteError(target, what, "convert the plate again") from error


def _decoded(target: Path, plate_id: str, picture: Path, image: Image.Image) -> Image.Image:
    try:
        if image.mode.startswith("I;16") or image.mode == "I":
            wide = np.asarray(image, dtype=np.uint32)
            return Image.fromarray(((wide + 128) // 257).clip(0, 255).astype(np.uint8))
        return image.convert("L")
    except (OSError, ValueError) as error:
        what = f"the picture of plate {plate_id}, {picture}, is damaged"
        raise WriteError(target, what, "convert the plate again") from error
