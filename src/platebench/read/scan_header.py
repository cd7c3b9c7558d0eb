"""What a scan declares of itself, read without decoding it: size, bits, profile, resolution.

References
----------
PNG (Third Edition), W3C: chunks IHDR, iCCP, sRGB, gAMA, cICP, pHYs, eXIf; 4.3 for their order
of precedence. JPEG: ITU-T T.81 annex B; JFIF 1.02 for density; ICC.1:2022 annex B.4 for
profiles in APP2; CIPA DC-008 (Exif) for APP1 and ColorSpace.
"""

from __future__ import annotations

import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from platebench.core.errors import CaptureError
from platebench.read import metadata
from platebench.read.file_kind import AS_TIFF, COPY_AGAIN
from platebench.read.jpeg_damage import END, FRAMES, MOST_PASSES, START_OF_SCAN, Part, jpeg_parts

MM_PER_INCH = 25.4
FULL_BITS = 16
MAX_PROFILE_BYTES = 1 << 24
_PLACEHOLDER_PPI = 72.0


@dataclass(frozen=True, slots=True, kw_only=True)
class ScanHeader:
    """A scan's declarations.

    Attributes
    ----------
    shape : (int, int)
        Rows and columns as stored, before orientation.
    channels, bits : int
        Values a pixel, alpha included, and bits a value.
    profile : bytes or None
        Embedded ICC profile.
    transfer : float or "srgb" or None
        Decoding exponent or named curve stated by the file, where it has no profile.
    block_step : float or None
        See `CaptureInfo`.
    unit : (int, int)
        Rows and columns of a JPEG that are coded together.
    coded : (int, int)
        Where in a JPEG its codes begin and end.
    passes : int
        Over the picture, of a JPEG; several of one that is progressive.
    fields : dict
        Metadata, as ``metadata.fields_from_file`` gives it.
    stated_bits : int or None
        Of 16-bit values: how many bits the file says are used.
    multiplied : bool
        Whether colours were multiplied by the transparency.
    white_is_zero : bool
        Whether the codes count from white.
    """

    shape: tuple[int, int]
    channels: int
    bits: int
    profile: bytes | None
    transfer: float | str | None
    fields: dict[str, Any]
    notes: tuple[str, ...] = ()
    block_step: float | None = None
    unit: tuple[int, int] = (8, 8)
    coded: tuple[int, int] = (0, 0)
    passes: int = 1
    stated_bits: int | None = None
    multiplied: bool = False
    white_is_zero: bool = False


def settle_ppi(fields: dict[str, Any]) -> tuple[dict[str, Any], tuple[str, ...]]:
    """Drop the 72 ppi that programs write where they know of none."""
    if fields.get("ppi") is not None and abs(fields["ppi"] - _PLACEHOLDER_PPI) < 0.05:
        fields = {name: value for name, value in fields.items() if name != "ppi"}
        return fields, ("72 ppi is what programs write for want of a figure; not used",)
    return fields, ()


# ---------------------------------------------------------------------------------------- PNG

_PNG_CHANNELS = {0: 1, 2: 3, 4: 2, 6: 4}
_PNG_PALETTE = 3
_CICP_TRANSFER: dict[int, float | str] = {8: 1.0, 13: "srgb", 4: 2.2, 5: 2.8}


