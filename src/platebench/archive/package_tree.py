"""What lies in a package's folder, found by walking it, links never followed; and its digests.

Files of a package are opened only under names found here, never under names a manifest gives; so
nothing a package says can lead out of it.
"""

from __future__ import annotations

import errno
import hashlib
import os
import stat
from collections.abc import Callable, Generator, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import closing, suppress
from dataclasses import dataclass, field
from itertools import islice
from pathlib import Path
from typing import Any, BinaryIO

from platebench.archive.manifest import MOST_FILES, is_package
from platebench.core.errors import PackageError

ALGORITHMS = ("sha256", "sha512")
CHUNK = 1 << 20
IN_FLIGHT = 4  # chunks read and not yet hashed by all
_SMALL = 4 * CHUNK  # files below are hashed in this thread: starting others costs more


@dataclass(frozen=True, slots=True, kw_only=True)
class FileDigests:
    """What one read of a file gave.

    Attributes
    ----------
    size : int
        Bytes.
    by_algorithm : dict of str to str
        Digests in lower-case hexadecimal, by hashlib's name.
    span : str
        SHA-256 of the part of the file that was asked for; "" for none.
    """

    size: int
    by_algorithm: dict[str, str]
    span: str = ""

    @property
    def sha256(self) -> str:
        """SHA-256 of the whole file."""
        return self.by_algorithm["sha256"]


@dataclass(slots=True)
class _Hashing:
    """One hash over a file or over a span of it."""

    digest: Any
    start: int = 0
    stop: int | None = None
    last: Future[None] | None = field(default=None)

    def update(self, place: int, chunk: memoryview) -> None:
        first = max(self.start - place, 0)
        stop = len(chunk) if self.stop is None else min(self.stop - place, len(chunk))
        if first < stop:
            self.digest.update(chunk[first:stop])


def hash_stream(
    source: BinaryIO,
    *,
    sink: Callable[[memoryview], object] | None = None,
    algorithms: Iterable[str] = ALGORITHMS,
    span: tuple[int, int] | None = None,
) -> FileDigests:
    """Read a stream once: hash it, hash a span of it, and pass it on.

    Parameters
    ----------
    source : binary file
        Read from where it stands to its end.
    sink : callable or None
        Given every chunk in order, such as ``write`` of a file.
    algorithms : iterable of str
        Names of hashlib.
    span : (int, int) or None
        First byte and one past the last of a part that is hashed by itself, by SHA-256.

    Raises
    ------
    OSError
        If reading or the sink fails.
    """
    by_name = {name: _Hashing(hashlib.new(name, usedforsecurity=False)) for name in algorithms}
    hashings = list(by_name.values())
    if span is not None:
        hashings.append(_Hashing(hashlib.sha256(), *span))
    small = os.fstat(source.fileno()).st_size <= _SMALL
    update = _update_here if small else _update_in_threads
    size = 0
    with closing(update(hashings, source)) as chunks:  # its threads end, whatever the sink does
        for place, chunk in chunks:
            if sink is not None:
                sink(chunk)
            size = place + len(chunk)
    return FileDigests(
        size=size,
        by_algorithm={name: hashing.digest.hexdigest() for name, hashing in by_name.items()},
        span=hashings[-1].digest.hexdigest() if span is not None else "",
    )


def _update_here(hashings: list[_Hashing], source: BinaryIO) -> Generator[tuple[int, memoryview]]:
    place, buffer = 0, memoryview(bytearray(CHUNK))
    while count := source.readinto(buffer):  # type: ignore[attr-defined]
        for hashing in hashings:
            hashing.update(place, buffer[:count])
        yield place, buffer[:count]
        place += count


def _update_in_threads(
    hashings: list[_Hashing], source: BinaryIO
) -> Generator[tuple[int, memoryview]]:
    """Hash chunks in threads, in order within each hash; a buffer waits until all have it."""
    buffers = [memoryview(bytearray(CHUNK)) for _ in range(IN_FLIGHT)]
    busy: list[list[Future[None]]] = [[] for _ in buffers]
    threads = [ThreadPoolExecutor(1) for _ in hashings]
    try:
        place = turn = 0
        while True:
            for done in busy[turn]:
                done.result()
            count = source.readinto(buffers[turn])  # type: ignore[attr-defined]
            if not count:
                break
            chunk = buffers[turn][:count]
            busy[turn] = [
                thread.submit(hashing.update, place, chunk)
                for thread, hashing in zip(threads, hashings, strict=True)
            ]
            yield place, chunk
            place += count
            turn = (turn + 1) % IN_FLIGHT
        for done in (future for futures in busy for future in futures):
            done.result()
    finally:
        for thread in threads:
            thread.shutdown()


