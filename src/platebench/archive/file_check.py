"""Whether one file of a package is as the manifests state: for all of them, or a few needed."""

from __future__ import annotations

import shlex
import unicodedata
from collections.abc import Callable, Mapping
from pathlib import Path

from platebench.archive.digests import FileDigests, hash_path
from platebench.archive.findings import Finding, FindingKind
from platebench.archive.manifest import LARGEST_MANIFEST, SUPPORTED, parse_manifest
from platebench.archive.package_tree import read_small, walk_package
from platebench.errors import PackageError
from platebench.shown import shown

Digest = Callable[[Path, tuple[str, ...]], FileDigests]


def check_file(
    package: Path, path: str, stated: Mapping[str, str], *, digest: Digest = hash_path
) -> Finding | None:
    """Return what is wrong with a file of a package; None if its bytes are as stated.

    Parameters
    ----------
    path : str
        Found by walking the package.
    stated : mapping of str to str
        Its digests in lower-case hexadecimal, by algorithm; at least one.
    digest : callable
        What reads and hashes a file.
    """
    try:
        found = digest(package / path, tuple(stated))
    except FileNotFoundError:
        return Finding(FindingKind.MISSING, path, "vanished while the package was checked")
    except OSError as error:
        return Finding(FindingKind.UNREADABLE, path, f"cannot be read ({error.strerror})")
    wrong = [name for name in stated if found.by_algorithm[name] != stated[name]]
    if not wrong:
        return None
    if len(wrong) < len(stated):
        right = ", ".join(sorted(set(stated) - set(wrong)))
        what = f"fits {right} and not {', '.join(wrong)}: a manifest was changed, not the file"
        return Finding(FindingKind.BAD_MANIFEST, path, what)
    what = "has other bytes than when it was packed" if found.size else "is empty"
    return Finding(FindingKind.ALTERED, path, what)


class PackedFiles:
    """The files of a package, looked at one by one.

    Parameters
    ----------
    package : Path
        Its folder; only read.
    """

    def __init__(self, package: Path) -> None:
        self.package = package
        self._tree = walk_package(package)
        self._by_form = {_form(path): path for path in self._tree.files}
        self._stated: dict[str, dict[str, str]] = {}
        for algorithm in SUPPORTED:
            data = read_small(package, f"manifest-{algorithm}.txt", LARGEST_MANIFEST) or b""
            for path, digest in parse_manifest(data, algorithm).entries.items():
                self._stated.setdefault(_form(path), {})[algorithm] = digest

    def place_of(self, path: str) -> Path | None:
        """Return where a file is, however its accents are composed; None if it is not there."""
        there = self._by_form.get(_form(path))
        return None if there is None else self.package / there

    def is_listed(self, path: str) -> bool:
        """Tell whether a manifest states it."""
        return _form(path) in self._stated

    def fault_of(self, path: str) -> Finding | None:
        """Return what is wrong with a file; None if it is as all the manifests state."""
        there = self._by_form.get(_form(path))
        if there is None:
            return self._absent(path)
        stated = self._stated.get(_form(path))
        if stated is None:
            return Finding(FindingKind.EXTRA, path, "is in no manifest that can be read")
        return check_file(self.package, there, stated)

    def error_of(self, fault: Finding, *, also: str = "") -> PackageError:
        """Return the sentence for a file that is not as it was packed.

        Parameters
        ----------
        also : str
            A remedy beside looking at the package.
        """
        see = f"see: platebench verify {shlex.quote(str(self.package))}"
        if fault.kind is FindingKind.UNREADABLE:
            remedy = f"check its permissions and the disk, then {see}"
        else:
            remedy = f"the package is damaged, {see}"
        return PackageError(self.package / fault.path, fault.what, remedy + also)

    def _absent(self, path: str) -> Finding:
        for odd, fault in self._tree.odd:
            if odd == path:
                kind = FindingKind.UNREADABLE if "cannot" in fault else FindingKind.NOT_A_FILE
                return Finding(kind, path, fault)
            if path.startswith(f"{odd}/"):
                what = f"cannot be looked at: {shown(odd)} {fault}"
                return Finding(FindingKind.UNREADABLE, path, what)
        return Finding(FindingKind.MISSING, path, "is missing")


def _form(path: str) -> str:
    return unicodedata.normalize("NFC", path)
