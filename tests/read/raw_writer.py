"""Raw files written with tifffile, tag by tag."""

from __future__ import annotations

import struct
from pathlib import Path
from typing import Any

import imagecodecs
import numpy as np
import tifffile
from numpy.typing import NDArray

RGGB = (0, 1, 1, 2)
# The 6 x 6 arrangement of TIFF/EP readers' documentation: 20 green, 8 red, 8 blue sites.
XTRANS = (
    *(1, 1, 0, 1, 1, 2),
    *(1, 1, 2, 1, 1, 0),
    *(2, 0, 1, 0, 2, 1),
    *(1, 1, 2, 1, 1, 0),
    *(1, 1, 0, 1, 1, 2),
    *(0, 2, 1, 2, 0, 1),
)
CFA, LINEAR_RAW, GREY, LOSSLESS_JPEG = 32803, 34892, 1, 7
BYTE, ASCII, SHORT, LONG, SRATIONAL = 1, 2, 3, 4, 10


def mosaic(rows: int = 126, columns: int = 170) -> NDArray[np.uint16]:
    """Noise on a ramp in each axis: no two rows alike."""
    rng = np.random.default_rng(20)
    y, x = np.mgrid[:rows, :columns]
    return (600 + 9 * x + 5 * y + rng.normal(0, 12, (rows, columns))).astype(np.uint16)


def write_raw(
    path: Path,
    counts: NDArray[Any],
    *,
    photometric: int = CFA,
    pattern: tuple[int, ...] = RGGB,
    repeat: tuple[int, int] = (2, 2),
    black: tuple[int, ...] | None = (100, 110, 120, 130),
    black_repeat: tuple[int, int] = (2, 2),
    white: tuple[int, ...] = (4095,),
    active: tuple[int, int, int, int] | None = None,
    more: tuple[Any, ...] = (),
    data: Any = None,
    **options: Any,
) -> Path:
    """Write a DNG with exactly the tags named."""
    tags: list[Any] = [
        (50706, BYTE, 4, (1, 4, 0, 0), True),
        (50708, ASCII, 0, "Invented Camera", True),
        (50717, LONG, len(white), white, True),
        (50721, SRATIONAL, 9, (1, 1, 0, 1, 0, 1, 0, 1, 1, 1, 0, 1, 0, 1, 0, 1, 1, 1), True),
        *more,
    ]
    if black is not None:
        tags += [
            (50713, SHORT, 2, black_repeat, True),
            (50714, LONG, len(black), black, True),
        ]
    if photometric == CFA:
        tags += [(33421, SHORT, 2, repeat, True), (33422, BYTE, len(pattern), pattern, True)]
    if active is not None:
        tags.append((50829, LONG, 4, active, True))
    grey_linear = photometric == LINEAR_RAW and counts.ndim == 2
    if counts.ndim == 3:
        options.setdefault("planarconfig", "contig")
    tifffile.imwrite(
        path,
        counts if data is None else iter(data),
        shape=counts.shape,
        dtype=counts.dtype if data is not None else None,
        photometric=GREY if grey_linear else photometric,  # tifffile insists on three planes
        extratags=tags,
        metadata=None,
        subfiletype=0,
        **options,
    )
    if grey_linear:
        set_tag(path, 262, LINEAR_RAW)
    return path


def set_tag(path: Path, tag: int, value: int) -> None:
    """Overwrite one short or long in the first directory of a little-endian TIFF."""
    data = bytearray(path.read_bytes())
    (start,) = struct.unpack_from("<I", data, 4)
    (count,) = struct.unpack_from("<H", data, start)
    for at in range(start + 2, start + 2 + 12 * count, 12):
        found, kind = struct.unpack_from("<HH", data, at)
        if found == tag:
            struct.pack_into("<H" if kind == SHORT else "<I", data, at + 8, value)
    path.write_bytes(data)


def write_lossless(path: Path, counts: NDArray[np.uint16], tile: int = 64) -> Path:
    """Write a DNG of lossless JPEG tiles, as cameras do."""
    rows, columns = (-(-n // tile) * tile for n in counts.shape)
    padded = np.zeros((rows, columns), np.uint16)
    padded[: counts.shape[0], : counts.shape[1]] = counts
    data = [
        imagecodecs.ljpeg_encode(
            np.ascontiguousarray(padded[y : y + tile, x : x + tile]), bitspersample=14
        )
        for y in range(0, rows, tile)
        for x in range(0, columns, tile)
    ]
    return write_raw(path, counts, data=data, tile=(tile, tile), compression=LOSSLESS_JPEG)
