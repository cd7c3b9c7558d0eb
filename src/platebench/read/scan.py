"""A scan (TIFF, PNG, JPEG) to codes, with the curve that turns its codes into linear light."""

from __future__ import annotations

import logging
import math
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any, TypeVar

import cv2
import imagecodecs
import numpy as np
import tifffile
from numpy.typing import NDArray

from platebench.core.errors import CaptureError
from platebench.core.image import MONO_PATTERN, CaptureInfo, CaptureKind, SensorFrame, UsedBits
from platebench.core.settings import ScanSettings
from platebench.read import metadata
from platebench.read import tiff_structure as tiff
from platebench.read.file_kind import (
    AS_TIFF,
    COPY_AGAIN,
    FREE_MEMORY,
    FileKind,
    FoundKind,
    refuse_absurd_size,
)
from platebench.read.jpeg_damage import (
    decode_for_complaints,
    is_padding,
    refused_by_strict_reader,
    whole_jpeg,
)
from platebench.read.library_lines import library_lines
from platebench.read.scan_curve import (
    FULL_SCALE,
    ProfileError,
    ScanCurves,
    curves_from_profile,
    gamma_curve,
    srgb_curve,
)
from platebench.read.scan_header import (
    FULL_BITS,
    ScanHeader,
    block_step_of,
    picture_chunks,
    read_jpeg_header,
    read_png_header,
    settle_ppi,
    unit_of,
)
from platebench.read.tiff_picture import (
    WHITE_IS_ZERO,
    packed_as_jpeg,
    picture_directory,
    pictures_of,
    stated_bits,
)
from platebench.read.tiff_structure import TiffDirectory, TiffStructure
from platebench.read.written import layout_of, refuse_torn, refuse_unwritten, refuse_unwritten_jpeg

T = TypeVar("T")

logging.getLogger("tifffile").addHandler(logging.NullHandler())

_FULL_CODE = 65535
_ICC_TAG = 34675
_DEPTH_OF_THEIR_OWN = (7, 33003, 33004, 33005, 34712, 34892, 34933, 34934, 50001, 50002, 52546)
_MULTIPLIED = 1  # ExtraSamples: associated alpha
_MOST_JPEG_PIXELS = 1 << 30  # of OpenCV's reader
_LEAST_BITS: tuple[UsedBits, ...] = (8, 10, 12, 14, 16)


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
        raise CaptureError(path, what, *FREE_MEMORY) from error


def _info(
    path: Path,
    header: ScanHeader,
    notes: tuple[str, ...],
    scan: ScanSettings,
    least_bits: UsedBits | None,
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
        least_bits=least_bits,
        no_date=fields.get("no_date"),
        notes=notes,
        **{name: fields.get(name) for name in names},
    )


def _frame(path: Path, header: ScanHeader, pixels: NDArray[Any], scan: ScanSettings) -> SensorFrame:
    notes = [*header.notes, *metadata.date_notes(header.fields)]
    if pixels.ndim == 3 and pixels.shape[2] in (2, 4):
        if header.multiplied and (pixels[..., -1] != (1 << header.bits) - 1).any():
            raise CaptureError(path, "has its tones dimmed by a transparency", AS_TIFF)
        if (pixels[..., -1] != pixels[0, 0, -1]).any():
            notes.append("its transparency was dropped")
        pixels = pixels[..., 0] if pixels.shape[2] == 2 else pixels[..., :3]
    elif pixels.ndim == 3 and pixels.shape[2] == 1:
        pixels = pixels[..., 0]
    if pixels.ndim not in (2, 3) or (pixels.ndim == 3 and pixels.shape[2] != 3):
        raise CaptureError(path, f"has {pixels.shape} values, not grey or RGB", AS_TIFF)
    curves, curve_note = _curves(path, header, pixels.ndim, scan)
    notes.append(curve_note)
    least_bits = _least_bits(pixels, header)
    bits, bits_notes = _bits(path, header, scan, least_bits)
    notes += bits_notes
    counts = _spread(path, pixels, bits, white_is_zero=header.white_is_zero)
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
        info=_info(path, header, tuple(notes), scan, least_bits),
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


