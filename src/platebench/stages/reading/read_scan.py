"""A scan (TIFF, PNG, JPEG) to codes, with the curve that turns its codes into linear light."""

from __future__ import annotations

import logging
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any, TypeVar

import cv2
import imagecodecs
import numpy as np
import tifffile
from numpy.typing import NDArray

from platebench.errors import CaptureError
from platebench.image import MONO_PATTERN, CaptureInfo, CaptureKind, SensorFrame
from platebench.settings import ScanSettings
from platebench.stages.reading import metadata
from platebench.stages.reading import tiff_structure as tiff
from platebench.stages.reading.file_kind import FileKind, FoundKind, refuse_absurd_size
from platebench.stages.reading.library_lines import library_lines
from platebench.stages.reading.remedies import AS_TIFF, COPY_AGAIN, FREE_MEMORY
from platebench.stages.reading.scan_curve import (
    FULL_SCALE,
    ProfileError,
    ScanCurves,
    curves_from_profile,
    gamma_curve,
    srgb_curve,
)
from platebench.stages.reading.scan_header import (
    ScanHeader,
    block_step_of_tables,
    read_jpeg_header,
    read_png_header,
    settle_ppi,
)
from platebench.stages.reading.tiff_structure import TiffDirectory, TiffStructure

T = TypeVar("T")

logging.getLogger("tifffile").addHandler(logging.NullHandler())

_FULL_CODE = 65535
_ICC_TAG = 34675
_PLAIN, _JPEG = 1, (6, 7)
_WHITE_IS_ZERO, _BLACK_IS_ZERO, _RGB, _YCBCR = 0, 1, 2, 6
_UNUSABLE = {3: "has colours from a palette", 4: "is a mask", 5: "is a CMYK picture"}
_UNUSABLE |= {8: "is a Lab picture", 9: "is a Lab picture", 10: "is a Lab picture"}


def read_scan(path: Path, found: FoundKind, scan: ScanSettings) -> SensorFrame:
    """Read a scan.

    Parameters
    ----------
    path : Path
        TIFF, PNG or JPEG; grey or RGB, 2 to 16 bits.
    found : FoundKind
        What ``file_kind.find_kind`` said of it.
    scan : ScanSettings
        Used where the file does not say how it is coded, and passed on: what a scan shows.

    Returns
    -------
    SensorFrame
        ``counts`` are codes spread over 16 bits; ``curve`` gives linear light, full scale
        65535. Where red, green and blue have different curves, ``counts`` are linear already
        and ``curve`` is None. The orientation tag is applied.

    Raises
    ------
    CaptureError
        If it is cut off, damaged, or of a kind that is not measured here.
    """
    try:
        if found.kind is FileKind.TIFF and found.structure is not None:
            header, pixels = _read_tiff(path, found.structure)
        else:
            header, pixels = _read_packed(path, found.kind)
        return _frame(path, header, pixels, scan)
    except MemoryError as error:
        what = "needs more memory than there is"
        raise CaptureError(path, what, FREE_MEMORY) from error


def _info(
    path: Path, header: ScanHeader, notes: tuple[str, ...], scan: ScanSettings
) -> CaptureInfo:
    fields = header.fields
    names = ("camera", "taken", "exposure_s", "f_number", "iso", "focal_length_mm", "ppi")
    return CaptureInfo(
        path=path,
        kind=CaptureKind.SCAN,
        orientation=fields.get("orientation", 1),
        block_step=header.block_step,
        assumed_gamma=scan.gamma if header.profile is None and header.transfer is None else None,
        shows_positive=scan.shows == "positive",
        notes=notes,
        **{name: fields.get(name) for name in names},
    )


def _frame(path: Path, header: ScanHeader, pixels: NDArray[Any], scan: ScanSettings) -> SensorFrame:
    notes = list(header.notes)
    if pixels.ndim == 3 and pixels.shape[2] in (2, 4):
        if (pixels[..., -1] != pixels[0, 0, -1]).any():
            notes.append("its transparency was dropped")
        pixels = pixels[..., 0] if pixels.shape[2] == 2 else pixels[..., :3]
    elif pixels.ndim == 3 and pixels.shape[2] == 1:
        pixels = pixels[..., 0]
    if pixels.ndim not in (2, 3) or (pixels.ndim == 3 and pixels.shape[2] != 3):
        raise CaptureError(path, f"has {pixels.shape} values, not grey or RGB", AS_TIFF)
    curves, curve_note = _curves(path, header, pixels.ndim, scan)
    notes.append(curve_note)
    counts = _spread(path, pixels, header.bits)
    if scan.shows == "positive":
        notes.append("shows a positive: its tones are kept, and no density can be read from them")
    common = curves.common
    if common is None:
        for channel, curve in enumerate(curves.curves):
            table = np.rint(curve * FULL_SCALE).astype(np.uint16)
            counts[..., channel] = table[counts[..., channel]]
        notes.append("red, green and blue have different curves: undone in the counts")
    orientation = int(header.fields.get("orientation", 1))
    return SensorFrame(
        counts=upright(counts, orientation),
        pattern=MONO_PATTERN,
        black=np.zeros((3,) if counts.ndim == 3 else (1, 1), np.float32),
        white=float(_FULL_CODE),
        info=_info(path, header, tuple(notes), scan),
        curve=None if common is None else (common * FULL_SCALE).astype(np.float32),
    )


