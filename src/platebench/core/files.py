"""Files written whole or not at all, and never over a file that is not ours.

What is written under a name or into a folder that a person chose could meet a file of theirs. Ours
are known by what is in them: each kind of JSON by its keys, tables by how they begin, pictures and
pages by the program's name in their metadata.

Everything is written under a name of its own beside its place and renamed when whole; failures of
the disk become sentences. Small reads are bounded here too, for files that strangers may have made.
"""

from __future__ import annotations

import errno
import hashlib
import os
import shutil
import tempfile
import time
from collections.abc import Iterable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from contextvars import ContextVar
from mmap import ACCESS_READ, mmap
from pathlib import Path
from typing import IO

from platebench.core.errors import WriteError
from platebench.core.locks import try_to_hold
from platebench.core.plain_json import read_json

UNFINISHED = ".writing-"  # how the folders begin in which files are written until they are whole
_LOCK = ".lock"
DAY_S = 86_400.0
_LOOK_AGAIN_S = 60.0

_written: ContextVar[list[Path] | None] = ContextVar("written", default=None)

NO_ROOM = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)

_SHARING, _LOCKED, _DENIED = 32, 33, 5  # of Windows: ERROR_SHARING_VIOLATION and so on
HELD_OPEN = ("another program has it open", "close it there, then run again")
_REMEDIES = {
    errno.ENOSPC: ("the disk is full", "free some space and run again"),
    errno.EDQUOT: ("the disk quota is used up", "free some space and run again"),
    errno.EROFS: ("the disk is read-only", "{elsewhere}"),
    errno.EACCES: ("no permission to write there", "{elsewhere}"),
    errno.EPERM: ("no permission to write there", "{elsewhere}"),
    errno.EEXIST: ("a file is in the way", "move it, or {elsewhere}"),
    errno.ENOTDIR: ("a file is in the way", "move it, or {elsewhere}"),
    errno.ENOTEMPTY: ("a folder is in the way", "move it, or {elsewhere}"),
    errno.EISDIR: ("a folder is in the way", "move it, or {elsewhere}"),
    errno.ENAMETOOLONG: ("the name is too long", "give the plate or the folder a shorter one"),
    errno.ENOENT: ("there is no such folder", "make it, or {elsewhere}"),
    errno.EFBIG: ("the disk's format cannot hold a file so large", "choose another disk"),
}


def is_held_open(error: OSError) -> bool:
    """Tell whether the system refuses because another program has the file open.

    Windows does, by codes of its own beside ``errno``, which calls them missing permissions
    (https://learn.microsoft.com/windows/win32/debug/system-error-codes--0-499-).
    """
    return getattr(error, "winerror", 0) in (_SHARING, _LOCKED) or error.errno == errno.EBUSY


def write_error(
    path: Path,
    error: OSError,
    *,
    elsewhere: tuple[str, str] = ("choose another folder", "output"),
) -> WriteError:
    """Return the sentence for a failed write.

    Parameters
    ----------
    elsewhere : tuple of str
        How to have it written to another place, and the setting that does it.
    """
    if is_held_open(error):
        return WriteError(path, *HELD_OPEN)
    if getattr(error, "winerror", 0) == _DENIED and path.is_file():  # it would have been replaced
        return WriteError(path, f"{HELD_OPEN[0]}, or it is read-only", HELD_OPEN[1])
    what, remedy = _REMEDIES.get(
        error.errno or 0, (error.strerror or str(error), "look at the disk and run again")
    )
    settings = elsewhere[1:] if "{elsewhere}" in remedy else ()
    return WriteError(path, what, remedy.format(elsewhere=elsewhere[0]), *settings)


@contextmanager
def written_files() -> Iterator[list[Path]]:
    """Yield a list of what is written in the block, to be told where the block then fails.

    It grows with each file or folder that gets its final name, in this process and thread.
    """
    files: list[Path] = []
    token = _written.set(files)
    try:
        yield files
    finally:
        _written.reset(token)


def _note(target: Path) -> None:
    files = _written.get()
    if files is not None and target not in files:
        files.append(target)


@contextmanager
def atomic_write(target: Path, *, flush: bool = True) -> Iterator[IO[bytes]]:
    """Yield a binary file that becomes ``target`` only if the block succeeds.

    On any exception, KeyboardInterrupt included, ``target`` is left as it was. Without ``flush``
    the disk gets it when it likes: for thousands of files, and whoever writes them calls
    :func:`flush_disks`, or finds out the next time.

    Raises
    ------
    WriteError
        If the system refuses any part of it (full, read-only, no permission), or ``target`` is a
        pipe or a device, which a file must not take the place of.
    """
    try:
        if target.exists() and not (target.is_file() or target.is_dir()):
            what = "it is a pipe or a device, not a file"
            raise WriteError(target, what, "choose another name")
        with place_to_work(target.parent) as place:
            tmp = place / target.name
            with tmp.open("w+b") as stream:  # by name: tifffile needs stream.name to be a path
                yield stream
                stream.flush()
                if flush:
                    os.fsync(stream.fileno())
            tmp.replace(target)
            if flush:
                _sync_folder(target.parent)
        _note(target)
    except OSError as error:
        raise write_error(target, error) from error