def _spread(
    path: Path, pixels: NDArray[Any], bits: int, *, white_is_zero: bool
) -> NDArray[np.uint16]:
    """Return new uint16 codes with full scale at 65535, whatever the bits."""
    if pixels.dtype == np.uint8 and bits <= 8:
        full = 255 if bits == 8 or pixels.max(initial=0) >= 1 << bits else (1 << bits) - 1
    elif pixels.dtype.newbyteorder("=") == np.uint16:
        full = (1 << bits) - 1
    else:
        raise CaptureError(path, f"holds {pixels.dtype} values", AS_TIFF)
    if white_is_zero:
        pixels = pixels.dtype.type(full) - pixels
    if full == _FULL_CODE:
        return np.require(pixels, np.uint16, ["C", "W"])  # the decoder's own memory
    if full == 255:
        promoted = pixels.astype(np.uint16, order="C")
        promoted *= 257  # 255 becomes 65535
        return promoted
    codes = np.minimum(np.arange(_FULL_CODE + 1), full)
    table = np.rint(codes * (_FULL_CODE / full)).astype(np.uint16)
    return np.asarray(cv2.LUT(np.require(pixels, np.uint16, ["C"]), table), np.uint16)


def _least_bits(pixels: NDArray[Any], header: ScanHeader) -> UsedBits | None:
    """Return the fewest usual bits that hold all values; None where the file says how many."""
    if header.bits != FULL_BITS or header.stated_bits is not None:
        return None
    top = int(pixels.max(initial=0))
    return next(bits for bits in _LEAST_BITS if top < 1 << bits)


def _bits(
    path: Path, header: ScanHeader, scan: ScanSettings, least_bits: int | None
) -> tuple[int, list[str]]:
    """Return the bits whose largest value is full scale, and the sentences that say why."""
    if header.stated_bits is not None:
        return header.stated_bits, [f"{header.stated_bits} bits in 16, as the file says"]
    if least_bits is None:
        return header.bits, []
    if scan.bits:
        if least_bits > scan.bits:
            what = f"holds values over the {scan.bits} bits that [scan] bits gives"
            raise CaptureError(path, what, "set it to 0 or 16 in session.toml")
        said = f"{scan.bits} bits in 16 assumed ([scan] bits)"
        return scan.bits, [said] if scan.bits < FULL_BITS else []
    if least_bits == FULL_BITS:
        return FULL_BITS, []
    said = (
        f"no value passes {(1 << least_bits) - 1}: full scale is taken to be 65535 all the same; "
    )
    return FULL_BITS, [f"{said}if the scanner gives {least_bits} bits, set [scan] bits to that"]


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
    if kind is FileKind.JPEG and math.prod(header.shape) > _MOST_JPEG_PIXELS:
        raise CaptureError(path, "has more pixels than are read of a JPEG", AS_TIFF)
    stored = header.channels * (2 if header.bits > 8 else 1)
    rows, columns = header.shape
    refuse_absurd_size(path, header.shape, rows * columns * stored, len(data))
    if kind is FileKind.PNG:
        pixels = _decoded(path, lambda: imagecodecs.png_decode(picture_chunks(data)))
    else:
        _refuse_impossible(path, data)
        pixels = _decoded(path, lambda: _decode_jpeg(data, header.channels), data)
        held = np.frombuffer(data, np.uint8)
        refuse_unwritten_jpeg(path, held, header.coded, pixels, header.unit, passes=header.passes)
    if kind is FileKind.JPEG and header.fields.get("exposure_s") is not None:
        note = "a camera's JPEG: its tones are the camera's own, good to look at, not to measure"
        header = replace(header, notes=(*header.notes, note))
    return header, pixels


def _read_tiff(path: Path, structure: TiffStructure) -> tuple[ScanHeader, NDArray[Any]]:
    directory = picture_directory(path, structure)
    bits = int(directory.tags.get(tiff.BITS, (1,))[0])
    block_step, unit = _check_jpegs(path, directory) if packed_as_jpeg(directory) else (None, None)
    profile, pixels = _decoded(path, lambda: _decode_tiff(path, directory))
    order = ">" if structure.big_endian else "<"
    doubts = refuse_unwritten(path, directory, layout_of(directory), order, decoded=pixels)
    if unit is not None and pixels.dtype == np.uint8:
        _refuse_unwritten_pieces(path, directory, pixels, unit)
    fields, notes = settle_ppi(metadata.fields_from_file(path))
    notes = (*notes, *doubts)
    pictures = len(pictures_of(structure))
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
        block_step=block_step,
        stated_bits=stated_bits(directory, int(pixels.max(initial=0))),
        white_is_zero=directory.first(tiff.PHOTOMETRIC, 1) == WHITE_IS_ZERO,
        multiplied=_MULTIPLIED in directory.tags.get(tiff.EXTRA_SAMPLES, ()),
    )
    return header, pixels


