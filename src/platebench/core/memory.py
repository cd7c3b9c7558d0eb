"""How much memory there is, and how many plates fit into it at once."""

from __future__ import annotations

import os
from collections.abc import Iterable
from pathlib import Path

UNKNOWN_MEMORY = 4 << 30  # bytes; assumed where the system does not say
SHARE_FOR_PLATES = 0.75  # the rest stays free for the file cache and everybody else
PROGRAM_BYTES = 250 << 20  # interpreter and libraries, in each process
# On top of it, per value of the frame, once it is read; held by a test.
PEAK_BYTES_PER_VALUE = {"look": 3, "check": 6, "mosaic": 7, "demosaiced": 64}
_CGROUP = Path("/sys/fs/cgroup")


def available_bytes() -> int:
    """Return the memory that new work may take, in bytes: ``SHARE_FOR_PLATES`` of what is free.

    A container may have less than the machine, and only the container's own files say so.
    ``UNKNOWN_MEMORY`` where nothing is known.
    """
    known = [value for value in (_system_available(), _cgroup_left()) if value is not None]
    return int(SHARE_FOR_PLATES * min(known)) if known else UNKNOWN_MEMORY


def workers_for(jobs: int, memory: int, peak_per_plate: int) -> int:
    """Return how many plates to work on at once: at most ``jobs``, at least one.

    Parameters
    ----------
    jobs : int
        Most workers wanted.
    memory : int
        Bytes that may be taken.
    peak_per_plate : int
        Bytes one plate takes at its peak.

    Examples
    --------
    >>> workers_for(16, 8 << 30, 3 << 30)
    2
    >>> workers_for(16, 1 << 30, 3 << 30)
    1
    """
    return max(1, min(jobs, memory // max(1, peak_per_plate)))


def peak_bytes(work: str, values: int) -> int:
    """Return the memory a process takes at its peak for a frame of so many values.

    Parameters
    ----------
    work : {"look", "check", "mosaic", "demosaiced"}
        A quick look, a check; or a conversion, by the plate's ``colour``.
    values : int
        Photosites of the frame, or pixels times channels.
    """
    return PROGRAM_BYTES + PEAK_BYTES_PER_VALUE[work] * values


def cores() -> int:
    """Return how many processors this process may use."""
    try:
        return len(os.sched_getaffinity(0))
    except AttributeError:  # not on macOS and Windows
        return os.cpu_count() or 1


def _system_available() -> int | None:
    import psutil  # here, since only what works on plates asks

    try:
        return int(psutil.virtual_memory().available)
    except OSError:  # Linux without /proc
        return None


def _cgroup_left() -> int | None:
    limit = next(iter(_lines(_CGROUP / "memory.max")), "max").strip()
    used = next(iter(_lines(_CGROUP / "memory.current")), "").strip()
    if not (limit.isdigit() and used.isdigit()):
        return None
    cache = next((x for x in _lines(_CGROUP / "memory.stat") if x.startswith("inactive_file ")), "")
    reclaimable = int(cache.split()[1]) if cache else 0
    return max(0, int(limit) - int(used) + reclaimable)


def _lines(path: Path) -> Iterable[str]:
    try:
        return path.read_text(encoding="utf-8").splitlines()
    except OSError:
        return []
