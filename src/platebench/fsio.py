"""Files appear complete or not at all."""

from __future__ import annotations

import errno
import hashlib
import os
import secrets
import shutil
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from contextvars import ContextVar
from pathlib import Path
from typing import IO

from platebench.errors import WriteError

UNFINISHED = ".writing-"  # how temporary files begin

_written: ContextVar[list[Path] | None] = ContextVar("written", default=None)

NO_ROOM = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)

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


def write_error(
    path: Path, error: OSError, *, elsewhere: str = "choose another folder with --output"
) -> WriteError:
    """Return the sentence for a failed write.

    Parameters
    ----------
    elsewhere : str
        How to have it written to another place.
    """
    what, remedy = _REMEDIES.get(
        error.errno or 0, (error.strerror or str(error), "look at the disk and run again")
    )
    return WriteError(path, what, remedy.format(elsewhere=elsewhere))


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
def atomic_write(target: Path) -> Iterator[IO[bytes]]:
    """Yield a binary file that becomes ``target`` only if the block succeeds.

    The temporary file lives in ``target.parent``, so the final rename stays on one file system.
    On any exception, KeyboardInterrupt included, ``target`` is left as it was.

    Raises
    ------
    WriteError
        If the system refuses any part of it (full, read-only, no permission), or ``target`` is a
        pipe or a device, which a file must not take the place of.
    """
    tmp: Path | None = None
    try:
        if target.exists() and not (target.is_file() or target.is_dir()):
            what = "it is a pipe or a device, not a file"
            raise WriteError(target, what, "choose another name")
        tmp = new_file(target.parent, target.suffix)
        with tmp.open("w+b") as stream:  # by name: tifffile needs stream.name to be a path
            yield stream
            stream.flush()
            os.fsync(stream.fileno())
        tmp.replace(target)
        _sync_folder(target.parent)
        _note(target)
    except OSError as error:
        raise write_error(target, error) from error
    finally:
        if tmp is not None:
            tmp.unlink(missing_ok=True)


@contextmanager
def atomic_folder(target: Path) -> Iterator[Path]:
    """Yield a new folder beside ``target`` that gets its name only if the block succeeds.

    The files in it are for the block to flush; the folders are flushed here. A folder is never
    replaced.

    Raises
    ------
    WriteError
        If there is something called ``target`` already, or the system refuses any part of it.
    """
    tmp: Path | None = None
    try:
        if os.path.lexists(target):
            raise FileExistsError(errno.ENOTEMPTY, os.strerror(errno.ENOTEMPTY))
        new = _unfinished_name(target.parent)
        new.mkdir()
        tmp = new
        yield tmp
        for folder, _, _ in os.walk(tmp, topdown=False):
            _sync_folder(Path(folder))
        tmp.rename(target)
        _sync_folder(target.parent)
        _note(target)
    except OSError as error:
        raise write_error(target, error) from error
    finally:
        if tmp is not None:
            shutil.rmtree(tmp, ignore_errors=True)


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
        raise WriteError(folder, what, "free some space, or choose another folder with --output")


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


def remove_unfinished(folder: Path, *, older_than_s: float = 0.0) -> None:
    """Remove temporary files and folders that a killed process left, at least so old."""
    for leftover in folder.glob(f"{UNFINISHED}*"):
        with suppress(OSError):
            if time.time() - leftover.lstat().st_mtime < older_than_s:
                continue
            if leftover.is_dir() and not leftover.is_symlink():
                shutil.rmtree(leftover)
            else:
                leftover.unlink()


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


def new_file(folder: Path, suffix: str = "") -> Path:
    """Make an empty file under a temporary name, with the permissions that new files get there.

    The system applies them (the process's umask, the folder's own rules). To ask for the umask is
    to set it for a moment, in every thread; and what ``tempfile`` makes, its owner alone may read.
    """
    path = _unfinished_name(folder, suffix)
    os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o666))
    return path


def hash_file(path: Path) -> str:
    """Return the SHA-256 of a file's bytes, in hexadecimal."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def _unfinished_name(folder: Path, suffix: str = "") -> Path:
    return folder / f"{UNFINISHED}{secrets.token_hex(8)}{suffix}"


def _sync_folder(folder: Path) -> None:
    if os.name != "posix":
        return
    fd = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(fd)
    finally:
        os.close(fd)
