"""Hand the address to the browser without putting it on a command line, which everybody can read.

The browser is given a page that only its owner may read and that leads on to the address. It lies
in the home folder, not in a hidden one, nor with the other temporary files: browsers that the
system confines (snap, flatpak) are shut out from both. It is removed as soon as the table has been
opened, in whatever way.
"""

from __future__ import annotations

import html
import os
import shutil
import tempfile
import time
import webbrowser
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from threading import Event

LIFE_S = 120.0  # for a browser to start
_PREFIX = "platebench-opens-"
_PAGE = """<!doctype html>
<html lang="en">
<meta charset="utf-8">
<meta name="referrer" content="no-referrer">
<meta http-equiv="refresh" content="0; url={address}">
<title>The review page</title>
<p><a href="{address}">Open the review page</a></p>
</html>
"""


@contextmanager
def private_page(address: str) -> Iterator[Path]:
    """Yield a page that leads to an address and that nobody else can read; it is removed after.

    Raises
    ------
    OSError
        If it can be written neither in the home folder nor with the temporary files.
    """
    folder = _private_folder()
    try:
        page = folder / "open-the-review.html"
        number = os.open(page, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600)
        with os.fdopen(number, "w", encoding="utf-8") as stream:
            stream.write(_PAGE.format(address=html.escape(address)))
        yield page
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def open_in_browser(
    address: str, entered: Event, *, start: Callable[[str], bool] = webbrowser.open
) -> bool:
    """Open an address in the browser; returns once it was opened, or is not going to be.

    Parameters
    ----------
    address : str
        What nobody else may know.
    entered : Event
        Set when a browser has come to the address, or the server ends.
    start : callable
        Starts the browser with a page; tells whether there is one.

    Returns
    -------
    bool
        False where there is no browser to start.
    """
    try:
        with private_page(address) as page:
            started = start(page.as_uri())
            if started:
                entered.wait(LIFE_S)
            return started
    except (OSError, RuntimeError, webbrowser.Error):
        return False


def _private_folder() -> Path:
    try:
        return _folder_in(Path.home())
    except (OSError, RuntimeError):  # no home folder, or none to write in
        return _folder_in(Path(tempfile.gettempdir()))


def _folder_in(place: Path) -> Path:
    """Make a folder for its owner alone; what a killed run left goes first."""
    for left in place.glob(f"{_PREFIX}*"):
        with suppress(OSError):
            if time.time() - left.lstat().st_mtime > LIFE_S:
                shutil.rmtree(left)
    return Path(tempfile.mkdtemp(prefix=_PREFIX, dir=place))
