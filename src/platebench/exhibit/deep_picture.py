"""A positive as pictures for the web: a contact print, and tiles from the whole to its pixels.

Tiles are those of the IIIF Image API 3.0 at compliance level 0: files, no server.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import pyvips
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from platebench.core.errors import SessionFolderError
from platebench.write.colour import srgb_coded
from platebench.write.page_pen import REGULAR, font_file
from platebench.write.tiff import read_pixels

TILE = 512
THUMB = 480
_QUALITY = 85
_GAMMA = 2.2
_MARK_SHARE = 0.035  # height of a watermark's letters, of the picture's short side


@dataclass(frozen=True, slots=True, kw_only=True)
class DeepPicture:
    """A plate's pictures.

    Attributes
    ----------
    width, height : int
        Of the largest, pixels.
    service : dict
        ``info.json`` of its tiles, with the ``id`` still to be set.
    """

    width: int
    height: int
    service: dict[str, object]


def recipe_of_picture(path: Path, long_side: int | None, mark: str) -> str:
    """Return what changes when a plate's pictures would: the file, the limit and the mark."""
    stat = path.stat()
    said = f"{stat.st_size} {stat.st_mtime_ns} {long_side} {mark} {TILE} {THUMB} {_QUALITY} 1"
    return hashlib.sha256(said.encode()).hexdigest()


def write_pictures(
    path: Path, folder: Path, *, long_side: int | None = None, mark: str = ""
) -> DeepPicture:
    """Write ``thumb.jpg`` and a folder ``tiles`` of a positive.

    Parameters
    ----------
    path : Path
        A grey TIFF of 16 bits in gray gamma 2.2.
    folder : Path
        Where they go; it is there, and empty.
    long_side : int or None
        No picture is larger.
    mark : str
        A watermark, set small over the whole picture; "" for none.

    Raises
    ------
    SessionFolderError
        If the positive cannot be read.
    """
    codes = read_pixels(path)
    if codes is None or codes.ndim != 2:
        what = "cannot be read as a positive"
        raise SessionFolderError(path, what, "convert its session again, or verify its package")
    shown = _for_the_web(codes)
    if long_side is not None:
        shown = _reduced(shown, long_side)
    if mark:
        shown = _marked(shown, mark)
    Image.fromarray(_reduced(shown, THUMB)).save(folder / "thumb.jpg", quality=_QUALITY)
    height, width = shown.shape
    whole = pyvips.Image.new_from_memory(
        np.ascontiguousarray(shown).data, width, height, 1, "uchar"
    )
    whole.dzsave(
        str(folder / "tiles"), layout="iiif3", tile_size=TILE, suffix=f".jpg[Q={_QUALITY}]", id="x"
    )
    most = folder / "tiles" / "full" / "max" / "0"
    most.mkdir(parents=True)
    Image.fromarray(shown).save(most / "default.jpg", quality=_QUALITY)
    service = json.loads((folder / "tiles" / "info.json").read_text("utf-8"))
    return DeepPicture(width=width, height=height, service=service)


def _for_the_web(codes: NDArray[np.uint16]) -> NDArray[np.uint8]:
    """Return gray gamma 2.2 as sRGB, which is what browsers take grey for."""
    light = (np.arange(65536) / 65535) ** _GAMMA
    table = np.rint(255 * np.asarray(srgb_coded(light))).astype(np.uint8)
    return np.asarray(table[codes])


def _reduced(shown: NDArray[np.uint8], long_side: int) -> NDArray[np.uint8]:
    share = long_side / max(shown.shape)
    if share >= 1:
        return shown
    size = (max(1, round(shown.shape[1] * share)), max(1, round(shown.shape[0] * share)))
    return np.asarray(cv2.resize(shown, size, interpolation=cv2.INTER_AREA), np.uint8)


def _marked(shown: NDArray[np.uint8], mark: str) -> NDArray[np.uint8]:
    """Return a picture with words over it, again and again, light and see-through."""
    height, width = shown.shape
    size = max(10, round(min(shown.shape) * _MARK_SHARE))
    font = ImageFont.truetype(str(font_file(REGULAR)), size)
    over = Image.new("L", (width, height), 0)
    pen = ImageDraw.Draw(over)
    step = max(1, round(pen.textlength(mark, font=font) + 4 * size))
    for row, down in enumerate(range(size, height, 5 * size)):
        for across in range(-(row % 2) * step // 2, width, step):
            pen.text((across, down), mark, fill=90, font=font)
    share = np.asarray(over, np.float32) / 255
    return np.rint(shown * (1 - share) + 235 * share).astype(np.uint8)