def open_regular(path: Path) -> BinaryIO:
    """Open a file for reading if it is a regular one; a link or a pipe is refused, never followed.

    Raises
    ------
    OSError
        If it is not, or cannot be opened.
    """
    flags = os.O_RDONLY
    for name in ("O_NOFOLLOW", "O_NONBLOCK", "O_BINARY", "O_CLOEXEC"):
        flags |= getattr(os, name, 0)
    stream = open(os.open(path, flags), "rb", buffering=0)  # noqa: PTH123, SIM115
    if not stat.S_ISREG(os.fstat(stream.fileno()).st_mode):
        stream.close()
        raise OSError(errno.EINVAL, "it is no plain file")
    return stream


def hash_path(
    path: Path, algorithms: Iterable[str] = ALGORITHMS, span: tuple[int, int] | None = None
) -> FileDigests:
    """Hash a regular file; see :func:`hash_stream`."""
    with open_regular(path) as stream:
        return hash_stream(stream, algorithms=algorithms, span=span)


def forget_cached(stream: BinaryIO) -> None:
    """Let the system drop its copy of a flushed file, so that the next read comes from the disk."""
    if hasattr(os, "posix_fadvise"):
        with suppress(OSError):
            os.posix_fadvise(stream.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)


DEEPEST = 64  # folders within folders
NO_PACKAGE = "holds neither bagit.txt nor a manifest"


@dataclass(slots=True)
class PackageTree:
    """Everything in a folder.

    Attributes
    ----------
    files : dict of str to int
        Size in bytes of every regular file, by path with forward slashes, sorted.
    odd : list of (str, str)
        What is neither file nor folder, or could not be looked into: path, and why.
    """

    files: dict[str, int] = field(default_factory=dict)
    odd: list[tuple[str, str]] = field(default_factory=list)


def walk_package(folder: Path) -> PackageTree:
    """Return what is in a folder, at most ``MOST_FILES`` files, ``DEEPEST`` folders deep."""
    tree = PackageTree()
    for path, size, fault in _walk(folder, "", 0):
        if fault:
            tree.odd.append((path, fault))
        else:
            tree.files[path] = size
        if len(tree.files) + len(tree.odd) > MOST_FILES:
            tree.odd.append((path, f"is one of more than {MOST_FILES} files, the limit here"))
            break
    tree.files = dict(sorted(tree.files.items()))
    return tree


def _walk(folder: Path, above: str, depth: int) -> Iterator[tuple[str, int, str]]:
    """Yield path, size and fault ("" for none) of everything but folders."""
    if depth > DEEPEST:
        yield above.rstrip("/"), 0, f"lies more than {DEEPEST} folders deep, the limit here"
        return
    try:
        with os.scandir(folder) as entries:
            some = islice(entries, MOST_FILES + 2)  # more end the walk anyway
            found = sorted(some, key=lambda entry: entry.name)
    except OSError as error:
        yield above.rstrip("/") or ".", 0, f"cannot be read ({error.strerror})"
        return
    for entry in found:
        path = above + entry.name
        try:
            seen = entry.stat(follow_symlinks=False)
        except OSError as error:
            yield path, 0, f"cannot be read ({error.strerror})"
            continue
        if stat.S_ISDIR(seen.st_mode):
            yield from _walk(folder / entry.name, path + "/", depth + 1)
        elif stat.S_ISREG(seen.st_mode):
            yield path, seen.st_size, ""
        elif stat.S_ISLNK(seen.st_mode):
            yield path, 0, "is a link; it is not followed"
        else:
            yield path, 0, "is no plain file; it is not opened"


def refuse_no_package(package: Path) -> None:
    """Refuse what is not the folder of a package.

    Raises
    ------
    PackageError
        If it is not there, is a file, or has nothing of a package in it.
    """
    remedy = "name the folder of a package"
    try:
        if not stat.S_ISDIR(package.stat().st_mode):
            what = "is a file, not a folder"
            raise PackageError(package, what, f"unpack it first, and {remedy}")
        names = [path.name for path in package.iterdir()]
    except (FileNotFoundError, NotADirectoryError) as error:
        raise PackageError(package, "does not exist", remedy) from error
    except OSError as error:
        what = f"cannot be read ({error.strerror})"
        raise PackageError(package, what, "check its permissions") from error
    if not is_package(names):
        raise PackageError(package, f"is no package: it {NO_PACKAGE}", remedy)


def read_small(package: Path, path: str, limit: int) -> bytes | None:
    """Return a file of a package; None if it is not there, too large, or reached by a link.

    Parameters
    ----------
    path : str
        Known to be safe: written in the program, not taken from a package.
    limit : int
        Most bytes that are read.
    """
    place = package
    try:
        for part in path.split("/"):
            place = place / part
            if stat.S_ISLNK(place.lstat().st_mode):
                return None
        with open_regular(place) as stream:
            data = stream.read(limit + 1)
    except OSError:
        return None
    return data if len(data) <= limit else None