@contextmanager
def atomic_folder(target: Path, *, flush: bool = True) -> Iterator[Path]:
    """Yield a new folder that gets its place and name only if the block succeeds.

    The files in it are for the block to flush; the folders are flushed here, unless ``flush`` is
    off as with :func:`atomic_write`. A folder is never replaced.

    Raises
    ------
    WriteError
        If there is something called ``target`` already, or the system refuses any part of it.
    """
    try:
        if os.path.lexists(target):
            raise FileExistsError(errno.ENOTEMPTY, os.strerror(errno.ENOTEMPTY))
        with place_to_work(target.parent) as place:
            tmp = place / target.name
            tmp.mkdir()
            yield tmp
            for folder, _, _ in os.walk(tmp, topdown=False) if flush else ():
                _sync_folder(Path(folder))
            tmp.rename(target)
            if flush:
                _sync_folder(target.parent)
        _note(target)
    except OSError as error:
        raise write_error(target, error) from error


def flush_disks() -> None:
    """Have all that was written on the disks; on Windows, which has no such call, nothing."""
    if hasattr(os, "sync"):
        os.sync()


@contextmanager
def place_to_work(folder: Path) -> Iterator[Path]:
    """Yield a hidden new folder in ``folder``, from which files are renamed once they are whole.

    It is on the same disk, so renaming is one step. It is locked for as long as the block lasts:
    one that nobody holds was left by a process that was killed, and whoever works in the same
    folder next takes it away. That is looked for once a minute: a folder may hold thousands.
    """
    _remove_unfinished_now_and_then(folder)
    with ExitStack() as undo:
        yield _held_place(folder, undo)


def _held_place(folder: Path, undo: ExitStack) -> Path:
    while True:
        place = Path(tempfile.mkdtemp(prefix=UNFINISHED, dir=folder))
        undo.callback(_take_away, place, None)  # at once: it may be interrupted here
        lock = place / _LOCK
        try:
            held = try_to_hold(lock)
        except FileNotFoundError:  # taken away as a leftover, before it was held
            continue
        except OSError:
            if not lock.exists():
                raise
            return place  # the disk knows no locks
        if held is not None:
            undo.callback(_take_away, place, held)
            return place


def _take_away(place: Path, held: int | None) -> None:
    shutil.rmtree(place, ignore_errors=True)
    if held is not None:
        os.close(held)
        shutil.rmtree(place, ignore_errors=True)  # Windows keeps the lock's file while it is open


def remove_unfinished(folder: Path) -> None:
    """Remove at once what killed processes left in a folder, and nothing that is still held.

    A disk without locks does not say; there what has not been touched for a day goes.
    """
    for leftover in folder.glob(f"{UNFINISHED}*"):
        with suppress(OSError):
            if leftover.is_dir() and not leftover.is_symlink():
                _remove_place(leftover)
            elif _is_old(leftover):
                leftover.unlink()


_looked_through: dict[Path, float] = {}  # when, by folder; of this process


def _remove_unfinished_now_and_then(folder: Path) -> None:
    now, folder = time.monotonic(), folder.absolute()
    if now - _looked_through.get(folder, -_LOOK_AGAIN_S) >= _LOOK_AGAIN_S:
        _looked_through[folder] = now
        remove_unfinished(folder)


def _remove_place(place: Path) -> None:
    """Remove a place to work that nobody holds; its lock is the first thing in it."""
    lock = place / _LOCK
    within = os.listdir(place)  # noqa: PTH208 (names, in one go)
    if not within:
        place.rmdir()
    elif not lock.exists():
        shutil.rmtree(place)
    else:
        try:
            held = try_to_hold(lock)
        except OSError:
            if _is_old(place):
                shutil.rmtree(place)
            return
        if held is not None:
            _take_away(place, held)


def _is_old(path: Path) -> bool:
    return time.time() - path.lstat().st_mtime > DAY_S


def check_room(folder: Path, needed: int) -> None:
    """Refuse, before anything is written, what the disk of ``folder`` cannot hold.

    Raises
    ------
    WriteError
        If fewer than ``needed`` bytes are free.
    """
    free = shutil.disk_usage(folder).free
    if free < needed:
        what = f"it takes {needed / 1e6:.1f} MB and the disk has {free / 1e6:.1f} MB left"
        raise WriteError(folder, what, "free some space, or choose another folder", "output")


