"""What may be wrong with a package, and the check of one file of it: for all, or a few needed."""

from __future__ import annotations

import shlex
import unicodedata
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import Any

from platebench.archive.manifest import (
    LARGEST_MANIFEST,
    LONGEST_PATH_BYTES,
    SUPPORTED,
    parse_manifest,
)
from platebench.archive.package_tree import FileDigests, hash_path, read_small, walk_package
from platebench.core.errors import PackageError
from platebench.core.shown import LONGEST_PART, shown


class FindingKind(StrEnum):
    """Kinds of finding, in the words of docs/archive.md."""

    MISSING = "missing"  # listed and not there
    EXTRA = "extra"  # in data/ and not listed
    UNREADABLE = "unreadable"  # the system refuses to read it
    ALTERED = "altered"  # other bytes; pixels, too, where there are any
    METADATA_CHANGED = "metadata changed"  # other bytes, the pixels as they were
    BAD_DECLARATION = "bad declaration"  # bagit.txt is missing or wrong
    BAD_MANIFEST = "bad manifest"
    BAD_TAGS = "bad tags"  # bag-info.txt is wrong, or its Payload-Oxum does not fit
    UNSAFE_PATH = "unsafe path"  # leads out of the package; never looked at
    NOT_A_FILE = "not a file"  # a link, pipe or device
    UNSUPPORTED = "unsupported"  # version, encoding, algorithm, files to fetch
    OTHER_SPELLING = "other spelling"  # accents composed in another way: a note
    CLASH = "clash"  # one file on some disks: a note


NOTES = frozenset({FindingKind.OTHER_SPELLING, FindingKind.CLASH})
# What leaves a package incomplete (RFC 8493 section 3); the rest of the faults, invalid.
_INCOMPLETE = frozenset(FindingKind) - NOTES - {FindingKind.ALTERED, FindingKind.METADATA_CHANGED}


_COPY = "take what is named from another copy of the package"
_OUT = "move what does not belong there out of it"
_OTHERS = "ask whoever made it for a package of BagIt 1.0 in UTF-8 that holds all its files"
_REMEDIES = {
    FindingKind.UNREADABLE: "check the permissions and the disk",
    FindingKind.EXTRA: _OUT,
    FindingKind.NOT_A_FILE: _OUT,
    FindingKind.UNSAFE_PATH: "do not trust its manifests: take another copy of the package",
    FindingKind.UNSUPPORTED: _OTHERS,
}


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing found.

    Attributes
    ----------
    kind : FindingKind
    path : str
        Within the package.
    what : str
        The rest of the sentence.
    """

    kind: FindingKind
    path: str
    what: str

    def __str__(self) -> str:
        return f"{self.kind}: {shown(self.path)} {shown(self.what, LONGEST_PART)}"

    def to_json(self) -> dict[str, str]:
        """Return plain values; every path that can be used is whole."""
        path, what = shown(self.path, LONGEST_PATH_BYTES), shown(self.what, LONGEST_PART)
        return {"kind": str(self.kind), "path": path, "what": what}


@dataclass(frozen=True, slots=True, kw_only=True)
class PackageCheck:
    """The outcome of checking a package.

    Attributes
    ----------
    package : Path
    findings : tuple of Finding
        Faults and notes, by path.
    files, size : int
        Payload files and their bytes.
    identifier : str
        Its External-Identifier.
    """

    package: Path
    findings: tuple[Finding, ...]
    files: int
    size: int
    identifier: str = ""

    @property
    def faults(self) -> tuple[Finding, ...]:
        """Findings that are more than notes."""
        return tuple(finding for finding in self.findings if finding.kind not in NOTES)

    @property
    def complete(self) -> bool:
        """Everything that has to be there is there, and nothing else."""
        return not any(finding.kind in _INCOMPLETE for finding in self.findings)

    @property
    def valid(self) -> bool:
        """Complete, and every byte as it was."""
        return not self.faults

    @property
    def remedies(self) -> tuple[str, ...]:
        """What to do about the faults, each once."""
        return tuple(dict.fromkeys(_REMEDIES.get(fault.kind, _COPY) for fault in self.faults))

    def to_json(self) -> dict[str, Any]:
        """Return plain values."""
        return {
            "package": str(self.package),
            "identifier": shown(self.identifier, LONGEST_PART),
            "complete": self.complete,
            "valid": self.valid,
            "files": self.files,
            "bytes": self.size,
            "what_to_do": list(self.remedies),
            "findings": [finding.to_json() for finding in self.findings],
        }


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

    def error_of(self, fault: Finding, *, also: tuple[str, ...] = ("",)) -> PackageError:
        """Return the sentence for a file that is not as it was packed.

        Parameters
        ----------
        also : tuple of str
            A remedy beside looking at the package, and the settings that it is about.
        """
        see = f"see: platebench verify {shlex.quote(str(self.package))}"
        if fault.kind is FindingKind.UNREADABLE:
            remedy = f"check its permissions and the disk, then {see}"
        else:
            remedy = f"the package is damaged, {see}"
        return PackageError(self.package / fault.path, fault.what, remedy + also[0], *also[1:])

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
