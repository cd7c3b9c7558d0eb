"""Whether there is room in memory for a capture, said before it is decoded."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Final, NamedTuple

from platebench.core.errors import CaptureError
from platebench.core.memory import PROGRAM_BYTES, peak_bytes
from platebench.read.declared_size import declared_size

EXPOSURE_BYTES_PER_VALUE: Final = 4  # of a bracket: its counts, twice where one had to be moved
_REMEDY: Final = "allow more memory, close other programs, or scan at a lower resolution"


class Peak(NamedTuple):
    """Memory that work takes at its peak, in bytes, and the capture that takes most of it."""

    bytes: int
    path: Path


def peak_of(work: str, paths: Sequence[Path]) -> Peak:
    """Return what work on captures takes, by what their files declare.

    Parameters
    ----------
    work : {"look", "check", "mosaic", "demosaiced"}
        See :func:`platebench.core.memory.peak_bytes`.
    paths : sequence of Path
        At least one; several are held at a time, as a bracket is.
    """
    sizes = [declared_size(path) for path in paths]
    most = max(range(len(paths)), key=lambda place: sizes[place].values)
    size = sizes[most]
    more = EXPOSURE_BYTES_PER_VALUE * size.values * (len(paths) - 1)
    reading = PROGRAM_BYTES + max(size.reading_bytes for size in sizes)
    return Peak(max(peak_bytes(work, size.values), reading) + more, paths[most])


def no_room(peak: Peak, memory: int) -> CaptureError | None:
    """Return the error of what does not fit into so many bytes; None for what does."""
    if peak.bytes <= memory:
        return None
    what = f"needs {_gigabytes(peak.bytes)} of memory, and only {_gigabytes(memory)} may be used"
    return CaptureError(peak.path, what, _REMEDY)


def _gigabytes(size: int) -> str:
    return f"{size / 1e9:.1f} GB" if size >= 1e9 else f"{size / 1e6:.0f} MB"