def read_png_header(path: Path, data: bytes) -> ScanHeader:
    """Read a PNG's chunks.

    Raises
    ------
    CaptureError
        If it is cut off, or is a palette or one-bit picture.
    """
    chunks = _png_chunks(path, data)
    head = chunks.get(b"IHDR", b"")
    if len(head) != 13:
        raise CaptureError(path, "is a damaged PNG: it declares no size", COPY_AGAIN)
    columns, rows = int.from_bytes(head[:4], "big"), int.from_bytes(head[4:8], "big")
    bits, colour = head[8], head[9]
    if colour == _PNG_PALETTE:
        raise CaptureError(path, "has colours from a palette", AS_TIFF)
    if colour not in _PNG_CHANNELS or bits == 1:
        raise CaptureError(path, "has one bit a pixel, black or white only", AS_TIFF)
    fields = metadata.fields_from_exif(chunks[b"eXIf"]) if b"eXIf" in chunks else {}
    ppi = _png_ppi(chunks.get(b"pHYs", b""))
    fields, notes = settle_ppi(fields | ({"ppi": ppi} if ppi else {}))
    return ScanHeader(
        shape=(rows, columns),
        channels=_PNG_CHANNELS[colour],
        bits=bits,
        profile=None if b"cICP" in chunks else _png_profile(path, chunks),
        transfer=_png_transfer(path, chunks),
        fields=fields,
        notes=notes,
    )


def _png_chunks(path: Path, data: bytes) -> dict[bytes, bytes]:
    """Return the first of each small chunk, refusing a file that does not reach IEND."""
    chunks: dict[bytes, bytes] = {}
    at = 8
    while at + 12 <= len(data):
        size, name = int.from_bytes(data[at : at + 4], "big"), data[at + 4 : at + 8]
        if at + 12 + size > len(data):
            break
        if name == b"IEND":
            return chunks
        if name != b"IDAT":
            chunks.setdefault(name, data[at + 8 : at + 8 + size])
        at += 12 + size
    raise CaptureError(path, "is cut off: a PNG ends in a chunk of its own, not here", COPY_AGAIN)


def picture_chunks(data: bytes) -> bytes:
    """Return a PNG without the chunks that say nothing of the pixels.

    A decoder unpacks texts and profiles too, each a thousand times its size if need be.
    """
    kept, at = [data[:8]], 8
    while at + 12 <= len(data):
        end = at + 12 + int.from_bytes(data[at : at + 4], "big")
        if data[at + 4 : at + 8] in (b"IHDR", b"tRNS", b"IDAT", b"IEND"):
            kept.append(data[at:end])
        at = end
    return b"".join(kept)


def _png_ppi(data: bytes) -> float | None:
    if len(data) != 9 or data[8] != 1 or data[:4] != data[4:8]:
        return None
    return int.from_bytes(data[:4], "big") * MM_PER_INCH / 1000 or None


def _png_profile(path: Path, chunks: dict[bytes, bytes]) -> bytes | None:
    if b"iCCP" not in chunks:
        return None
    _name, _, packed = chunks[b"iCCP"].partition(b"\0")
    unpacker = zlib.decompressobj()
    try:
        profile = unpacker.decompress(packed[1:], MAX_PROFILE_BYTES)
    except zlib.error:
        profile = b""
    if not profile or not unpacker.eof:
        raise CaptureError(path, "has a damaged colour profile", COPY_AGAIN)
    return profile


def _png_transfer(path: Path, chunks: dict[bytes, bytes]) -> float | str | None:
    if len(chunks.get(b"cICP", b"")) == 4:
        transfer = _CICP_TRANSFER.get(chunks[b"cICP"][1])
        if transfer is None:
            raise CaptureError(path, "is coded for a film or HDR display", AS_TIFF)
        return transfer
    if b"sRGB" in chunks:
        return "srgb"
    encoding = int.from_bytes(chunks.get(b"gAMA", b""), "big") / 100000
    return 1 / encoding if 0.1 <= encoding <= 10 else None


# --------------------------------------------------------------------------------------- JPEG

_SRGB, _UNCALIBRATED = 1, 0xFFFF
_TABLES = 0xDB


