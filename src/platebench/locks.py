"""A lock that ends with the process that holds it, however that ends, on every system.

It is on a file that nothing else is kept in: Windows cannot lock a folder.
"""

from __future__ import annotations

import os
from contextlib import suppress
from pathlib import Path


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
