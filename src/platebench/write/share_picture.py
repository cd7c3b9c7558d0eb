"""A positive as a small picture for screens: sRGB, neutral or in the hue of a print.

Its XMP says which plate it shows, and how it was made.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageCms, ImageDraw, ImageFont
from PIL.PngImagePlugin import PngInfo

from platebench.core.files import atomic_write
from platebench.core.version import __version__
from platebench.plate_log.dates import plate_date
from platebench.plate_log.entry import LogEntry
from platebench.write.colour import lightness_of, linear_rgb_of_lab, srgb_coded
from platebench.write.xmp import add_rights, add_text, add_words, new_packet, packet_bytes


def share_packet(entry: LogEntry, *, place: bool) -> bytes:
    """Return an XMP packet of the few things that strangers may know.

    Parameters
    ----------
    entry : LogEntry
        What the plate log says.
    place : bool
        Whether the place goes in.
    """
    root, about = new_packet()
    add_text(about, "dc:identifier", entry.plate_id)
    add_words(about, "dc:title", entry.title or entry.plate_id)
    add_rights(about, entry)
    add_text(about, "photoshop:DateCreated", plate_date(entry.date).exact if entry.date else "")
    add_text(about, "xmp:CreatorTool", f"platebench {__version__}")
    if place:
        add_text(about, "Iptc4xmpCore:Location", entry.place)
    return packet_bytes(root)


Kind = Literal["jpeg", "png", "webp"]
SUFFIXES: dict[Kind, str] = {"jpeg": ".jpg", "png": ".png", "webp": ".webp"}
Lab = tuple[float, float, float]
Linear = NDArray[np.float32]

BAND_ROWS = 512
MOST_REBATE = 0.12  # of a side that edge and rebate may take
SURE_LOSS = 0.012  # of a side, cut where no rebate is seen: the bevel of the glass, chips
SEEN = 0.005  # of a line: as much that is lighter than bare light belongs to the plate
MARGIN = 0.02  # of the long side, left around a plate that was not cut out
SLACK = 0.004  # of a side, cut beyond a rebate that is seen: it may run askew
REBATE_BELOW = 0.03  # linear light: rebate and bare glass print near black
PICTURE_SHARE = 0.25  # of a line that is lighter where the picture begins
_TEXT_SHARE = 1 / 42  # of the long side: height of a caption's letters
_DATE = slice(24, 36)  # of an ICC profile's header: when it was made
_ID = slice(84, 100)
_FONT = Path(__file__).parent / "fonts" / "SourceSerifPro-Regular.ttf"


@dataclass(frozen=True, slots=True, kw_only=True)
class Hue:
    """Colours of a print, measured.

    Attributes
    ----------
    paper, image : (L*, a*, b*)
        Of bare paper and of the deepest black, D50.
    """

    paper: Lab
    image: Lab


def reduced_light(
    codes: NDArray[np.uint16], luminance: NDArray[np.float64], long_side: int
) -> Linear:
    """Return a picture's linear light, at most ``long_side`` pixels long.

    Each pixel is the mean of the light it covers, as the eye blends it from afar.

    Parameters
    ----------
    codes : ndarray of uint16, shape (M, N)
    luminance : ndarray of float64, shape (65536,)
        Linear light of each code, 0 to 1.
    """
    rows, columns = codes.shape
    block = max(1, max(rows, columns) // long_side)
    table = luminance.astype(np.float32)
    bands = []
    step = max(1, BAND_ROWS // block) * block
    for top in range(0, rows - rows % block, step):
        bottom = min(top + step, rows - rows % block)
        light = table[codes[top:bottom, : columns - columns % block]]
        bands.append(_shrunk(light, light.shape[0] // block, light.shape[1] // block))
    whole = np.concatenate(bands)
    share = min(1.0, long_side / max(whole.shape))
    return _shrunk(whole, *(max(1, round(n * share)) for n in whole.shape))


def _shrunk(light: Linear, rows: int, columns: int) -> Linear:
    if light.shape == (rows, columns):
        return light
    smaller = cv2.resize(light, (columns, rows), interpolation=cv2.INTER_AREA)
    return np.asarray(smaller, np.float32).reshape(rows, columns)


def picture_area(light: Linear) -> tuple[int, int, int, int]:
    """Return the picture within edge and rebate: top, left, bottom, right, half-open.

    From each side inward, lines of which less than a quarter is lighter than rebate prints are
    left out, up to an eighth of the side; a sure share is left out in any case.
    """
    lighter = light > REBATE_BELOW
    rows = lighter[:, light.shape[1] // 6 : -max(1, light.shape[1] // 6)].mean(axis=1)
    columns = lighter[light.shape[0] // 6 : -max(1, light.shape[0] // 6)].mean(axis=0)
    top, bottom = _within(rows)
    left, right = _within(columns)
    return top, left, bottom, right


def plate_area(light: Linear) -> tuple[int, int, int, int]:
    """Return where a plate lies in a capture that was kept whole: top, left, bottom, right.

    Lines in which nothing is lighter than bare light prints are left out, a margin kept; specks
    on the light box do not count. What is left may lie askew, and is never cut into.
    """
    seen = cv2.medianBlur(light.astype(np.float32), 5) > REBATE_BELOW
    margin = round(MARGIN * max(light.shape))
    ends = []
    for axis in (1, 0):
        lines = np.flatnonzero(seen.mean(axis=axis) > SEEN)
        length = light.shape[1 - axis]
        first, last = (int(lines[0]), int(lines[-1]) + 1) if lines.size else (0, length)
        ends.append((max(0, first - margin), min(length, last + margin)))
    (top, bottom), (left, right) = ends
    return top, left, bottom, right


def _within(shares: NDArray[np.float64]) -> tuple[int, int]:
    """Return where the picture begins and ends along an axis."""
    most, sure, slack = (
        max(1, round(share * shares.size)) for share in (MOST_REBATE, SURE_LOSS, SLACK)
    )
    ends = []
    for line in (shares, shares[::-1]):
        dark = line[:most] < PICTURE_SHARE
        last = int(np.flatnonzero(dark)[-1]) + 1 if dark.any() else 0
        # a picture that is dark up to its edge has no rebate to be told from
        ends.append(sure if last >= most else max(sure, last + slack))
    return ends[0], shares.size - ends[1]


def coloured(light: Linear, hue: Hue | None) -> NDArray[np.uint8]:
    """Return linear light as sRGB, shape (M, N, 3): neutral, or in the hue of a print.

    In a print, white is the paper's colour and black the image's; between them L* keeps its
    steps and the hue goes from one to the other.
    """
    levels = np.linspace(0.0, 1.0, 4096)
    if hue is None:
        table = np.repeat(srgb_coded(levels)[:, np.newaxis], 3, axis=1)
    else:
        share = lightness_of(levels)[:, np.newaxis] / 100
        paper, image = np.array(hue.paper), np.array(hue.image)
        table = srgb_coded(linear_rgb_of_lab(image + share * (paper - image)))
    values = np.rint(255 * table).astype(np.uint8)
    index = np.rint(np.clip(light, 0, 1) * (len(levels) - 1)).astype(np.intp)
    return np.asarray(values[index])


def with_caption(picture: NDArray[np.uint8], lines: Sequence[str]) -> NDArray[np.uint8]:
    """Return a picture on a sheet in its paper's white, with lines of text below it."""
    if not lines:
        return picture
    long_side = max(picture.shape[:2])
    size = max(11, round(long_side * _TEXT_SHARE))
    edge = round(1.6 * size)
    height = picture.shape[0] + 2 * edge + round(1.45 * size * len(lines)) + size // 2
    sheet = np.full((height, picture.shape[1] + 2 * edge, 3), 247, np.uint8)
    sheet[edge : edge + picture.shape[0], edge : edge + picture.shape[1]] = picture
    drawn = Image.fromarray(sheet)
    pen = ImageDraw.Draw(drawn)
    font = ImageFont.truetype(str(_FONT), size)
    for number, line in enumerate(lines):
        at = edge, edge + picture.shape[0] + round(0.6 * size) + round(1.45 * size * number)
        pen.text(at, _fitted(line, font, picture.shape[1]), font=font, fill=(40, 38, 35))
    return np.asarray(drawn)


