"""A collection: a folder with packages in it, at any depth. Links are not followed."""

from __future__ import annotations

import os
import stat
from collections.abc import Collection as Names
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from platebench.archive.manifest import is_package
from platebench.core.errors import CollectionError
from platebench.core.plate_names import as_text, fault_of_encoding

DEEPEST = 12  # folders within folders
MOST_PACKAGES = 1_000_000


@dataclass(frozen=True, slots=True)
class Collection:
    """What lies in a collection.

    Attributes
    ----------
    packages : tuple of str
        By path with forward slashes, sorted; those that lost their ``bagit.txt``, too.
    closed : tuple of (str, str)
        Folders that could not be looked into, and why.
    """

    packages: tuple[str, ...]
    closed: tuple[tuple[str, str], ...] = ()

    def hides(self, package: str) -> bool:
        """Tell whether a package is, or lies in, a folder that could not be looked into."""
        return any(f"{package}/".startswith(f"{folder}/") for folder, _ in self.closed)


def find_packages(folder: Path) -> Collection:
    """Return the packages below a folder.

    A package is a folder that holds ``bagit.txt``, or ``data`` and a manifest; what is inside one
    is not looked at, nor are hidden folders, which may be packages in the making.

    Raises
    ------
    CollectionError
        If there is no such folder, it cannot be read, or it is a package itself.
    """
    refuse_no_collection(folder)
    found: list[str] = []
    closed: list[tuple[str, str]] = []
    for path in _walk(folder, "", 0, closed):
        found.append(path)
        if len(found) > MOST_PACKAGES:
            what = f"holds more than {MOST_PACKAGES} packages, the limit here"
            raise CollectionError(folder, what, "index parts of it, each by itself")
    return Collection(tuple(sorted(found)), tuple(sorted(closed)))


def refuse_no_collection(folder: Path) -> None:
    """Refuse what is not a folder that may hold packages; see :func:`find_packages`."""
    remedy = "name the folder that holds the packages"
    try:
        names = {path.name for path in folder.iterdir()}
    except FileNotFoundError as error:
        raise CollectionError(folder, "does not exist", remedy) from error
    except NotADirectoryError as error:
        raise CollectionError(folder, "is a file, not a folder", remedy) from error
    except OSError as error:
        what = f"cannot be read ({error.strerror})"
        raise CollectionError(folder, what, "check its permissions") from error
    if _is_package(names):
        what = "is a package, not a collection"
        raise CollectionError(folder, what, "name the folder that it lies in")


def package_around(place: Path) -> Path | None:
    """Return the package that a place lies in; None if it lies in none.

    What is written there would make the package invalid.
    """
    for folder in (place := place.resolve(), *place.parents):
        try:
            if _is_package({path.name for path in folder.iterdir()}):
                return folder
        except OSError:  # not there yet, or closed to us
            continue
    return None


def is_folder(place: Path) -> bool:
    """Tell whether a folder is there, one that is closed to us too; a link is none."""
    try:
        return stat.S_ISDIR(place.lstat().st_mode)
    except (FileNotFoundError, NotADirectoryError):
        return False
    except OSError:  # it lies in a closed one
        return True


def _walk(folder: Path, above: str, depth: int, closed: list[tuple[str, str]]) -> Iterator[str]:
    if depth > DEEPEST:
        return
    try:
        with os.scandir(folder) as entries:
            kinds = {entry.name: entry.is_dir(follow_symlinks=False) for entry in entries}
    except OSError as error:
        closed.append((above.rstrip("/"), f"cannot be read ({error.strerror})"))
        return
    if above and _is_package(kinds):
        yield above.rstrip("/")
        return
    for name, is_folder in kinds.items():
        if name.startswith(".") or not is_folder:
            continue
        if fault := fault_of_encoding(name):
            what = f"holds a folder whose name {fault} ({as_text(name)})"
            raise CollectionError(folder, what, "rename it")
        yield from _walk(folder / name, f"{above}{name}/", depth + 1, closed)


def _is_package(names: Names[str]) -> bool:
    """Tell a package from a folder that merely has a list of checksums in it."""
    return "bagit.txt" in names or ("data" in names and is_package(names))
