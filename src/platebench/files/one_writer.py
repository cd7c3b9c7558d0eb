"""One run at a time writes into a folder of results; others wait for it.

Runs may meet: one from the review table, one from the command line, one that watches. Each file
would come out whole, but one run's tidying up would take the other's unfinished files away.

The lock is the system's own on the folder itself (``flock``): it leaves no file behind and ends
with the process, however that ends. Where there is none (Windows, some network shares) nobody
waits; on Windows, files being written cannot be taken away.
"""

from __future__ import annotations

import errno
import os
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from platebench.progress import Progress

PAUSE_S = 0.2


@contextmanager
def only_writer(folder: Path, progress: Progress) -> Iterator[None]:
    """Hold ``folder``, which is there, for as long as the block lasts.

    Parameters
    ----------
    folder : Path
        Of results.
    progress : Progress
        Told when somebody else is writing there and has to be waited for.
    """
    if sys.platform == "win32":
        yield
        return
    held = os.open(folder, os.O_RDONLY)
    try:
        if not _try_to_hold(held):
            progress.note(f"another run is writing into {folder}; waiting for it to end")
            while not _try_to_hold(held):
                time.sleep(PAUSE_S)
        yield
    finally:
        os.close(held)


@contextmanager
def sole_run(folder: Path) -> Iterator[bool]:
    """Hold ``folder`` for as long as the block lasts, if nobody else does.

    Yields
    ------
    bool
        False if another run holds it; True too where it cannot be opened (who writes there will
        say why), or there are no locks.
    """
    try:
        held = None if sys.platform == "win32" else os.open(folder, os.O_RDONLY)
    except OSError:
        held = None
    try:
        yield held is None or _try_to_hold(held)
    finally:
        if held is not None:
            os.close(held)


def _try_to_hold(held: int) -> bool:
    """Return False while somebody else holds it; True too where the disk knows no locks."""
    import fcntl

    try:
        fcntl.flock(held, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        return error.errno not in (errno.EWOULDBLOCK, errno.EAGAIN)
    return True