def _curves(
    path: Path, header: ScanHeader, ndim: int, scan: ScanSettings
) -> tuple[ScanCurves, str]:
    """Return the curves and the sentence that says where they come from."""
    if header.profile is not None:
        try:
            curves = curves_from_profile(header.profile, 3 if ndim == 3 else 1)
        except ProfileError as error:
            raise CaptureError(
                path,
                f"has a colour profile that {error}",
                "convert the scan to a profile with plain tone curves, such as gray gamma 2.2",
            ) from error
        return curves, f"{curves.origin}: undone to linear light"
    if header.transfer == "srgb":
        return ScanCurves((srgb_curve(),), "sRGB"), "coded as sRGB, as the file says"
    if isinstance(header.transfer, float):
        curve = gamma_curve(header.transfer)
        return ScanCurves((curve,), "gamma"), f"gamma {header.transfer:.3f}, as the file says"
    curve = gamma_curve(scan.gamma)
    note = f"no colour profile: gamma {scan.gamma:g} assumed ([scan] gamma)"
    return ScanCurves((curve,), "assumed gamma"), note


def _spread(path: Path, pixels: NDArray[Any], bits: int) -> NDArray[np.uint16]:
    """Return new uint16 codes with full scale at 65535, whatever the bits."""
    if pixels.dtype == np.uint8 and bits <= 8:
        full = 255 if bits == 8 or pixels.max(initial=0) >= 1 << bits else (1 << bits) - 1
    elif pixels.dtype.newbyteorder("=") == np.uint16:
        full = _FULL_CODE if bits == 16 else (1 << bits) - 1
    else:
        raise CaptureError(path, f"holds {pixels.dtype} values", AS_TIFF)
    if full == _FULL_CODE:
        return np.require(pixels, np.uint16, ["C", "W"])  # the decoder's own memory
    if full == 255:
        promoted = pixels.astype(np.uint16, order="C")
        promoted *= 257  # 255 becomes 65535
        return promoted
    table = np.rint(np.arange(full + 1) * (_FULL_CODE / full)).astype(np.uint16)
    spread: NDArray[np.uint16] = np.take(table, np.minimum(pixels, full))
    return spread


def upright(counts: NDArray[np.uint16], orientation: int) -> NDArray[np.uint16]:
    """Return the picture turned as its orientation tag says (TIFF 6.0, tag 274).

    Examples
    --------
    >>> upright(np.array([[1, 2, 3], [4, 5, 6]], np.uint16), 6).tolist()
    [[4, 1], [5, 2], [6, 3]]
    """
    if orientation in (5, 6, 7, 8):
        counts = counts.swapaxes(0, 1)  # 5: row 0 is the left side, column 0 the top
    flips = {2: (1,), 3: (0, 1), 4: (0,), 6: (1,), 7: (0, 1), 8: (0,)}
    if orientation in flips:
        counts = np.flip(counts, flips[orientation])
    return np.ascontiguousarray(counts)


def _packed_header(path: Path, kind: FileKind, data: bytes) -> ScanHeader:
    return (read_png_header if kind is FileKind.PNG else read_jpeg_header)(path, data)


def _read_packed(path: Path, kind: FileKind) -> tuple[ScanHeader, NDArray[Any]]:
    """Read a PNG or a JPEG."""
    data = path.read_bytes()
    header = _packed_header(path, kind, data)
    if kind is FileKind.JPEG and header.channels not in (1, 3):
        raise CaptureError(path, f"has {header.channels} channels, not grey or RGB", AS_TIFF)
    stored = header.channels * (2 if header.bits > 8 else 1)
    rows, columns = header.shape
    refuse_absurd_size(path, header.shape, rows * columns * stored, len(data))
    if kind is FileKind.PNG:
        pixels = _decoded(path, lambda: imagecodecs.png_decode(data))
    else:
        pixels = _decoded(path, lambda: _decode_jpeg(data, header.channels))
    if kind is FileKind.JPEG and header.fields.get("exposure_s") is not None:
        note = "a camera's JPEG: its tones are the camera's own, good to look at, not to measure"
        header = replace(header, notes=(*header.notes, note))
    return header, pixels


def _read_tiff(path: Path, structure: TiffStructure) -> tuple[ScanHeader, NDArray[Any]]:
    directory = _picture_directory(path, structure)
    bits = int(directory.tags.get(tiff.BITS, (1,))[0])
    profile, tables, pixels = _decoded(path, lambda: _decode_tiff(path, directory))
    if directory.first(tiff.PHOTOMETRIC, _BLACK_IS_ZERO) == _WHITE_IS_ZERO:
        pixels = pixels.dtype.type((1 << bits) - 1) - pixels
    fields, notes = settle_ppi(metadata.fields_from_file(path))
    pictures = len(_pictures(structure))
    if pictures > 1:
        number = (directory.index or 0) + 1
        notes = (*notes, f"{pictures} pictures in the file: number {number}, the largest, is read")
    header = ScanHeader(
        shape=directory.shape,
        channels=directory.samples,
        bits=bits,
        profile=bytes(profile) if profile else None,
        transfer=None,
        fields=fields,
        notes=notes,
        block_step=block_step_of_tables(tables) if _packed_with_loss(directory) else None,
    )
    return header, pixels