def read_jpeg_header(path: Path, data: bytes) -> ScanHeader:
    """Read a JPEG's markers up to its picture data.

    Raises
    ------
    CaptureError
        If it is cut off or declares no size.
    """
    parts = list(jpeg_parts(data))
    passes = sum(part.marker == START_OF_SCAN for part in parts)
    segments = _segments(data, parts)
    frame = next((body for marker, body in segments if marker in FRAMES), b"")
    if len(frame) < 6 or not passes:
        raise CaptureError(path, "is a damaged JPEG: no picture starts in it", COPY_AGAIN)
    if parts[-1].marker != END:
        raise CaptureError(path, "is cut off: the JPEG's end marker is missing", COPY_AGAIN)
    if passes > MOST_PASSES:
        raise CaptureError(path, f"is a damaged JPEG: it has {passes} passes", COPY_AGAIN)
    fields: dict[str, Any] = {}
    profile: dict[int, bytes] = {}
    for marker, body in segments:
        if marker == 0xE0 and body[:5] == b"JFIF\0":
            fields |= _jfif_ppi(body)
        elif marker == 0xE1 and body[:6] == b"Exif\0\0":
            fields |= metadata.fields_from_exif(body[6:])
        elif marker == 0xE2 and body[:12] == b"ICC_PROFILE\0" and len(body) > 14:
            profile.setdefault(body[12], body[14:])
    fields, notes = settle_ppi(fields)
    return ScanHeader(
        shape=(int.from_bytes(frame[1:3], "big"), int.from_bytes(frame[3:5], "big")),
        channels=frame[5],
        bits=frame[0],
        profile=b"".join(profile[i] for i in sorted(profile)) or None,
        transfer="srgb" if fields.get("colour_space") == _SRGB else None,
        fields=fields,
        notes=notes,
        block_step=_block_step(segments),
        unit=_unit(frame),
        coded=(min(p.at for p in parts if p.marker == START_OF_SCAN), parts[-1].at),
        passes=passes,
    )


def _unit(frame: bytes) -> tuple[int, int]:
    """Return rows and columns that are coded together (ITU-T T.81, A.2.3 and B.2.2)."""
    factors = frame[7::3]
    if len(factors) < 2:  # one component alone is coded block by block
        return 8, 8
    return 8 * max(f & 15 for f in factors), 8 * max(f >> 4 for f in factors)


def unit_of(data: bytes) -> tuple[int, int] | None:
    """Return rows and columns coded together in a JPEG inside a TIFF; None if it does not say."""
    parts = jpeg_parts(data)
    frame = next((data[p.at + 4 : p.end] for p in parts if p.marker in FRAMES), b"")
    return _unit(frame) if frame else None


def block_step_of(data: bytes) -> float:
    """Return to how many codes a JPEG inside a TIFF rounds the mean of a block."""
    return _block_step(_segments(data, list(jpeg_parts(data))))


def _block_step(segments: list[tuple[int, bytes]]) -> float:
    """Return to how many codes the coarsest of the tables rounds the mean of a block.

    The first value of a table is the step of the sum over a block's 64 pixels, divided by 8
    (ITU-T T.81, B.2.4.1 and A.3.3).
    """
    coarsest = 1
    for body in (body for marker, body in segments if marker == _TABLES):
        at = 0
        while at < len(body):
            size = 2 if body[at] >> 4 else 1
            coarsest = max(coarsest, int.from_bytes(body[at + 1 : at + 1 + size], "big"))
            at += 1 + 64 * size
    return coarsest / 8


def _segments(data: bytes, parts: Sequence[Part]) -> list[tuple[int, bytes]]:
    """Return markers and bodies of all that stands before the first codes."""
    first = next((k for k, part in enumerate(parts) if part.marker == START_OF_SCAN), len(parts))
    return [(part.marker, data[part.at + 4 : part.end]) for part in parts[:first]]


def _jfif_ppi(body: bytes) -> dict[str, float]:
    if len(body) < 12:
        return {}
    across, down = int.from_bytes(body[8:10], "big"), int.from_bytes(body[10:12], "big")
    per_inch = {1: 1.0, 2: 2.54}.get(body[7])
    return {"ppi": across * per_inch} if per_inch and across == down and across else {}
