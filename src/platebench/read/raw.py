"""A camera's raw file to sensor counts. The only importer of rawpy (LibRaw).

LibRaw's own processing is never used: it rescales by each frame's own maximum, which makes
densities wrong. Counts come from its unpacked mosaic, levels from the file.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import rawpy
from numpy.typing import NDArray

from platebench.core.errors import CaptureError
from platebench.core.image import MONO_PATTERN, CaptureInfo, CaptureKind, SensorFrame
from platebench.read import metadata
from platebench.read import tiff_structure as tiff
from platebench.read.dng import refuse_wrong_codes
from platebench.read.file_kind import COPY_AGAIN, FREE_MEMORY, TO_DNG
from platebench.read.library_lines import library_lines
from platebench.read.raw_levels import RawLevels, dng_levels, refuse_upside_down
from platebench.read.tiff_structure import TiffStructure
from platebench.read.unread import refuse_unread
from platebench.read.written import layout_of, refuse_lost_runs, refuse_unwritten

_COLOURS = {"R": 0, "G": 1, "B": 2}
_CRW_MAGIC = b"HEAPCCDR"
_RAW_MAGICS = (b"II", b"MM", b"FUJIFILM", b"\0MRM", b"FOVb")


def read_raw(path: Path, structure: TiffStructure | None) -> SensorFrame:
    """Read the counts of a raw file's visible area.

    Parameters
    ----------
    path : Path
        Anything LibRaw opens.
    structure : TiffStructure or None
        The file's TIFF directories, where it has them: they state a DNG's levels in full, which
        LibRaw passes on only for patterns of one or two rows.

    Returns
    -------
    SensorFrame
        ``counts`` of a mosaic lie in LibRaw's own memory, which lives as long as they do: 2 bytes
        a photosite, not 4. The orientation tag is recorded, deliberately not applied: a camera
        pointing down does not know which way is up.

    Raises
    ------
    CaptureError
        If LibRaw refuses the file, its data are missing or damaged, or its colours are not
        red, green and blue.
    """
    _refuse_float(path, structure)
    try:
        with library_lines() as lines:
            raw = _opened(path)  # closing it would free the counts
            info = _info(path, raw)
            counts = _counts(path, raw)
            pattern = _pattern(path, raw, counts)
            levels = _levels(raw, structure, counts, pattern)
    except _REFUSALS as error:
        raise _refusal(path, error) from error
    if lines.damage:
        raise CaptureError(path, "is cut off or damaged", COPY_AGAIN)
    refuse_upside_down(path, levels)
    refuse_unread(path, counts, levels.white)
    _refuse_unwritten(path, structure, raw, counts, levels.white)
    return SensorFrame(
        counts=counts,
        pattern=levels.pattern,
        black=levels.black,
        white=levels.white,
        info=replace(info, notes=(*info.notes, *_stack_notes(counts), *levels.notes)),
    )


def stored_shape(path: Path) -> tuple[int, int] | None:
    """Return rows and columns of a raw's photosites without unpacking them; None if unknown."""
    try:
        with library_lines(), _opened(path) as raw:
            return int(raw.sizes.raw_height), int(raw.sizes.raw_width)
    except (rawpy.LibRawError, rawpy.NotSupportedError, OSError, ValueError, MemoryError):
        return None


def _opened(path: Path) -> Any:
    """Open a raw; by way of its bytes where its name is not UTF-8, which rawpy takes it for."""
    try:
        str(path).encode()
    except UnicodeEncodeError:
        with path.open("rb") as stream:
            return rawpy.imread(stream)
    return rawpy.imread(str(path))


def _refuse_unwritten(
    path: Path,
    structure: TiffStructure | None,
    raw: Any,
    counts: NDArray[np.uint16],
    white: float,
) -> None:
    """Look for what was never written: in the file where its values are plain, and in counts."""
    raws = [d for d in structure.directories if d.is_raw and not d.is_reduced] if structure else []
    if structure and len(raws) == 1 and raws[0].first(tiff.COMPRESSION, 1) == 1:
        directory, layout, stored = raws[0], layout_of(raws[0]), raw.raw_image
        same_size = directory.stored_bytes * 8 == stored.size * directory.first(tiff.BITS, 1)
        if same_size and not layout.tile[0]:  # some makers' tags name another size
            layout = replace(layout, columns=stored[0].size)
        order = ">" if structure.big_endian else "<"
        refuse_unwritten(path, directory, layout, order, white, stored)
        if directory.first(tiff.BITS, 1) == 16 and not layout.tile[0]:
            return  # the counts are what the file holds
    if structure:
        refuse_wrong_codes(path, structure)
    refuse_lost_runs(path, counts.reshape(counts.shape[0], -1), white=white)


