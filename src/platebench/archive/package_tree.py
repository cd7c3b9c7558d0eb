"""What lies in a package's folder: found by walking it, links never followed.

Files of a package are opened only under names found here, never under names a manifest gives; so
nothing a package says can lead out of it.
"""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import islice
from pathlib import Path

from platebench.archive.digests import open_regular
from platebench.archive.manifest import MOST_FILES, is_package
from platebench.errors import PackageError

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