def _refuse_unwritten_pieces(
    path: Path, directory: TiffDirectory, pixels: NDArray[Any], unit: tuple[int, int]
) -> None:
    """Look at strips and tiles of JPEG.

    Each begins anew at its own level, so it is torn up to its end. Strips are looked at as one,
    since rows that are torn go on in the next.
    """
    data = np.memmap(path, np.uint8, "r")
    for offset, size in directory.pieces:
        refuse_unwritten_jpeg(path, data, (offset, offset + size), pixels, None)
    grey = pixels if pixels.ndim == 2 else pixels[..., min(1, pixels.shape[2] - 1)]
    rows, columns = directory.shape
    width = directory.first(tiff.TILE_WIDTH, columns) or columns
    height = directory.first(tiff.TILE_HEIGHT, rows) or rows
    for top in range(0, rows, height):
        for left in range(0, columns, width):
            refuse_torn(path, grey[top : top + height, left : left + width], unit)


def _refuse_impossible(path: Path, data: bytes) -> None:
    if refused_by_strict_reader(data):
        raise CaptureError(path, "is damaged (some of its codes stand for nothing)", COPY_AGAIN)


def _check_jpegs(path: Path, directory: TiffDirectory) -> tuple[float, tuple[int, int] | None]:
    """Refuse a TIFF whose JPEGs are damaged.

    Return to how many codes they round a block's mean, and rows and columns coded together.

    The decoder that unpacks them says nothing of damage.
    """
    tables = bytes(int(value) for value in directory.tags.get(tiff.JPEG_TABLES, ()))
    step, unit = 0.0, None
    with path.open("rb") as stream:
        for offset, size in directory.pieces:
            stream.seek(offset)
            data = whole_jpeg(stream.read(size), tables)
            step, unit = step or block_step_of(data), unit or unit_of(data)
            _refuse_impossible(path, data)
            _decoded(path, partial(decode_for_complaints, data), data)
    return step, unit


def _decode_jpeg(data: bytes, channels: int) -> NDArray[Any]:
    """Decode with OpenCV, the one reader here that lets libjpeg say what was missing."""
    colours = cv2.IMREAD_GRAYSCALE if channels == 1 else cv2.IMREAD_COLOR_RGB
    pixels = cv2.imdecode(np.frombuffer(data, np.uint8), colours | cv2.IMREAD_IGNORE_ORIENTATION)
    if pixels is None:
        raise ValueError("its JPEG data cannot be decoded")
    return np.asarray(pixels)


def _decode_tiff(path: Path, directory: TiffDirectory) -> tuple[bytes | None, NDArray[Any]]:
    """Return the profile and the pixels."""
    with tifffile.TiffFile(path) as file:
        page: Any = file.pages[directory.index or 0]
        if (page.imagelength, page.imagewidth) != directory.shape:
            raise ValueError("two readers see two sizes")
        if page.compression in _DEPTH_OF_THEIR_OWN:
            _refuse_other_depth(file, page, directory.pieces[0])
        pixels = page.asarray(maxworkers=1)
        profile = page.tags.valueof(_ICC_TAG)
        return profile, np.moveaxis(pixels, 0, 2) if page.axes == "SYX" else pixels


def _refuse_other_depth(file: Any, page: Any, piece: tuple[int, int]) -> None:
    """Refuse pieces that are pictures of another depth: 8 bits would be the shadows of 16."""
    decode, tables = page.decode, page.jpegtables  # which may read elsewhere in the file
    file.filehandle.seek(piece[0])
    decoded = decode(file.filehandle.read(piece[1]), 0, jpegtables=tables)[0]
    if decoded is None or decoded.dtype.itemsize != page.dtype.itemsize:
        raise ValueError("its parts have other bits than it declares")


def _decoded(path: Path, decode: Callable[[], T], jpeg: bytes = b"") -> T:
    """Run a decoder; whatever it raises, or says on stderr, is one refusal."""
    try:
        with library_lines() as lines:
            result = decode()
    except MemoryError:
        raise
    except Exception as error:  # on damaged files decoders raise almost anything
        raise CaptureError(path, f"is damaged ({_plain(error)})", COPY_AGAIN) from error
    damage = [line for line in lines.damage if not is_padding(line, jpeg)]
    if damage:
        raise CaptureError(path, f"is damaged ({damage[0]})", COPY_AGAIN)
    return result


def _plain(error: BaseException) -> str:
    """Return a reader's message as one short line."""
    if isinstance(error, UnicodeDecodeError):
        return "a text in it is not readable"
    return " ".join(str(error).split())[:120] or type(error).__name__