_REFUSALS = (rawpy.LibRawError, rawpy.NotSupportedError, ValueError, MemoryError)


def _refusal(path: Path, error: BaseException) -> CaptureError:
    """Return our sentence for what LibRaw or its wrapper raised."""
    if isinstance(error, rawpy.LibRawFileUnsupportedError):
        return CaptureError(path, "is not a raw file this LibRaw can open", TO_DNG)
    if isinstance(error, rawpy.LibRawIOError):
        return CaptureError(path, "is cut off or damaged", COPY_AGAIN)
    if isinstance(error, rawpy.LibRawTooBigError):
        return CaptureError(path, "is too large for LibRaw", TO_DNG)
    if isinstance(error, (MemoryError, rawpy.LibRawUnsufficientMemoryError)):
        return CaptureError(path, "needs more memory than there is", *FREE_MEMORY)
    what = f"is damaged, or not a raw file LibRaw can unpack ({_plain(error)})"
    return CaptureError(path, what, COPY_AGAIN)


def _plain(error: BaseException) -> str:
    text = error.args[0] if error.args else type(error).__name__
    return text.decode(errors="replace") if isinstance(text, bytes) else str(text)


def _refuse_float(path: Path, structure: TiffStructure | None) -> None:
    """LibRaw turns float counts into integers by the frame's own maximum: not comparable."""
    for directory in structure.directories if structure else ():
        if directory.is_raw and directory.first(tiff.SAMPLE_FORMAT, 1) == tiff.FLOAT_SAMPLES:
            raise CaptureError(
                path,
                "holds floating-point counts, which are rescaled frame by frame on reading",
                "use the camera's own raw file, or save the DNG with integers",
            )


def _counts(path: Path, raw: Any) -> NDArray[np.uint16]:
    """Return the visible counts, (M, N) or (M, N, 3); a mosaic's keep ``raw`` alive."""
    view = raw.raw_image_visible
    if view is None or view.size == 0:
        raise CaptureError(path, "has no picture data", COPY_AGAIN)
    if view.dtype != np.uint16:
        raise CaptureError(path, f"holds {view.dtype} counts, not whole numbers", TO_DNG)
    if view.ndim == 2:
        return np.asarray(view)
    if view.shape[2] == 4 and view[::16, ::16, 3].any():
        mean_green = (view[..., 1].astype(np.uint32) + view[..., 3] + 1) // 2
        merged = np.array(view[..., :3], order="C")
        merged[..., 1] = mean_green
        return merged
    return np.array(view[..., 0] if view.shape[2] < 3 else view[..., :3], order="C")


def _pattern(path: Path, raw: Any, counts: NDArray[np.uint16]) -> NDArray[np.uint8]:
    """Return LibRaw's colour index of each site, (p, q); one site for grey and three planes."""
    if counts.ndim == 3 or raw.num_colors == 1 or raw.raw_pattern is None:
        return np.zeros((1, 1), np.uint8)
    letters = raw.color_desc.decode("ascii", "replace")
    top, left = int(raw.sizes.top_margin), int(raw.sizes.left_margin)
    # raw_pattern starts at the stored picture's corner, and reads outside its table for some
    # margins; raw_color answers for a place, so it is asked about the visible area's own corner.
    rows, columns = raw.raw_pattern.shape
    pattern = np.array(
        [[raw.raw_color(top + y, left + x) for x in range(columns)] for y in range(rows)], np.uint8
    )
    if any(letters[index : index + 1] not in _COLOURS for index in np.unique(pattern)):
        raise CaptureError(
            path, f"has a colour filter pattern of {letters}", "only red, green and blue are read"
        )
    for y, x in _places(counts.shape):
        if raw.raw_color(top + y, left + x) != pattern[y % rows, x % columns]:
            raise CaptureError(path, "has photosites on a slanted grid", TO_DNG)
    return pattern