def make_folder(folder: Path) -> None:
    """Create ``folder`` and its parents, and prove that a file can be written there.

    Raises
    ------
    WriteError
        If it cannot.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=folder):
            pass
    except OSError as error:
        raise write_error(folder, error) from error


def make_empty_folder(folder: Path) -> None:
    """Create ``folder``, or see that nothing is in it.

    Raises
    ------
    WriteError
        If something is, or it cannot be written.
    """
    make_folder(folder)
    remove_unfinished(folder)
    if any(folder.iterdir()):
        what = "there is something in that folder already"
        raise WriteError(folder, what, "name a new or empty folder")


def remove_file(path: Path) -> None:
    """Remove a file, for good before anything else is written; nothing happens if it is not there.

    Raises
    ------
    WriteError
        If the system refuses.
    """
    try:
        path.unlink()
        _sync_folder(path.parent)
    except FileNotFoundError:
        return
    except OSError as error:
        raise write_error(path, error) from error


def move_file(path: Path, to: Path) -> bool:
    """Rename a file within its folder, for good before anything else is written.

    Returns
    -------
    bool
        False, and nothing has happened, where there is no such file.

    Raises
    ------
    WriteError
        If the system refuses.
    """
    try:
        path.replace(to)
        _sync_folder(to.parent)
    except FileNotFoundError:
        return False
    except OSError as error:
        raise write_error(path, error) from error
    return True


def read_at_most(path: Path, largest: int) -> bytes | None:
    """Return a file's bytes, None if there are more than ``largest``; devices may have no end."""
    with path.open("rb") as stream:
        content = stream.read(largest + 1)
    return None if len(content) > largest else content


def size_of(path: Path) -> int:
    """Return a file's bytes; 0 where it cannot be looked at (reading it will say why)."""
    try:
        return path.stat().st_size
    except OSError:
        return 0


def hash_file(path: Path) -> str:
    """Return the SHA-256 of a file's bytes, in hexadecimal."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def _sync_folder(folder: Path) -> None:
    if os.name != "posix":
        return
    fd = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(fd)
    finally:
        os.close(fd)


SPOT_COLUMNS = ("x_mm", "y_mm", "x_px", "y_px")
"""How a table of spot readings begins."""
WEDGE_MARK = "# platebench measure: wedge"
"""How a table of a wedge begins; whatever reads tables of steps leaves such lines out."""
CATALOGUE_MARK = b"\xef\xbb\xbfpackage,plate,"
"""How a table exported from a catalogue begins."""

_KINDS = {
    "readings": {"plate", "calibrated", "notes"},
    "curves": {"schema", "plates", "against_first"},
    "own speed": {"own_speed", "plates", "subjects"},
    "reciprocity": {"reciprocity", "batch", "p"},
    "calibration": {"schema", "glare", "callier", "nodes"},
    "chart": {"step_chart", "number", "inks"},
    "report": {"schema", "plates", "platebench"},
    "negative": {"plate", "process", "mirrored", "film_mm"},
}
_STARTS = {
    ".csv": (",".join(SPOT_COLUMNS).encode(), WEDGE_MARK.encode(), CATALOGUE_MARK),
    ".txt": (b"Measured on a step tablet", b"tablet   "),  # the second by earlier versions
}
_NAME = b"platebench"
_LOOKED_AT = 1 << 10
_LARGEST_JSON = 1 << 20  # read whole; larger ones are known by how they begin
_LARGE = {"report": b'{\n  "schema": 1,\n  "platebench": "'}


def refuse_foreign(targets: Iterable[Path], kind: str = "") -> None:
    """Refuse to replace files that are not from here.

    Parameters
    ----------
    targets : iterable of Path
        Files about to be written; those that are not there yet are let pass.
    kind : str
        A name of ``_KINDS``: what a .json has to hold already to be replaced; "" where none is
        among the targets.

    Raises
    ------
    WriteError
        For the first that holds something else.
    """
    for target in targets:
        if target.exists() and not target.is_dir() and not _is_own(target, kind):
            raise WriteError(
                target,
                "there is a file of that name that was not made by this command",
                "move it away, or choose another place",
                "output",
            )


def _is_own(path: Path, kind: str) -> bool:
    try:
        if path.suffix.lower() == ".json":
            return _holds(path, kind)
        with path.open("rb") as stream:
            if path.suffix.lower() in _STARTS:
                start = stream.read(_LOOKED_AT)
                return start.startswith(_STARTS[path.suffix.lower()])
            with mmap(stream.fileno(), 0, access=ACCESS_READ) as content:
                return content.find(_NAME) >= 0  # where metadata lies is the library's choice
    except (OSError, ValueError):  # mmap knows no empty file
        return False


def _holds(path: Path, kind: str) -> bool:
    """Tell whether a JSON is of a kind written here."""
    if path.stat().st_size > _LARGEST_JSON:
        with path.open("rb") as stream:
            return kind in _LARGE and stream.read(_LOOKED_AT).startswith(_LARGE[kind])
    try:
        document = read_json(path.read_bytes())
    except ValueError:
        return False
    return isinstance(document, dict) and _KINDS[kind] <= document.keys()
