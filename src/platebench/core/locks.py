"""One run at a time writes into a folder of results; others wait for it.

Runs may meet: one from the review page, one from the command line, one that watches. Each file
would come out whole, but pictures, records and reports of two runs would be mixed.

The lock is on a hidden file in the folder. Where none can be made (a folder that is read-only, a
disk that knows no locks) nobody waits.

The first half is the lock itself, by file descriptor; the second, who waits for whom.
"""

from __future__ import annotations

import os
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from platebench.core.progress import Progress


def try_to_hold(path: Path) -> int | None:
    """Take the lock on a file, which is made if missing.

    Parameters
    ----------
    path : Path
        Of the lock's own file.

    Returns
    -------
    int or None
        The descriptor that holds it until it is closed, see :func:`let_go`; None while another
        process, or another part of this one, holds it.

    Raises
    ------
    OSError
        If the file cannot be opened, or the disk knows no locks.
    """
    from filelock import lock_descriptor  # a thirtieth of a second that few commands need

    while True:
        opened = _opened(path)
        held = False
        try:
            if not lock_descriptor(opened, blocking=False):
                return None
            with suppress(FileNotFoundError):  # whoever held it has just taken it away
                held = os.path.samestat(os.fstat(opened), path.stat())
            if held:
                return opened
        finally:
            if not held:
                os.close(opened)


def let_go(path: Path, held: int) -> None:
    """Give a lock back and take its file away.

    Before it is given back: afterwards it may be another's. Windows keeps a file that is open, so
    there it stays, and is used again.
    """
    with suppress(OSError):
        path.unlink()
    os.close(held)


def _opened(path: Path) -> int:
    try:
        return os.open(path, os.O_RDWR | os.O_CREAT, 0o666)
    except PermissionError:  # another user's, which may be waited for all the same
        return os.open(path, os.O_RDONLY)


LOCK = ".platebench.lock"
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
    lock = folder / LOCK
    try:
        held = try_to_hold(lock)
        if held is None:
            progress.note(f"another run is writing into {folder}; waiting for it to end")
        while held is None:
            time.sleep(PAUSE_S)
            held = try_to_hold(lock)
    except OSError:  # who writes there will say why
        yield
        return
    try:
        yield
    finally:
        let_go(lock, held)


@contextmanager
def sole_run(folder: Path) -> Iterator[bool]:
    """Hold ``folder`` for as long as the block lasts, if nobody else does.

    Yields
    ------
    bool
        False if another run holds it; True too where no lock can be had (who writes there will
        say why).
    """
    lock = folder / LOCK
    try:
        held = try_to_hold(lock)
    except OSError:
        yield True
        return
    try:
        yield held is not None
    finally:
        if held is not None:
            let_go(lock, held)
