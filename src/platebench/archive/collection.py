"""A collection: a folder with packages in it, at any depth. Links are not followed."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

from platebench.errors import CollectionError

DEEPEST = 12  # folders within folders
MOST_PACKAGES = 1_000_000


def find_packages(collection: Path) -> list[str]:
    """Return the packages below a folder, by path with forward slashes, sorted.

    A package is a folder that holds ``bagit.txt``; what is inside one is not looked at, nor are
    hidden folders, which may be packages in the making.

    Raises
    ------
    CollectionError
        If there is no such folder, or it is a package itself.
    """
    if not collection.is_dir():
        what = "is a file, not a folder" if collection.exists() else "does not exist"
        raise CollectionError(collection, what, "name the folder that holds the packages")
    if (collection / "bagit.txt").exists():
        what = "is a package, not a collection"
        raise CollectionError(collection, what, "name the folder that it lies in")
    found = []
    for path in _walk(collection, "", 0):
        found.append(path)
        if len(found) > MOST_PACKAGES:
            what = f"holds more than {MOST_PACKAGES} packages, the limit here"
            raise CollectionError(collection, what, "index parts of it, each by itself")
    return sorted(found)


def _walk(folder: Path, above: str, depth: int) -> Iterator[str]:
    if depth > DEEPEST:
        return
    try:
        with os.scandir(folder) as entries:
            folders = [
                entry.name
                for entry in entries
                if not entry.name.startswith(".") and entry.is_dir(follow_symlinks=False)
            ]
    except OSError as error:
        what = f"cannot be read ({error.strerror})"
        raise CollectionError(folder, what, "check its permissions") from error
    for name in folders:
        if any("\ud800" <= char <= "\udfff" for char in name):
            what = (
                f"holds a folder whose name is not UTF-8 ({name.encode(errors='replace').decode()})"
            )
            raise CollectionError(folder, what, "rename it")
        if (folder / name / "bagit.txt").exists():
            yield above + name
        else:
            yield from _walk(folder / name, f"{above}{name}/", depth + 1)
