"""Sixteen-bit TIFF pictures: all results that are TIFF are written here.

Structure after TIFF 6.0 (1992): little-endian, BlackIsZero or RGB, strips, classic offsets
below 4 GiB and BigTIFF above.

Reading back is here too: where uncompressed pixels lie in a file, and their digest, which depends
on nothing else in it.
"""

from __future__ import annotations

import hashlib
import unicodedata
import zlib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime
from math import prod
from pathlib import Path
from typing import IO, Any, Literal

import numpy as np
import tifffile
from numpy.typing import NDArray

from platebench.core.errors import WriteError
from platebench.core.files import atomic_write
from platebench.core.memory import available_bytes
from platebench.plate.bands import bands
from platebench.write.colour import gray_gamma22_profile, rgb_gamma22_profile
from platebench.write.exif import CaptureFacts, add_exif, placeholder

LARGEST_DECODED = 8 * 2**30  # bytes; a 30x40 cm plate at 4000 ppi has 6 GB of grey
_CHUNK = 1 << 22


@dataclass(frozen=True, slots=True, kw_only=True)
class PixelPlace:
    """Where the samples of an uncompressed picture lie in its file.

    Attributes
    ----------
    start, stop : int
        First byte, and one past the last.
    shape : tuple of int
        (M, N) or (M, N, 3).
    """

    start: int
    stop: int
    shape: tuple[int, ...]


def pixel_place(path: Path) -> PixelPlace | None:
    """Return where a TIFF's 16-bit samples lie; None if they are packed, or it is no such file."""
    try:
        with tifffile.TiffFile(path) as tif:
            page: Any = tif.pages[0]
            if page.dtype != np.uint16 or not page.is_contiguous or tif.byteorder != "<":
                return None
            start = int(page.dataoffsets[0])
            stop = start + 2 * int(np.prod(page.shape, dtype=np.int64))
            if stop > path.stat().st_size:
                return None
            return PixelPlace(start=start, stop=stop, shape=tuple(map(int, page.shape)))
    except Exception:  # on damaged files it raises almost anything
        return None