def _packed_with_loss(directory: TiffDirectory) -> bool:
    return directory.first(tiff.COMPRESSION, _PLAIN) in _JPEG


def _decode_jpeg(data: bytes, channels: int) -> NDArray[Any]:
    """Decode with OpenCV, the one reader here that lets libjpeg say what was missing."""
    colours = cv2.IMREAD_GRAYSCALE if channels == 1 else cv2.IMREAD_COLOR_RGB
    pixels = cv2.imdecode(np.frombuffer(data, np.uint8), colours | cv2.IMREAD_IGNORE_ORIENTATION)
    if pixels is None:
        raise ValueError("its JPEG data cannot be decoded")
    return np.asarray(pixels)


def _decode_tiff(
    path: Path, directory: TiffDirectory
) -> tuple[bytes | None, bytes | None, NDArray[Any]]:
    """Return the profile, a JPEG's tables, and the pixels."""
    with tifffile.TiffFile(path) as file:
        page: Any = file.pages[directory.index or 0]
        if (page.imagelength, page.imagewidth) != directory.shape:
            raise ValueError("two readers see two sizes")
        pixels = page.asarray(maxworkers=1)
        return (
            page.tags.valueof(_ICC_TAG),
            page.jpegtables,
            np.moveaxis(pixels, 0, 2) if page.axes == "SYX" else pixels,
        )


def _decoded(path: Path, decode: Callable[[], T]) -> T:
    """Run a decoder; whatever it raises, or says on stderr, is one refusal."""
    try:
        with library_lines() as lines:
            result = decode()
    except MemoryError:
        raise
    except Exception as error:  # on damaged files decoders raise almost anything
        raise CaptureError(path, f"is damaged ({_plain(error)})", COPY_AGAIN) from error
    if lines.damage:
        raise CaptureError(path, f"is damaged ({lines.damage[0]})", COPY_AGAIN)
    return result


def _pictures(structure: TiffStructure) -> list[TiffDirectory]:
    return [d for d in structure.directories if d.index is not None and not d.is_reduced]


def _picture_directory(path: Path, structure: TiffStructure) -> TiffDirectory:
    """Return the first full-size picture of a TIFF, all its declarations checked."""
    pictures = _pictures(structure)
    if not pictures:
        raise CaptureError(path, "holds no full-size picture", AS_TIFF)
    whole = [d for d in pictures if d.pieces and not d.bytes_past(structure.file_bytes)]
    directory = max(whole or pictures[:1], key=lambda d: d.shape[0] * d.shape[1])
    rows, columns = directory.shape
    bits = directory.tags.get(tiff.BITS, (1,))
    kind = directory.first(tiff.PHOTOMETRIC, -1)
    damage = f" ({structure.damage[0]})" if structure.damage else ""
    if rows <= 0 or columns <= 0 or not directory.pieces:
        raise CaptureError(path, f"is a damaged TIFF: no size or no data{damage}", COPY_AGAIN)
    if kind in _UNUSABLE:
        raise CaptureError(path, _UNUSABLE[kind], AS_TIFF)
    if kind not in (_WHITE_IS_ZERO, _BLACK_IS_ZERO, _RGB, _YCBCR):
        raise CaptureError(path, f"is a TIFF of an unknown kind of picture ({kind})", AS_TIFF)
    if max(bits) == 1:
        raise CaptureError(path, "has one bit a pixel, black or white only", AS_TIFF)
    if directory.first(tiff.SAMPLE_FORMAT, 1) != 1 or max(bits) > 16 or len(set(bits)) > 1:
        raise CaptureError(path, "does not hold whole numbers of up to 16 bits", AS_TIFF)
    if not 1 <= directory.samples <= 5:
        raise CaptureError(path, f"has {directory.samples} values a pixel", AS_TIFF)
    missing = directory.bytes_past(structure.file_bytes)
    if missing:
        what = f"is cut off: {missing} bytes of its picture data are missing"
        raise CaptureError(path, what, COPY_AGAIN)
    if directory.absent_pieces:
        what = f"is damaged: {directory.absent_pieces} parts of its picture are not there"
        raise CaptureError(path, what, COPY_AGAIN)
    refuse_absurd_size(path, directory.shape, directory.declared_bytes, structure.file_bytes)
    if directory.first(tiff.COMPRESSION, 1) == 1:
        short = directory.declared_bytes - directory.stored_bytes
        if short > 0:
            what = f"is cut off: {short} bytes of its picture data are missing"
            raise CaptureError(path, what, COPY_AGAIN)
    return directory


def _plain(error: BaseException) -> str:
    """Return a reader's message as one short line."""
    if isinstance(error, UnicodeDecodeError):
        return "a text in it is not readable"
    return " ".join(str(error).split())[:120] or type(error).__name__
