"""One run at a time writes into a folder of results; others wait for it.

Runs may meet: one from the review table, one from the command line, one that watches. Each file
would come out whole, but pictures, records and reports of two runs would be mixed.

The lock is on a hidden file in the folder. Where none can be made (a folder that is read-only, a
disk that knows no locks) nobody waits.
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from platebench.locks import let_go, try_to_hold
from platebench.progress import Progress

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