def read_pixels(path: Path) -> NDArray[np.uint16] | None:
    """Return the first picture of a TIFF file; None if it is not of 16 bits or cannot be read."""
    try:
        with tifffile.TiffFile(path) as tif:
            page: Any = tif.pages[0]
            most = min(LARGEST_DECODED, available_bytes() // 2)  # a file may claim any size
            if page.dtype != np.uint16 or 2 * np.prod(page.shape, dtype=float) > most:
                return None
            return np.asarray(page.asarray(), np.uint16)
    except Exception:
        return None


def pixels_digest(codes: NDArray[np.uint16]) -> str:
    """Return the SHA-256 of pixel values: row by row, red before green before blue, low byte first.

    It depends on nothing else in the file, so an edited tag is told from damaged pixels.
    """
    digest = hashlib.sha256()
    for top, bottom in bands(len(codes)):
        digest.update(np.ascontiguousarray(codes[top:bottom], "<u2").data)
    return digest.hexdigest()


def pixel_digest(path: Path) -> tuple[str, tuple[int, ...]] | None:
    """Return the digest and the shape of a TIFF's pixels; None if they cannot be read."""
    place = pixel_place(path)
    if place is None:
        pixels = read_pixels(path)
        return None if pixels is None else (pixels_digest(pixels), pixels.shape)
    digest, left = hashlib.sha256(), place.stop - place.start
    with path.open("rb") as stream:
        stream.seek(place.start)
        while left and (chunk := stream.read(min(_CHUNK, left))):
            digest.update(chunk)
            left -= len(chunk)
    return None if left else (digest.hexdigest(), place.shape)


Compression = Literal["none", "zstd", "deflate"]

CLASSIC_LIMIT = 2**32 - 2**20  # bytes of pixels a classic TIFF holds, with room for the tags
_NAME_TAG, _CAMERA_TAG, _XMP_TAG = 269, 272, 700
_BYTE, _TEXT = 1, 2  # types of a tag's value
_BAND_ROWS = 128
_CODECS = {"none": None, "zstd": "zstd", "deflate": "adobe_deflate"}


def write_picture(
    path: Path,
    pixels: NDArray[np.uint16],
    *,
    ppi: float | None,
    description: str,
    software: str,
    taken: datetime | None,
    xmp: bytes,
    profile: bytes = b"",
    name: str = "",
    camera: str = "",
    exif: CaptureFacts | None = None,
    compression: Compression = "none",
    workers: int = 1,
) -> None:
    """Write a picture, read it back, and only then give it its name.

    Parameters
    ----------
    path : Path
        Replaced if it exists.
    pixels : ndarray of uint16, shape (M, N) or (M, N, 3)
        Grey, or red, green, blue; coded as ``profile`` says.
    ppi : float or None
        Pixels per inch; None writes no absolute resolution.
    description, software : str
        Tags 270 and 305, reduced to ASCII as TIFF asks.
    taken : datetime or None
        When the capture was made (tag 306), on the camera's clock.
    xmp : bytes
        XMP packet (tag 700); empty for none.
    profile : bytes
        ICC profile (tag 34675); empty: that of a 2.2 power law.
    name, camera : str
        Tags 269 (what was digitised) and 272, reduced to ASCII; empty for none.
    exif : CaptureFacts, optional
        What the Exif IFD says of the capture; None: no such IFD.
    compression : {"none", "zstd", "deflate"}
        The last two with horizontal differencing. Many readers lack zstd.
    workers : int
        Threads that compress; the bytes are the same for any number.

    Raises
    ------
    WriteError
        If it could not be written, or reads back different.
    """
    packed = compression != "none"
    grey, big = pixels.ndim == 2, needs_bigtiff(pixels.nbytes)
    more = _extra_tags(name, camera, xmp) + ([] if exif is None else [placeholder(big=big)])
    with atomic_write(path) as stream:
        place = tifffile.imwrite(
            stream,
            pixels if packed else None,
            shape=pixels.shape,
            dtype=pixels.dtype,
            bigtiff=big,
            byteorder="<",
            photometric="minisblack" if grey else "rgb",
            planarconfig=None if grey else "contig",
            compression=_CODECS[compression],
            predictor=packed,
            rowsperstrip=_rows_per_strip(pixels) if packed else None,
            iccprofile=profile or (gray_gamma22_profile() if grey else rgb_gamma22_profile()),
            description=_ascii(description) or None,
            software=_ascii(software) or None,
            datetime=taken,
            resolution=(1, 1) if ppi is None else (ppi, ppi),
            resolutionunit="NONE" if ppi is None else "INCH",
            metadata=None,
            extratags=more,
            maxworkers=workers,
            returnoffset=True,
        )
        if not packed:
            assert place is not None  # asked for by returnoffset
            # numpy's tofile, which tifffile would use, hides why the system refused to write.
            stream.seek(place[0])
            stream.write(np.ascontiguousarray(pixels, "<u2").data)
        if exif is not None:
            add_exif(stream, exif)
        stream.flush()
        if not same_pixels(Path(stream.name), pixels):
            raise WriteError(path, "it read back different", "look at the disk and run again")


def _extra_tags(name: str, camera: str, xmp: bytes) -> list[tuple[Any, ...]]:
    texts = [(_NAME_TAG, _ascii(name)), (_CAMERA_TAG, _ascii(camera))]
    tags: list[tuple[Any, ...]] = [(tag, _TEXT, 0, text, True) for tag, text in texts if text]
    return [*tags, (_XMP_TAG, _BYTE, len(xmp), xmp, True)] if xmp else tags


def write_print_negative(
    path: Path,
    shape: tuple[int, ...],
    bands: Iterable[NDArray[np.uint16]],
    *,
    ppi: float,
    description: str,
    software: str,
) -> None:
    """Write a 16-bit TIFF, grey or RGB, band by band, read it back, and only then give it its name.

    No colour profile is embedded: the values are shares of ink, and nothing is to convert them.

    Parameters
    ----------
    path : Path
        Replaced if it exists.
    shape : (int, int) or (int, int, 3)
        Rows and columns; three values each for RGB.
    bands : iterable of ndarray of uint16
        Whole rows from the top; together they have ``shape``.
    ppi : float
        Pixels per inch.
    description, software : str
        Tags 270 and 305, reduced to ASCII as TIFF asks.

    Raises
    ------
    WriteError
        If it could not be written, or reads back different.
    """
    with atomic_write(path) as stream:
        place = tifffile.imwrite(
            stream,
            None,
            shape=shape,
            dtype=np.uint16,
            bigtiff=needs_bigtiff(2 * prod(shape)),
            byteorder="<",
            photometric="minisblack" if len(shape) == 2 else "rgb",
            description=_ascii(description) or None,
            software=_ascii(software) or None,
            resolution=(ppi, ppi),
            resolutionunit="INCH",
            metadata=None,
            returnoffset=True,
        )
        assert place is not None  # asked for by returnoffset
        stream.seek(place[0])
        written = 0
        for band in bands:
            data = np.ascontiguousarray(band, "<u2").data
            written = zlib.crc32(data, written)
            stream.write(data)
        stream.flush()
        if stream.tell() != place[0] + place[1] or _crc_from(stream, place[0]) != written:
            raise WriteError(path, "it read back different", "look at the disk and run again")


def stored_bands(path: Path) -> tuple[tuple[int, ...], Iterator[NDArray[np.uint16]]]:
    """Return the shape of an uncompressed TIFF of ours, and its rows band by band."""
    with tifffile.TiffFile(path) as tif:
        page: Any = tif.pages[0]
        shape, start = tuple(page.shape), page.dataoffsets[0]

    def bands() -> Iterator[NDArray[np.uint16]]:
        with path.open("rb") as stream:
            stream.seek(start)
            for top in range(0, shape[0], _BAND_ROWS):
                count = min(_BAND_ROWS, shape[0] - top) * prod(shape[1:])
                yield np.fromfile(stream, "<u2", count).reshape(-1, *shape[1:])

    return shape, bands()


def stored_pixels(path: Path) -> NDArray[np.uint16]:
    """Return the pixels of an uncompressed TIFF of ours, left on disk until they are used."""
    return np.asanyarray(tifffile.memmap(path, mode="r"))


def _crc_from(stream: IO[bytes], start: int) -> int:
    stream.seek(start)
    found = 0
    while data := stream.read(1 << 20):
        found = zlib.crc32(data, found)
    return found


def needs_bigtiff(pixel_bytes: int) -> bool:
    """Return whether a picture is too large for the 32-bit offsets of a classic TIFF.

    Decided before compression, so that it does not depend on the picture.

    Examples
    --------
    >>> needs_bigtiff(2 * 20_000 * 26_000)  # a whole plate at 3000 ppi
    False
    >>> needs_bigtiff(2 * 47_244 * 62_992)  # 30x40 cm at 4000 ppi
    True
    """
    return pixel_bytes > CLASSIC_LIMIT


def same_pixels(path: Path, pixels: NDArray[np.uint16]) -> bool:
    """Return whether the first page of a TIFF file holds exactly these pixels."""
    with tifffile.TiffFile(path) as tif:
        page: Any = tif.pages[0]
        if page.shape != pixels.shape or page.dtype != pixels.dtype:
            return False
        if not page.is_contiguous:
            return np.array_equal(page.asarray(), pixels)
        start = page.dataoffsets[0]
    with path.open("rb") as stream:  # in bands: a second copy of the frame is not held
        stream.seek(start)
        for top in range(0, len(pixels), _BAND_ROWS):
            band = pixels[top : top + _BAND_ROWS]
            if stream.read(band.nbytes) != band.astype("<u2", copy=False).tobytes():
                return False
    return True


def origin_of(path: Path) -> tuple[str, str]:
    """Return a TIFF file's program and description (tags 305, 270); "" where there is none."""
    try:
        with tifffile.TiffFile(path) as tif:
            page: Any = tif.pages[0]
            return str(page.software), str(page.description)
    except Exception:  # on damaged files it raises almost anything
        return "", ""


def _rows_per_strip(pixels: NDArray[np.uint16]) -> int:
    """Return the rows of about 256 KiB: enough to compress well, small enough to share out."""
    row_bytes = pixels.nbytes // len(pixels)
    return int(max(1, 2**18 // row_bytes))


def _ascii(text: str) -> str:
    """Return text with accents dropped and other characters as question marks."""
    plain = unicodedata.normalize("NFKD", text)
    kept = "".join(char for char in plain if not unicodedata.combining(char))
    return kept.encode("ascii", "replace").decode("ascii")