def _places(shape: tuple[int, ...]) -> Iterator[tuple[int, int]]:
    """Yield a hundred sites spread over the picture, odd and even."""
    for step in range(100):
        yield (step * 7919) % shape[0], (step * 104729) % shape[1]


def _levels(
    raw: Any, structure: TiffStructure | None, counts: NDArray[np.uint16], index: NDArray[np.uint8]
) -> RawLevels:
    """Return pattern, black and white; from a DNG's own tags where it has them."""
    letters = raw.color_desc.decode("ascii", "replace")
    if counts.ndim == 3 or raw.num_colors == 1 or raw.raw_pattern is None:
        pattern = MONO_PATTERN
    else:
        pattern = np.array([_COLOURS[letters[i]] for i in index.flat], np.uint8).reshape(
            index.shape
        )
    libraw_black = np.array(raw.black_level_per_channel, np.float32)
    black = libraw_black[:3] if counts.ndim == 3 else libraw_black[index]
    white = float(raw.white_level)
    measured = [level for level in raw.camera_white_level_per_channel or () if level > 0]
    if measured and 0.5 * white < min(measured) < white:
        white = float(min(measured))
    levels = RawLevels(pattern=pattern, black=black, white=white)
    if structure is not None:
        margins = (int(raw.sizes.top_margin), int(raw.sizes.left_margin))
        levels = dng_levels(structure, levels, margins)
    if not levels.black.any():
        note = "the file states no black level; a dark frame will measure it"
        levels = replace(levels, notes=(*levels.notes, note))
    return levels


def _stack_notes(counts: NDArray[np.uint16]) -> tuple[str, ...]:
    return ("red, green and blue at every pixel (no mosaic)",) if counts.ndim == 3 else ()


def _info(path: Path, raw: Any) -> CaptureInfo:
    fields = metadata.fields_from_file(path)
    try:
        other = getattr(raw, "other", None)  # rawpy 0.25 and later
    except (ValueError, OverflowError):  # a clock time beyond all calendars
        other = None
    with path.open("rb") as stream:
        head = stream.read(14)
    if other is not None:
        fields.setdefault("exposure_s", _positive(other.shutter_speed))
        fields.setdefault("f_number", _positive(other.aperture))
        fields.setdefault("iso", _positive(other.iso_speed))
        fields.setdefault("focal_length_mm", _positive(other.focal_length))
        fields.setdefault("taken", _clock_time(head, other.timestamp))
    notes = [*metadata.date_notes(fields)]
    if not head.startswith(_RAW_MAGICS) and head[4:8] != b"ftyp":
        notes.append("it has no header: LibRaw knew it by its size alone, so look at the picture")
    aspect = float(raw.sizes.pixel_aspect)
    if abs(aspect - 1) > 0.005:
        notes.append(f"its pixels are not square ({aspect:.3f} to 1); lengths differ by that much")
    fields.setdefault("orientation", _FLIPS.get(raw.sizes.flip, 1))
    names = ("camera", "taken", "exposure_s", "f_number", "iso", "focal_length_mm")
    return CaptureInfo(
        path=path,
        kind=CaptureKind.RAW,
        orientation=fields.get("orientation", 1),
        shows_positive=False,
        no_date=fields.get("no_date"),
        notes=tuple(notes),
        **{name: fields.get(name) for name in names},
    )


_FLIPS = {0: 1, 3: 3, 5: 8, 6: 6}  # LibRaw's flip to the orientation tag


def _positive(value: float) -> float | None:
    """Return the number at LibRaw's own float32 precision, None where it has none."""
    if not math.isfinite(value) or value <= 0:
        return None
    return float(np.format_float_positional(np.float32(value), unique=True))


def _clock_time(head: bytes, stamp: datetime) -> datetime | None:
    """Return the camera's clock. CRW counts seconds of it as if it were universal time."""
    if head[6:14] == _CRW_MAGIC:
        stamp = datetime.fromtimestamp(stamp.timestamp(), UTC)
    stamp = stamp.replace(tzinfo=None)
    return stamp if stamp.year > 1970 else None
