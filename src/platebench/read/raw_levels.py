"""Black and white levels of a DNG, as its own tags state them.

LibRaw keeps one black level per filter colour. A DNG may state one for each site of a larger
repeating block, and counts the block from the top left of its active area, which LibRaw moves to
an even site. So a DNG's levels are taken from its tags.

References
----------
Adobe, *Digital Negative Specification* 1.4, chapter 4: BlackLevelRepeatDim, BlackLevel,
BlackLevelDeltaH, BlackLevelDeltaV, WhiteLevel, ActiveArea.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from platebench.core.errors import CaptureError
from platebench.read import tiff_structure as tiff
from platebench.read.file_kind import COPY_AGAIN
from platebench.read.tiff_structure import TiffDirectory, TiffStructure

_MAX_PERIOD = 48  # sites; a block of black levels larger than this is averaged


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RawLevels:
    """Colour pattern and levels as ``SensorFrame`` takes them.

    Attributes
    ----------
    pattern : ndarray of uint8, shape (p, q)
        0 red, 1 green, 2 blue.
    black : ndarray of float32, shape (p, q) or (3,)
        Counts without light.
    white : float
        Counts at or above this are clipped.
    notes : tuple of str
        What was assumed.
    """

    pattern: NDArray[np.uint8]
    black: NDArray[np.float32]
    white: float
    notes: tuple[str, ...] = ()


def dng_levels(structure: TiffStructure, levels: RawLevels, margins: tuple[int, int]) -> RawLevels:
    """Return the levels a DNG states, ``levels`` where it states none.

    Parameters
    ----------
    structure : TiffStructure
        The file's directories.
    levels : RawLevels
        LibRaw's reading; its ``pattern`` starts at the visible area's top left.
    margins : (int, int)
        Rows and columns of the stored picture above and left of LibRaw's visible area.
    """
    directory = structure.sensor
    if directory is None:
        return levels
    stated = directory.tags.get(tiff.WHITE_LEVEL)
    if stated and min(stated) > 0:
        levels = replace(levels, white=float(min(min(stated), levels.white)))
    block = _black_block(directory)
    if block is None:
        return levels
    area = directory.tags.get(tiff.ACTIVE_AREA, (0, 0))
    block = np.roll(block, (int(area[0]) - margins[0], int(area[1]) - margins[1]), axis=(0, 1))
    deltas = [
        float(np.mean(directory.tags[tag]))
        for tag in (tiff.BLACK_DELTA_H, tiff.BLACK_DELTA_V)
        if tag in directory.tags
    ]
    block = block + sum(deltas)
    notes = levels.notes
    if any(np.ptp(directory.tags.get(tag, (0,))) >= 1 for tag in _DELTAS):
        notes = (*notes, "black level varies from row to row; its mean is used")
    if levels.black.shape == (3,):
        mean = block.reshape(-1, block.shape[2]).mean(axis=0)
        black = np.resize(mean, 3).astype(np.float32)
        return replace(levels, black=black, notes=notes)
    pattern, black = _common_period(levels.pattern, block[..., 0])
    return RawLevels(pattern=pattern, black=black, white=levels.white, notes=notes)


def refuse_upside_down(path: Path, levels: RawLevels) -> None:
    """Refuse a raw whose black is at or above its white: no count of it means light.

    Raises
    ------
    CaptureError
        If it is so for any site.
    """
    black = float(levels.black.max())
    if not black < levels.white:
        what = f"is damaged: it states a black level of {black:g} and a white level of "
        raise CaptureError(path, f"{what}{levels.white:g}", COPY_AGAIN)


_DELTAS = (tiff.BLACK_DELTA_H, tiff.BLACK_DELTA_V)


def _black_block(directory: TiffDirectory) -> NDArray[np.float64] | None:
    """Return the repeating block of black levels, (rows, columns, samples)."""
    values = directory.tags.get(tiff.BLACK_LEVEL)
    if values is None:
        return None
    repeat = directory.tags.get(tiff.BLACK_REPEAT, (1, 1))
    rows, columns, samples = int(repeat[0]), int(repeat[-1]), directory.samples
    if rows * columns * samples != len(values):
        return np.full((1, 1, samples), float(np.mean(values)))
    return np.array(values, np.float64).reshape(rows, columns, samples)


def _common_period(
    pattern: NDArray[np.uint8], block: NDArray[np.float64]
) -> tuple[NDArray[np.uint8], NDArray[np.float32]]:
    """Repeat pattern and black block to the period they share."""
    if np.ptp(block) == 0:
        block = block[:1, :1]
    period = [math.lcm(a, b) for a, b in zip(pattern.shape, block.shape, strict=True)]
    if max(period) > _MAX_PERIOD:
        block, period = np.full((1, 1), block.mean()), list(pattern.shape)
    shape = (period[0], period[1])
    tiles = [tuple(p // s for p, s in zip(shape, a.shape, strict=True)) for a in (pattern, block)]
    return np.tile(pattern, tiles[0]), np.tile(block, tiles[1]).astype(np.float32)