def _fitted(line: str, font: ImageFont.FreeTypeFont, width: int) -> str:
    if font.getlength(line) <= width:
        return line
    while line and font.getlength(line + " …") > width:
        line = line[:-1]
    return line.rstrip() + " …"


def write_share(
    path: Path, picture: NDArray[np.uint8], *, kind: Kind, quality: int = 90, xmp: bytes = b""
) -> None:
    """Write an sRGB picture.

    Parameters
    ----------
    path : Path
        Replaced if it exists.
    picture : ndarray of uint8, shape (M, N, 3)
    kind : {"jpeg", "png", "webp"}
    quality : int
        Of JPEG and WebP, 1 to 100.
    xmp : bytes
        XMP packet; empty for none.

    Raises
    ------
    WriteError
        If it cannot be written.
    """
    tags: dict[str, object] = {"icc_profile": srgb_profile()}
    if kind == "png":
        chunks = PngInfo()
        if xmp:  # where the XMP specification, part 3, has it; not compressed
            chunks.add_itxt("XML:com.adobe.xmp", xmp.decode())
        tags |= {"optimize": True, "pnginfo": chunks}
    else:
        tags |= {"quality": quality} | ({"xmp": xmp} if xmp else {})
    if kind == "webp":
        tags |= {"method": 4}
    stream = BytesIO()
    Image.fromarray(picture).save(stream, kind.upper(), **tags)
    with atomic_write(path) as out:
        out.write(stream.getvalue())


def srgb_profile() -> bytes:
    """Return the ICC profile of sRGB, the same bytes whenever it is made."""
    made = bytearray(ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes())
    made[_DATE] = bytes((7, 208, 0, 1, 0, 1, 0, 0, 0, 0, 0, 0))
    made[_ID] = bytes(16)
    return bytes(made)
