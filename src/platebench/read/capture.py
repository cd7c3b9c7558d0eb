"""Any capture to sensor counts: the first stage."""

from __future__ import annotations

from pathlib import Path

from platebench.core.errors import CaptureError
from platebench.core.image import SensorFrame
from platebench.core.memory import SHARE_FOR_PLATES, available_bytes
from platebench.core.settings import ScanSettings
from platebench.read.declared_size import declared_size
from platebench.read.dng import read_plain_dng
from platebench.read.file_kind import FREE_MEMORY, FileKind, find_kind
from platebench.read.raw import read_raw
from platebench.read.scan import read_scan

LEAST_SIDE = 16
"""Rows and columns that a capture has at least, a grid of the light field's cells."""
MOST_TIMES = 50
"""How many times its short side the long one may be; panoramic plates are 3 to 5."""

_DEFAULT = ScanSettings()


def read_capture(path: Path, scan: ScanSettings = _DEFAULT) -> SensorFrame:
    """Read a camera raw or a scan.

    Parameters
    ----------
    path : Path
        Any raw LibRaw opens; or TIFF, PNG, JPEG of 8 or 16 bits, grey or RGB. Opened read-only.
    scan : ScanSettings
        How scans are coded that do not say so themselves.

    Returns
    -------
    SensorFrame
        Counts of the visible area; what was assumed is in ``info.notes``. A scan's orientation
        tag is applied. A raw's is recorded, deliberately not applied: a camera pointing down
        does not know which way is up.

    Raises
    ------
    CaptureError
        If the file is missing, empty, cut off, damaged, or not a capture; has far too few rows
        or columns; or more than there is memory for.
    """
    found = find_kind(path)
    free = available_bytes() / SHARE_FOR_PLATES  # what is planned for less is not refused here
    if declared_size(path, found).reading_bytes > free:
        raise CaptureError(path, "needs more memory than there is", *FREE_MEMORY)
    if found.kind is FileKind.RAW:
        plain = read_plain_dng(path, found.structure)
        frame = read_raw(path, found.structure) if plain is None else plain
    else:
        frame = read_scan(path, found, scan)
    _refuse_slivers(path, frame)
    return frame


def _refuse_slivers(path: Path, frame: SensorFrame) -> None:
    """Refuse what no plate can be found on: reduced, it would have no rows or columns left."""
    rows, columns = frame.counts.shape[:2]
    if min(rows, columns) < LEAST_SIDE or max(rows, columns) > MOST_TIMES * min(rows, columns):
        what = f"has {columns} x {rows} pixels, which is no picture of a plate"
        raise CaptureError(path, what, "name the capture itself")
