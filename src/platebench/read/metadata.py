"""What a capture says of itself: time, exposure, camera. Never raises, never decodes pixels."""

from __future__ import annotations

import io
import logging
import math
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import Any, BinaryIO

import exifread

from platebench.read.tiff_structure import TiffDamageError, structure_of_stream

# The reader logs a line for every odd tag; an application that wants them configures logging.
logging.getLogger("exifread").addHandler(logging.NullHandler())

MetadataFields = dict[str, Any]
MAX_EXIF_BYTES = 1 << 24
# Raws that are TIFFs with a version number of the maker's own.
_TIFF_BUT_FOR_THE_VERSION = {
    b"IIRO": b"II*\0",
    b"IIRS": b"II*\0",
    b"MMOR": b"MM\0*",
    b"IIU\0": b"II*\0",
}
_ISO_TOO_LARGE = 65535  # Exif 2.3: the true figure is in another tag


def fields_from_file(path: Path) -> MetadataFields:
    """Return the fields of ``CaptureInfo`` that a file's Exif tags state.

    Parameters
    ----------
    path : Path
        A TIFF, a raw of the TIFF family, RAF, CR3 or JPEG.

    Returns
    -------
    dict
        Some of ``camera``, ``taken``, ``exposure_s``, ``f_number``, ``iso``,
        ``focal_length_mm``, ``orientation``, ``ppi``, ``colour_space`` (Exif ColorSpace), and
        ``no_date``, the text of a date that is none. What is absent or unreadable is left out.
    """
    try:
        with path.open("rb") as stream:
            head = stream.read(4)
            stream.seek(0)
            if head in _TIFF_BUT_FOR_THE_VERSION:
                start = stream.read(MAX_EXIF_BYTES // 16)
                return fields_from_exif(_TIFF_BUT_FOR_THE_VERSION[head] + start[4:])
            return _fields_from_stream(stream)
    except OSError:
        return {}


def fields_from_exif(block: bytes) -> MetadataFields:
    """Return the fields that a bare Exif block (a small TIFF) states."""
    return _fields_from_stream(io.BytesIO(block[:MAX_EXIF_BYTES]))


def _fields_from_stream(stream: BinaryIO) -> MetadataFields:
    if _is_endless(stream):
        return {}
    try:
        tags = exifread.process_file(stream, details=False)
    except Exception:  # the reader fails in many ways on damaged tags; no metadata then
        return {}
    fields: MetadataFields = {
        "camera": _camera(tags),
        "taken": _taken(tags),
        "exposure_s": _number(tags, "EXIF ExposureTime", "Image ExposureTime"),
        "f_number": _number(tags, "EXIF FNumber", "Image FNumber"),
        "iso": _iso(tags),
        "focal_length_mm": _number(tags, "EXIF FocalLength", "Image FocalLength"),
        "orientation": _orientation(tags),
        "ppi": _ppi(tags),
        "colour_space": _raw_value(tags, "EXIF ColorSpace"),
    }
    if fields["taken"] is None:
        fields["no_date"] = _no_date(tags)
    return {name: value for name, value in fields.items() if value is not None}


def _is_endless(stream: BinaryIO) -> bool:
    """Tell whether a TIFF has more directories than are looked at.

    The reader follows every one and compares it with all before: minutes for 70,000.
    """
    try:
        return structure_of_stream(stream).more
    except TiffDamageError:
        return False  # no TIFF, or one the reader gives up at once
    finally:
        stream.seek(0)


def _raw_value(tags: Mapping[str, Any], *names: str) -> Any:
    for name in names:
        values = getattr(tags.get(name), "values", None)
        if isinstance(values, list) and values:
            return values[0]
        if isinstance(values, (str, int, float)):
            return values
    return None


def _number(tags: Mapping[str, Any], *names: str) -> float | None:
    """Return a positive finite number, or None."""
    try:
        value = float(_raw_value(tags, *names))
    except (TypeError, ValueError, ZeroDivisionError, OverflowError):
        return None
    return value if math.isfinite(value) and value > 0 else None


def _iso(tags: Mapping[str, Any]) -> float | None:
    iso = _number(tags, "EXIF ISOSpeedRatings", "Image ISOSpeedRatings")
    if iso == _ISO_TOO_LARGE:
        iso = _number(tags, "EXIF RecommendedExposureIndex", "EXIF ISOSpeed")
    return iso


def _text(tags: Mapping[str, Any], name: str) -> str:
    value = _raw_value(tags, name)
    text = str(value).split("\0")[0] if isinstance(value, str) else ""
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())[:80]


def _camera(tags: Mapping[str, Any]) -> str | None:
    make, model = _text(tags, "Image Make"), _text(tags, "Image Model")
    name = model if make and model.casefold().startswith(make.casefold()) else f"{make} {model}"
    return name.strip() or None


_DATES = ("EXIF DateTimeOriginal", "Image DateTimeOriginal", "Image DateTime")


def _taken(tags: Mapping[str, Any]) -> datetime | None:
    for name in _DATES:
        try:
            taken = datetime.strptime(_text(tags, name), "%Y:%m:%d %H:%M:%S")
        except ValueError:
            continue
        digits = _text(tags, "EXIF SubSecTimeOriginal") if name.startswith("EXIF") else ""
        if digits.isdecimal():
            taken = taken.replace(microsecond=int(digits[:6].ljust(6, "0")))
        return taken
    return None


def _no_date(tags: Mapping[str, Any]) -> str | None:
    """Return the first date that is none; blanks and zeros mean unknown (Exif 2.3, 4.6.4)."""
    texts = [_text(tags, name) for name in _DATES]
    return next((text[:30] for text in texts if text.strip(" :0")), None)


def date_notes(fields: MetadataFields) -> tuple[str, ...]:
    """Return what to say of a capture whose date is none."""
    text = fields.get("no_date")
    if text is None or fields.get("taken") is not None:
        return ()
    return (f'its date "{text}" is no date: when it was taken is unknown',)


def _orientation(tags: Mapping[str, Any]) -> int | None:
    value = _raw_value(tags, "Image Orientation")
    return value if isinstance(value, int) and 1 <= value <= 8 else None


def _ppi(tags: Mapping[str, Any]) -> float | None:
    """Return pixels per inch; None where the unit is not a length or the axes differ."""
    per_inch = {2: 1.0, 3: 2.54}.get(_raw_value(tags, "Image ResolutionUnit") or 2)
    across, down = _number(tags, "Image XResolution"), _number(tags, "Image YResolution")
    if per_inch is None or across is None or down is None or abs(across - down) > 0.01 * across:
        return None
    return across * per_inch
